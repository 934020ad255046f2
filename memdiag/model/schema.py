"""The layout law: which names a grammar may use, and what each of them does.

A layout grammar is one Lark file. Each line of a dump is read on its own, without its line end,
by one of the file's *line rules*: the rules, or aliases, whose names stand in `RULES` or
`STRUCTURE` below. They are tried in the order in which they stand in the file; the first that
matches the whole line has it. `docs/layouts.md` explains the law with an example.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache

RULES = {
    "training_row": "training",
    "count_row": "counts",
    "error_row": "errors",
    "rail_row": "rails",
    "heat_row": "heat",
    "value_row": "values",
}
"""Line rules that yield a record, and the table it belongs to."""

STRUCTURE = ("run_line", "context", "noise", "head", "end", "section", "columns", "row", "rows")
"""The other line rules. `run_line`: a line of the run's head. `context`: sets cells for the rows
that follow. `noise`: skipped. `head`: a new dump starts. `end`: the dump is over. `section`: a
named table (or the head, `run`) starts. `columns`: the header line of the open section; it may
open the section itself. `row`: cells under those columns. `rows`: several rows in one line, and
contexts that hold for this line only; the rules it uses are no line rules by themselves."""

LINE_RULES = (*RULES, *STRUCTURE)

SCOPE = ("site", "ch", "rank", "lane", "dq")
SETTING = ("attempt", "point", "temp")

OWN = {
    "training": (
        "step",
        "result",
        "candidate",
        "width",
        "height",
        "window",
        "taps",
        "delay",
        "vref",
        "tries",
    ),
    "counts": ("test", "bits", "errors", "rose", "fell", "edc", "cells"),
    "errors": ("address", "wrote", "read", "mask", "edc", "pass", "beat", "bank", "row", "col"),
    "rails": ("rail", "ohms", "trend"),
    "heat": ("rail", "volts", "amps", "hottest", "rise"),
    "values": ("name", "value"),
}
"""The columns of each table, beside `SCOPE` and `SETTING`, which every table has."""

NEEDED = {
    "training": ("step", "result"),
    "counts": (),
    "errors": ("address",),
    "rails": ("rail", "ohms"),
    "heat": (),
    "values": ("name", "value"),
}
"""Columns a header line must name. Rows of a shop's own rules need less: see `cells`."""

HEX = ("address", "wrote", "read", "mask")
"""Columns of hex words."""

RUN_KEYS = (
    "id",
    "board",
    "serial",
    "ticket",
    "stage",
    "at",
    "memory",
    "rate",
    "ambient",
    "removed",
    "swapped",
    "replaced",
    "reflowed",
    "rig",
    "note",
)

SPECIAL = {
    "head": ("version", *RUN_KEYS),
    "end": ("rows",),
    "section": ("section",),
    "columns": ("column", "section"),
    "row": ("cell",),
    "run_line": ("key", "text", *RUN_KEYS),
}
"""What the terminals of the structural rules may be named after."""

VALUES = {
    "result": ("pass", "marginal", "fail", "no-response", "not-found", "not-run"),
    "trend": ("settled", "rising", "falling"),
    "edc": ("ok", "bad"),
    "tap": ("0", "1"),
    "section": (*OWN, "run"),
}
"""Columns that can hold only these words: what a `COLUMN__VALUE` may be."""

TAP = "tap"
"""`TAP__1` and `TAP__0`: one character of a window each; those of a row make up `window`."""

_NUMBERED = re.compile(r"_\d+$")

AS_WRITTEN = frozenset({"site", "rail", "hottest", "ch"})
"""Columns whose `COLUMN__VALUE` keeps the value's capitals: `SITE__U7` is U7."""


@cache
def columns(kind: str) -> tuple[str, ...]:
    """Every column a row of that table may have."""
    return SCOPE + SETTING + OWN[kind]


def terminal_names(rule: str) -> tuple[str, ...]:
    """What the terminals in a line rule may be named after, in lower case. Empty for `noise`."""
    if rule in RULES:
        own = columns(RULES[rule])
        return (*own, TAP) if rule == "training_row" else own
    if rule == "context":
        every = (c for kind in OWN for c in OWN[kind])
        return tuple(dict.fromkeys((*SCOPE, *SETTING, *every)))
    return SPECIAL.get(rule, ())


@cache
def filled(terminal: str) -> tuple[str, str | None]:
    """What a terminal fills: `LANE` -> ("lane", None), `RESULT__NO_RESPONSE` -> ("result",
    "no-response"). The value is None where the matched text is the value. A number at the end
    only tells two terminals of one column apart: `TEXT_2` -> ("text", None)."""
    column, mark, value = terminal.partition("__")
    column = _NUMBERED.sub("", column).lower()
    if not mark:
        return column, None
    if column in AS_WRITTEN:
        return column, value
    return column, value.lower().replace("_", "-")


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean 'step'?`, or the list of known words where none is near."""
    names = tuple(dict.fromkeys(known))
    close = get_close_matches(word.lower(), names, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    return "known are " + ", ".join(names)
