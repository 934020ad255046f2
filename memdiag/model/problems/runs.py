"""Problems of a whole run: what contradicts itself, the profile or the declared stage."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_BOARD = "bench-dump 1\n[run]\nboard  quince-12\n"
_DDR4 = "bench-dump 1\n[run]\nboard  quince-8\n"
_TRAINING = "[training]\nsite ch rank lane step result width window delay\n"
_COUNTS = "[counts]\nsite ch lane bits errors rose fell edc\n"
_U1 = "U1 0 0 0 id pass - - -\n"

KINDS: dict[str, ProblemKind] = {
    "unknown-site": ProblemKind(
        Severity.ERROR,
        "site {site} is not on board {board}: {rows}",
        "{nearest} - else the dump is of another board, or the profile lacks a site",
        (_BOARD + _TRAINING + "U77 0 0 0 id pass - - -\n[end] 1\n",),
    ),
    "unknown-channel": ProblemKind(
        Severity.ERROR,
        "{what} is not on board {board}: {rows}",
        "{hint}; check the board's name in the dump",
        (_BOARD + _TRAINING + "U1 99 0 0 id pass - - -\n[end] 1\n",),
    ),
    "unknown-rank": ProblemKind(
        Severity.ERROR,
        "{what} is not on board {board}: {rows}",
        "{hint}; check the board's name in the dump",
        (_BOARD + _TRAINING + "U1 0 3 0 id pass - - -\n[end] 1\n",),
    ),
    "unknown-lane": ProblemKind(
        Severity.ERROR,
        "{what} is not on board {board}: {rows}",
        "{hint}; check the board's name in the dump",
        (
            _BOARD + _TRAINING + "U1 0 0 7 id pass - - -\n[end] 1\n",
            _DDR4 + "[training]\nsite lane step result\nU1 5 id pass\n[end] 1\n",
        ),
    ),
    "link-of-another": ProblemKind(
        Severity.ERROR,
        "{what}: that is not how board {board} is wired: {rows}",
        "{hint}; check the dump's board name, or the profile",
        (
            _BOARD + _TRAINING + "U1 4 0 0 id pass - - -\n[end] 1\n",
            _DDR4 + _TRAINING + "U1 0 0 2 id pass - - -\n[end] 1\n",
        ),
    ),
    "unknown-rail": ProblemKind(
        Severity.WARNING,
        "rail {rail} is not on board {board}: its reading is used for nothing",
        "{nearest}",
        (_BOARD + "[rails]\nrail ohms\nVDD_MEMA 108\n[end] 1\n",),
    ),
    "memory-differs": ProblemKind(
        Severity.WARNING,
        "the head says {said}, the profile of {board} says {profile}",
        "undriven lines read 1 or 0 by the family: correct the one that is wrong",
        (_BOARD + "memory  ddr4\n" + _TRAINING + _U1 + "[end] 1\n",),
    ),
    "rate-unlike-memory": ProblemKind(
        Severity.WARNING,
        "{rate} per line is far from any {memory} ({slow} to {fast} Gbit/s)",
        "give the data rate of one line with its unit, such as 14.0 Gbit/s, not the clock",
        (_BOARD + "memory  gddr6\nrate  14.0 Mbit/s\n" + _TRAINING + _U1 + "[end] 1\n",),
    ),
    "declared-unknown": ProblemKind(
        Severity.WARNING,
        "{key} names {site}, which is not on board {board}",
        "{nearest}",
        (
            _BOARD + "removed  U66\n" + _TRAINING + _U1 + "[end] 1\n",
            _BOARD + "swapped  U3>U55\n" + _TRAINING + _U1 + "[end] 1\n",
        ),
    ),
    "removed-and-more": ProblemKind(
        Severity.WARNING,
        "{site} is said to be empty (removed) and {key} as well",
        "correct the head: a site with a package on it is not removed",
        (
            _BOARD + "removed  U6\nreplaced  U6\n" + _TRAINING + _U1 + "[end] 1\n",
            _BOARD + "removed  U5\nswapped  U3>U5\n" + _TRAINING + _U1 + "[end] 1\n",
        ),
    ),
    "bare-of-nothing": ProblemKind(
        Severity.WARNING,
        "the stage is bare, but no site is said to be removed",
        "name the empty sites: removed  U6 in the head, or --removed U6",
        (
            _BOARD + "stage  bare\n" + _TRAINING + _U1 + "[end] 1\n",
            _BOARD + "stage  bare\nremoved  -\n" + _TRAINING + _U1 + "[end] 1\n",
        ),
    ),
    "swap-of-nothing": ProblemKind(
        Severity.WARNING,
        "the stage is after-swap, but nothing is said to be replaced, swapped or reflowed",
        "say what was done (replaced  U6): which fault followed the part depends on it",
        (_BOARD + "stage  after-swap\n" + _TRAINING + _U1 + "[end] 1\n",),
    ),
    "still-removed": ProblemKind(
        Severity.WARNING,
        "the stage is {stage}, but {sites} is still said to be empty (removed)",
        "take the line out of the head if the package is fitted again",
        (_BOARD + "stage  final\nremoved  U6\n" + _TRAINING + _U1 + "[end] 1\n",),
    ),
    "removed-answers": ProblemKind(
        Severity.WARNING,
        "{site} is said to be empty (removed), but it answers: {rows}",
        "look at the board: another package is off, or the head was kept from an earlier run",
        (
            _BOARD + "stage  bare\nremoved  U1\n" + _TRAINING + _U1 + "[end] 1\n",
            _DDR4 + "removed  U1\n" + _COUNTS + "- 0 0 1000000 0 0 0 -\n[end] 1\n",
        ),
    ),
    "rows-contradict": ProblemKind(
        Severity.WARNING,
        "{what}: {now} here, {before} in line {line}, with all settings alike",
        "number the attempts (column attempt) if it was run twice; else run it again",
        (_BOARD + _TRAINING + _U1 + "U1 0 0 0 id fail - - -\n[end] 2\n",),
    ),
    "rows-repeated": ProblemKind(
        Severity.INFO,
        "{rows} of training printed again word for word",
        "counted once more as they stand; the paste may hold a piece twice",
        (_BOARD + _TRAINING + _U1 + _U1 + "[end] 2\n",),
    ),
    "result-against-width": ProblemKind(
        Severity.WARNING,
        "{what}: {result}, yet a width of {width} is printed",
        "the width may be left from another step: run it again",
        (_BOARD + _TRAINING + "U1 0 0 0 read no-response 0.46UI - -\n[end] 1\n",),
    ),
    "result-against-window": ProblemKind(
        Severity.WARNING,
        "{what}: {result}, yet its window has {window}",
        "the window may be left from another step, or characters were lost: run it again",
        (
            _BOARD + _TRAINING + "U1 0 0 0 read pass - 0000000000000000 -\n[end] 1\n",
            _BOARD + _TRAINING + "U1 0 0 0 read not-found - 0000111111000000 -\n[end] 1\n",
        ),
    ),
    "window-against-width": ProblemKind(
        Severity.WARNING,
        "{what}: a width of {width} is printed, its window shows {window}",
        "they may be two measurements; where it matters, run the step again",
        (
            _BOARD + _TRAINING + "U1 0 0 0 read pass 14taps 0000011111000000 -\n[end] 1\n",
            _BOARD + _TRAINING + "U1 0 0 0 read fail 0.46UI 0000000000000000 -\n[end] 1\n",
        ),
    ),
    "delay-outside-window": ProblemKind(
        Severity.WARNING,
        "{what}: the delay is {delay}, but taps {first} to {last} work",
        "they may be of two candidates or two attempts: run the step again",
        (_BOARD + _TRAINING + "U1 0 0 0 read pass - 0000011111000000 14\n[end] 1\n",),
    ),
    "window-full": ProblemKind(
        Severity.WARNING,
        "windows without an edge: {rows} of {every} with a window work on every tap",
        "a delay line that does not move looks like this; else the eye is at least this wide",
        (_BOARD + _TRAINING + "U1 0 0 0 read pass - 1111111111111111 -\n[end] 1\n",),
    ),
    "eye-too-wide": ProblemKind(
        Severity.WARNING,
        "{what}: an eye of {width} is wider than the bit itself",
        "the unit may be wrong (taps or ps), or a digit was lost",
        (_BOARD + _TRAINING + "U1 0 0 0 read pass 4.6UI - -\n[end] 1\n",),
    ),
    "rank-unmeasured": ProblemKind(
        Severity.WARNING,
        "rank {rank} passes {steps} with no margin where another rank has some: not measured",
        "its margin is not known, and is not zero",
        (
            "bench-dump 1\n" + _TRAINING + "U1 0 0 0 read pass 0.46UI - -\n"
            "U1 0 1 0 read pass 0UI - -\n[end] 2\n",
        ),
    ),
    "directions-short": ProblemKind(
        Severity.WARNING,
        "{what}: {rose} rose and {fell} fell make fewer than the {errors} errors",
        "a counter may have stopped at its largest number: the directions are a lower limit",
        (_BOARD + _COUNTS + "U1 0 0 1000 9 3 2 -\n[end] 1\n",),
    ),
    "counts-contradict": ProblemKind(
        Severity.WARNING,
        "{what}: {now} errors of {bits} bits here, {before} in line {line}, with all settings "
        "alike",
        "name the tests (column test) or number the attempts if it was run twice",
        (_BOARD + _COUNTS + "U1 0 0 1000 9 - - -\nU1 0 0 1000 0 - - -\n[end] 2\n",),
    ),
    "counts-repeated": ProblemKind(
        Severity.WARNING,
        "{rows} of counts printed again with the same numbers",
        "if the paste holds a piece twice, take it out: its bits are counted twice",
        (_BOARD + _COUNTS + "U1 0 0 1000 9 - - -\nU1 0 0 1000 9 - - -\n[end] 2\n",),
    ),
    "errors-not-counted": ProblemKind(
        Severity.WARNING,
        "{what}: its counts say no error, yet {rows} of errors are printed",
        "the counts may be of another test or pass: name the tests in both",
        (
            _BOARD + _COUNTS + "U1 0 - 1000000 0 - - -\n[errors]\nsite ch address wrote read\n"
            "U1 0 0x1000 0xff 0xfe\n[end] 2\n",
        ),
    ),
    "link-check-silent": ProblemKind(
        Severity.WARNING,
        "the link check passed on all {rows} of errors, on {places} channels: is it switched on?",
        "switch it on and run again; on one package alone it would mean an array fault",
        (
            _BOARD
            + "[errors]\nsite ch address wrote read edc\n"
            + "".join(f"U{1 + i % 3} {i % 3 * 2} 0x{64 * i:x} 0xff 0xfe ok\n" for i in range(60))
            + "[end] 60\n",
        ),
    ),
    "link-check-not-counted": ProblemKind(
        Severity.WARNING,
        "{what}: no failed link check is counted, yet one is printed here",
        "the counts may be of another test or pass: name the tests in both",
        (
            _BOARD + _COUNTS + "U1 0 - 1000 9 - - 0\n[errors]\nsite ch address wrote read edc\n"
            "U1 0 0x1000 0xff 0xfe bad\n[end] 2\n",
        ),
    ),
    "temperature-absurd": ProblemKind(
        Severity.WARNING,
        "a temperature of {temp} C: no memory is tested there ({rows})",
        "the sensor may be open, or the unit is not C",
        (_BOARD + "[training]\nsite ch step result temp\nU1 0 id pass 255C\n[end] 1\n",),
    ),
}
