"""Problems found while reading a text."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_TRAINING = "bench-dump 1\n[training]\nsite ch lane step result width\n"
_COUNTS = "bench-dump 1\n[counts]\nsite bits errors rose fell cells\n"
_ERRORS = "bench-dump 1\n[errors]\nsite address wrote read mask\n"

KINDS: dict[str, ProblemKind] = {
    "empty-text": ProblemKind(
        Severity.ERROR,
        "nothing was pasted: the text is empty",
        "paste the dump again, from its first line to its [end] line",
        ("", " \n\n"),
    ),
    "no-dump": ProblemKind(
        Severity.ERROR,
        "no dump is found in this text: no line of it shows one of the layouts {layouts}",
        "name the layout with --grammar, or teach it with a grammar file",
        ("good morning\nall well\n",),
    ),
    "no-rows": ProblemKind(
        Severity.ERROR,
        "no row of data and no head of a dump is found in this text by layout {layout}",
        "paste more of the dump, or name its layout with --grammar",
        ("[training]\n",),
    ),
    "too-little-understood": ProblemKind(
        Severity.ERROR,
        "of the first {lines} lines {n} are not understood: reading was given up, as it is from "
        "{most:,} such lines on where they are most of a text",
        "name the layout with --grammar, or teach it with a grammar file; else capture it again",
        (_TRAINING + "nonsense\n" * 10_000,),
    ),
    "too-many": ProblemKind(
        Severity.ERROR,
        "more than {most:,} {what}: no text of more is read",
        "cut the text in several files, each of which is read by itself",
        (
            "bench-dump 1\n" * 5_001,
            "bench-dump 1\n[run]\n" + "id r\n" * 2_001,
            "bench-dump 1\n" + "[training]\n" * 2_001,
        ),
    ),
    "too-little-said": ProblemKind(
        Severity.ERROR,
        "of the first {lines} lines {n} say nothing: reading was given up, as it is from {most:,} "
        "such lines on where they are nine of ten",
        "paste the dump alone, without the log around it",
        via="large",
    ),
    "two-layouts": ProblemKind(
        Severity.WARNING,
        "the text shows the marks of several layouts, {names}: it is read as {taken}",
        "name the right one with --grammar",
    ),
    "line-too-long": ProblemKind(
        Severity.ERROR,
        "a line of {n} characters, where no row has more than {most:,}: it is left out",
        "the capture lost its line ends or is no text: capture it again",
        (_TRAINING + "U1 0 0 read pass " + "9" * 20_000 + "\n[end] 1\n",),
    ),
    "not-understood": ProblemKind(
        Severity.ERROR,
        "this line is not understood: found {found}, expected {expected}",
        "{hint}",
        ("bench-dump 1\nnonsense here\n[counts]\nsite bits\nU1 5\n[end] 1\n",),
    ),
    "bad-cell": ProblemKind(
        Severity.ERROR,
        "{column} is {found!r}, expected {expected}: {costs}",
        "{hint}",
        (
            _TRAINING + "U1 0 0 read pazzd 0.4UI\n[end] 1\n",
            _TRAINING + "U1 0 x read pass 0.4UI\n[end] 1\n",
            _TRAINING + "U1 0 0 read pass 0.4mV\n[end] 1\n",
            _ERRORS + "U1 0x10 0xff 0x7g -\n[end] 1\n",
            "bench-dump 1\n[training]\nstep result window\nread pass 0011x100\n[end] 1\n",
        ),
    ),
    "cell-missing": ProblemKind(
        Severity.ERROR,
        "the row does not say its {column}: it is left out",
        "a row of {section} cannot do without {column}",
        (_TRAINING + "U1 0 0 - pass 0.4UI\n[end] 1\n", _ERRORS + "U1 0x10 0xff - -\n[end] 1\n"),
    ),
    "cell-count": ProblemKind(
        Severity.ERROR,
        "the row has {found} cells, its table has {wanted} columns: it is left out",
        "the columns are {columns}; write - for what is not said",
        (_TRAINING + "U1 0 read pass\n[end] 1\n", _TRAINING + "U1 0 0 read pass - -\n[end] 1\n"),
    ),
    "row-short": ProblemKind(
        Severity.ERROR,
        "the row lacks a cell, and says no {column}: the rest of the row counts",
        "write - for what is not said; the rig may have said more than the paste holds",
        ("bench-dump 1\n[training]\nsite ch lane step result\nU1 0 0 read\n[end] 1\n",),
    ),
    "absurd-value": ProblemKind(
        Severity.ERROR,
        "{column} is {found!r}: {limit}; {costs}",
        "look at the rig's own screen: characters were lost, or the counter ran over",
        (
            _COUNTS + "U1 100 -3 - - -\n[end] 1\n",
            _TRAINING + "U1 0 0 read pass -0.4UI\n[end] 1\n",
            "bench-dump 1\n[counts]\nsite dq bits\nU1 8 100\n[end] 1\n",
            "bench-dump 1\n[rails]\nrail ohms\nVDD -4\n[end] 1\n",
        ),
    ),
    "contradiction": ProblemKind(
        Severity.ERROR,
        "the row contradicts itself: {why}; it is left out",
        "characters were lost, or the counter ran over: measure again",
        (
            _COUNTS + "U1 0 3 - - -\n[end] 1\n",
            _COUNTS + "U1 100 101 - - -\n[end] 1\n",
            _COUNTS + "U1 100 3 2 2 -\n[end] 1\n",
            _COUNTS + "U1 100 3 - - 4\n[end] 1\n",
            _ERRORS + "U1 0x10 0xff 0xff -\n[end] 1\n",
            _ERRORS + "U1 0x10 0xff 0xfe 0x2\n[end] 1\n",
        ),
    ),
    "unknown-key": ProblemKind(
        Severity.INFO,
        "the head has a key memdiag does not know: {key}",
        "{hint}",
        ("bench-dump 1\n[run]\nboradd  quince-2\n[end] 0\n",),
    ),
    "repeated-key": ProblemKind(
        Severity.WARNING,
        "the head says {key} twice: the last one counts",
        "remove the wrong one and read again",
        ("bench-dump 1\n[run]\nserial 1\nserial 2\n[end] 0\n",),
    ),
    "bad-head-value": ProblemKind(
        Severity.WARNING,
        "{key} is {found!r}, expected {expected}: it is not used",
        "{hint}",
        (
            "bench-dump 1\n[run]\nswapped U3-U5\n[end] 0\n",
            "bench-dump 1\n[run]\nswapped U3>U3\n[end] 0\n",
            "bench-dump 1\n[run]\nmemory gddr66\n[end] 0\n",
            "bench-dump 1\n[run]\nrate fast\n[end] 0\n",
            "bench-dump 1\n[run]\nat yesterday\n[end] 0\n",
            "bench-dump 1\n[run]\nambient 23 V\n[end] 0\n",
        ),
    ),
    "unknown-section": ProblemKind(
        Severity.INFO,
        "there is no section [{name}] that memdiag knows",
        "{hint}",
        ("bench-dump 1\n[chores]\nsite step result\nU1 id pass\n[counts]\nbits\n3\n[end] 1\n",),
    ),
    "section-unread": ProblemKind(
        Severity.WARNING,
        "section [{name}] was read by nobody, though it looks like a {table} table: {lines}",
        "give it the name of the table it is, or take it out if it is none",
        (
            "bench-dump 1\n[counts]\nbits\n3\n[second-pass]\nsite step result\n[end] 1\n",
            "bench-dump 1\n[counts]\nbits\n3\n[pass2]\nU1 read failed\n[end] 1\n",
        ),
    ),
    "outside-row": ProblemKind(
        Severity.WARNING,
        "a line outside of any dump looks like a row: it is not used",
        "its dump may have been cut in two: paste it again from its first line to its last",
        (_COUNTS + "U1 5 0 0 0 0\n[end] 1\nU2 5 0 0 0 0\n",),
    ),
    "unknown-column": ProblemKind(
        Severity.INFO,
        "section [{section}] has a column memdiag does not know: {name}",
        "{hint}",
        ("bench-dump 1\n[counts]\nsite bits colour\nU1 5 red\n[end] 1\n",),
    ),
    "bad-columns": ProblemKind(
        Severity.ERROR,
        "the rows of section [{section}] cannot be read: {why}",
        "mend the header line and read again",
        (
            "bench-dump 1\n[training]\nsite ch result\nU1 0 pass\n[end] 1\n",
            "bench-dump 1\n[errors]\nsite address wrote\nU1 0x0 0x1\n[end] 1\n",
            "bench-dump 1\n[counts]\nsite bits bits\nU1 5 5\n[end] 1\n",
        ),
    ),
    "rows-unreadable": ProblemKind(
        Severity.ERROR,
        "{rows} of section [{section}] left out from here on: {why}",
        "put the header line above them and read again",
        ("bench-dump 1\n[counts]\nU1 5 5\n[end] 1\n",),
    ),
    "end-missing": ProblemKind(
        Severity.WARNING,
        "the dump has no [end] line: the paste was cut here, what came after is not known",
        "paste it again with its [end] line",
        (_COUNTS + "U1 5 0 0 0 0\n",),
    ),
    "end-count": ProblemKind(
        Severity.WARNING,
        "the dump says it has {promised} rows, {found} are here: the paste lost some",
        "paste it again from its first line to its last",
        (_COUNTS + "U1 5 0 0 0 0\n[end] 7\n",),
    ),
    "stray-end": ProblemKind(
        Severity.WARNING,
        "an [end] line with no dump before it",
        "the beginning is missing, or two captures ran through each other: paste them one by one",
        (_COUNTS + "U1 5 0 0 0 0\n[end] 1\n[end] 4\n",),
    ),
    "dump-headless": ProblemKind(
        Severity.WARNING,
        "a dump starts here without its first line",
        "paste it again from its first line: its run, board and stage are not known",
        (_COUNTS + "U1 5 0 0 0 0\n[end] 1\n[counts]\nbits\n4\n[end] 1\n",),
    ),
    "other-version": ProblemKind(
        Severity.WARNING,
        "the dump is of format version {found}, this memdiag reads version 1",
        "what is new in that version is reported as not known; look for a newer memdiag",
        ("bench-dump 2\n[counts]\nsite bits\nU1 5\n[end] 1\n",),
    ),
    "outside": ProblemKind(
        Severity.INFO,
        "{lines} from here on outside of any dump: not used",
        "this is ordinary for greetings and prompts around a dump",
        ("hello there\n" + _COUNTS + "U1 5 0 0 0 0\n[end] 1\n",),
    ),
    "errors-collapsed": ProblemKind(
        Severity.INFO,
        "{total} error rows: those that differ in nothing but their line are held as one with "
        "their number, {rows} in all",
        "nothing is lost but the line numbers of the repeats",
    ),
    "errors-thinned": ProblemKind(
        Severity.WARNING,
        "{total} error rows are too many to hold: used are those of {share} of the addresses, and "
        "of each the first {words} different words",
        "which addresses are used is chance; shares and rates stay right, single cells are missed",
    ),
    "counts-added-up": ProblemKind(
        Severity.WARNING,
        "{total} rows of counts are too many to hold: those of one place, setting and test are "
        "added up to {rows}",
        "how much the counts scatter from pass to pass is no longer seen",
    ),
    "more-alike": ProblemKind(
        Severity.WARNING,
        "{n} more of the problem {what}, the last in line {last}",
        "mend the first ones: the others are of the same kind",
        (_COUNTS + "U1 5 x 0 0 0\n" * 150 + "[end] 150\n",),
    ),
}
