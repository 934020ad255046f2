"""The layout law: which names a grammar may use, and what each of them does.

A layout grammar is one Lark file. Each line of a dump is read on its own, without its line end,
by one of the file's *line rules*: the rules, or aliases, whose names stand in `RULES` or
`STRUCTURE` below. They are tried in the order in which they stand in the file; the first that
matches the whole line has it. `docs/layouts.md` explains the law with an example.
"""

from __future__ import annotations

import re
from functools import cache

from memdiag.model import schema

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

SPECIAL = {
    "head": ("version", *schema.RUN_KEYS),
    "end": ("rows",),
    "section": ("section",),
    "columns": ("column", "section"),
    "row": ("cell",),
    "run_line": ("key", "text", *schema.RUN_KEYS),
}
"""What the terminals of the structural rules may be named after."""

TAP = "tap"
"""`TAP__1` and `TAP__0`: one character of a window each; those of a row make up `window`."""

VALUES = {
    TAP: ("0", "1"),
    "section": (*schema.OWN, "run"),
    **{
        column.name: schema.WORDS[column.cell]
        for own in schema.TABLES.values()
        for column in own
        if column.cell in schema.WORDS
    },
}
"""Columns that can hold only these words: what a `COLUMN__VALUE` may be."""

AS_WRITTEN = frozenset({"site", "rail", "hottest", "ch"})
"""Columns whose `COLUMN__VALUE` keeps the value's capitals: `SITE__U7` is U7."""

_NUMBERED = re.compile(r"_\d+$")


def terminal_names(rule: str) -> tuple[str, ...]:
    """What the terminals in a line rule may be named after, in lower case. Empty for `noise`."""
    if rule in RULES:
        own = schema.columns(RULES[rule])
        return (*own, TAP) if rule == "training_row" else own
    if rule == "context":
        every = (name for own in schema.OWN.values() for name in own)
        return tuple(dict.fromkeys((*schema.SCOPE, *schema.SETTING, *every)))
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
