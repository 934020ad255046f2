"""What was written otherwise than the format says, and read all the same."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_TRAINING = "bench-dump 1\n[training]\nsite ch lane step result width\n"
_COUNTS = "bench-dump 1\n[counts]\nsite bits errors\n"
_ERRORS = "bench-dump 1\n[errors]\nsite address wrote read mask\n"
_GOOD = "it was read; nothing need be done"

KINDS: dict[str, ProblemKind] = {
    "words-otherwise": ProblemKind(
        Severity.INFO,
        "words for {what} were written otherwise: {n} ({found} for {taken})",
        _GOOD + "; the shop's settings hold more words",
        (_TRAINING + "U1 0 0 read FAILED 0.4UI\n[end] 1\n",),
    ),
    "unsaid-otherwise": ProblemKind(
        Severity.INFO,
        "cells that say nothing were written otherwise: {n} ({found} for {taken})",
        _GOOD,
        (_TRAINING + "U1 0 0 read pass n/a\n[end] 1\n",),
    ),
    "decimal-comma": ProblemKind(
        Severity.INFO,
        "numbers were written with a decimal comma: {n} ({found} for {taken})",
        _GOOD,
        (_TRAINING + "U1 0 0 read pass 0,46UI\n[end] 1\n",),
    ),
    "thousands-apart": ProblemKind(
        Severity.INFO,
        "numbers were written with their thousands apart: {n} ({found} for {taken})",
        _GOOD,
        (
            _COUNTS + "U1 4'000'000 0\n[end] 1\n",
            _COUNTS + "U1 4 000 000 0\n[end] 1\n",
            _COUNTS + "U1 4,000,000 0\n[end] 1\n",
        ),
    ),
    "magnitude": ProblemKind(
        Severity.INFO,
        "whole numbers were written in short: {n} ({found} for {taken})",
        _GOOD,
        (_COUNTS + "U1 4G 0\n[end] 1\n",),
    ),
    "unit-apart": ProblemKind(
        Severity.INFO,
        "units were written apart from their numbers: {n} ({found} for {taken})",
        _GOOD,
        (_TRAINING + "U1 0 0 read pass 0.46 UI\n[end] 1\n",),
    ),
    "hex-otherwise": ProblemKind(
        Severity.INFO,
        "hex words were written without 0x: {n} ({found} for {taken})",
        _GOOD,
        ("bench-dump 1\n[errors]\nsite address mask\nU1 1f00h 80\n[end] 1\n",),
    ),
    "words-left-out": ProblemKind(
        Severity.INFO,
        "{rows} without words or mask: they say where a word was wrong, not which bits of it",
        "print wrote and read, or a mask, to learn which data lines are wrong",
        (
            "bench-dump 1\n[errors]\nsite lane address\nU1 0 0x10\n[end] 1\n",
            "bench-dump 1\n[errors]\nsite bank row col\nU1 0 7 3\n[end] 1\n",
            _ERRORS + "U1 0x10 - - -\n[end] 1\n",
        ),
    ),
    "last-cell-left-out": ProblemKind(
        Severity.INFO,
        "rows lack their last cell: {n} ({found} is taken as not said)",
        _GOOD + "; write - for what is not said",
        (_TRAINING + "U1 0 0 read pass\n[end] 1\n",),
    ),
    "separators-otherwise": ProblemKind(
        Severity.INFO,
        "rows with other marks than blanks between their cells: {n} ({found})",
        _GOOD,
        (
            _TRAINING + "U1 | 0 | 0 | read | pass | 0.46 UI\n[end] 1\n",
            _TRAINING + "U1,0,0,read,pass,0.46UI\n[end] 1\n",
        ),
    ),
    "keys-otherwise": ProblemKind(
        Severity.INFO,
        "lines of the head with a mark between key and value: {n} ({found})",
        _GOOD,
        ("bench-dump 1\n[run]\nid: 7\n[end] 0\n", "bench-dump 1\n[run]\nid = 7\n[end] 0\n"),
    ),
    "rows-repeated": ProblemKind(
        Severity.INFO,
        "rows of [{table}] printed again, the same in every cell: {n}, each counted once",
        "the paste may hold a piece twice; number repeated runs (column attempt)",
        (
            _TRAINING + "U1 0 0 read pass 0.4UI\nU1 0 0 read pass 0.4UI\n[end] 2\n",
            _COUNTS + "U1 100 3\nu1 100 3\n[end] 2\n",
            "bench-dump 1\n[errors]\nsite address mask\n" + "U1 0x10 0x1\n" * 3 + "[end] 3\n",
        ),
    ),
    "columns-otherwise": ProblemKind(
        Severity.INFO,
        "columns were named otherwise: {n} ({found} for {taken})",
        _GOOD + "; the shop's settings hold more words",
        ("bench-dump 1\n[counts]\nRef Channel bits\nU1 0 5\n[end] 1\n",),
    ),
    "column-misspelt": ProblemKind(
        Severity.WARNING,
        "columns whose names are one letter off: {n} ({found} is taken for {taken})",
        "mend the header line if another column was meant",
        ("bench-dump 1\n[training]\nsite step reslt\nU1 read pass\n[end] 1\n",),
    ),
    "section-misspelt": ProblemKind(
        Severity.WARNING,
        "there is no section [{name}]: it is taken for [{taken}]",
        "mend the name if another section was meant",
        ("bench-dump 1\n[trainng]\nsite step result\nU1 read pass\n[end] 1\n",),
    ),
}
