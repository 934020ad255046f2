"""The tables of a dump and their columns: one line a column, and everything else comes from it.

What a grammar's terminals may be named after, how a cell becomes a value, which columns are read
in bulk, which field of a record a value fills, and the list in docs/dump.md.
"""

from __future__ import annotations

from enum import StrEnum, auto
from functools import cache

from msgspec import Struct


class Cell(StrEnum):
    """What the cells of a column hold. `reading.converters` has one converter for each."""

    WORD = auto()
    CHANNEL = auto()
    SMALL = auto()  # a rank or a lane
    LINE = auto()  # a data line of a lane
    FROM_ONE = auto()
    CELSIUS = auto()
    STEP = auto()
    RESULT = auto()
    WIDTH = auto()
    HEIGHT = auto()
    WINDOW = auto()
    TAPS = auto()
    DELAY = auto()
    PERCENT = auto()
    WHOLE = auto()
    ADDRESS = auto()
    HEX = auto()
    LINK_CHECK = auto()
    OHMS = auto()
    TREND = auto()
    VOLTS = auto()
    AMPS = auto()
    RISE = auto()


class Column(Struct, frozen=True):
    """A column: its name, what its cells hold, what it says (for people), whether a header line
    must name it, and the field of the record that it fills where that has another name."""

    name: str
    cell: Cell
    says: str
    needed: bool = False
    field: str = ""

    @property
    def fills(self) -> str:
        """The field of the record."""
        return self.field or self.name


C = Column

PLACE_COLUMNS = (
    C("site", Cell.WORD, "designator"),
    C("ch", Cell.CHANNEL, "channel", field="channel"),
    C("rank", Cell.SMALL, "chip-select group on the channel"),
    C("lane", Cell.SMALL, "byte lane"),
    C("dq", Cell.LINE, "data line of the lane, 0 to 7"),
)
SETTING_COLUMNS = (
    C("attempt", Cell.FROM_ONE, "boot attempt or retry, from 1"),
    C("point", Cell.WORD, "frequency set point"),
    C("temp", Cell.CELSIUS, "temperature"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "training": (
        C("step", Cell.STEP, "", needed=True),
        C("result", Cell.RESULT, "", needed=True),
        C("candidate", Cell.WORD, "bitslip or latency tried"),
        C("width", Cell.WIDTH, "UI, ps or taps"),
        C("height", Cell.HEIGHT, "mV"),
        C("window", Cell.WINDOW, "one character a tap, `1` works, `0` does not"),
        C("taps", Cell.TAPS, "that a window character stands for"),
        C("delay", Cell.DELAY, "taps to the chosen point"),
        C("spread", Cell.WIDTH, "taps to either side of it that work"),
        C("vref", Cell.PERCENT, "% of the supply"),
        C("tries", Cell.WHOLE, "how often the step was tried"),
    ),
    "counts": (
        C("test", Cell.WORD, ""),
        C("bits", Cell.WHOLE, "compared"),
        C("errors", Cell.WHOLE, "bits wrong"),
        C("rose", Cell.WHOLE, "written 0, read 1"),
        C("fell", Cell.WHOLE, "written 1, read 0"),
        C("edc", Cell.WHOLE, "bursts whose link check failed"),
        C("cells", Cell.WHOLE, "distinct addresses wrong"),
    ),
    "errors": (
        C("address", Cell.ADDRESS, "or `bank row col`"),
        C("wrote", Cell.HEX, "with `read`"),
        C("read", Cell.HEX, "with `wrote`"),
        C("mask", Cell.HEX, "in their place; 1: bit wrong, direction unknown; none: all unknown"),
        C("edc", Cell.LINK_CHECK, "`ok`, `bad`", field="edc_bad"),
        C("pass", Cell.WHOLE, "of the test", field="pass_"),
        C("beat", Cell.WHOLE, "of the burst"),
        C("bank", Cell.WHOLE, ""),
        C("row", Cell.WHOLE, ""),
        C("col", Cell.WHOLE, ""),
    ),
    "rails": (
        C("rail", Cell.WORD, "", needed=True),
        C("ohms", Cell.OHMS, "`0L` is over range", needed=True),
        C("trend", Cell.TREND, "`settled`, `rising`, `falling`"),
    ),
    "heat": (
        C("rail", Cell.WORD, ""),
        C("volts", Cell.VOLTS, ""),
        C("amps", Cell.AMPS, ""),
        C("hottest", Cell.WORD, "site or part that warmed first"),
        C("rise", Cell.RISE, "kelvin"),
    ),
    "values": (
        C("name", Cell.WORD, "", needed=True),
        C("value", Cell.WORD, "with its unit", needed=True, field="text"),
    ),
}

SCOPE = tuple(column.name for column in PLACE_COLUMNS)
SETTING = tuple(column.name for column in SETTING_COLUMNS)
OWN = {table: tuple(column.name for column in own) for table, own in TABLES.items()}
"""The names of each table's columns, beside `SCOPE` and `SETTING`, which every table has."""
NEEDED = {table: tuple(c.name for c in own if c.needed) for table, own in TABLES.items()}
"""Columns a header line must name. Rows of a shop's own rules need less: see `row_builder`."""
HEX = tuple(c.name for c in TABLES["errors"] if c.cell in (Cell.ADDRESS, Cell.HEX))
"""Columns of hex words."""

RUN_KEYS = (
    *("id", "board", "serial", "ticket", "stage", "at", "memory", "rate", "ambient"),
    *("removed", "swapped", "replaced", "reflowed", "rig", "note"),
)
"""The keys of a dump's head."""

WORDS = {
    Cell.RESULT: ("pass", "marginal", "fail", "no-response", "not-found", "not-run"),
    Cell.TREND: ("settled", "rising", "falling"),
    Cell.LINK_CHECK: ("ok", "bad"),
}
"""The cells that can hold only these words."""


@cache
def by_name(table: str) -> dict[str, Column]:
    """Every column a row of that table may have, by its name."""
    return {c.name: c for c in (*PLACE_COLUMNS, *SETTING_COLUMNS, *TABLES[table])}


@cache
def columns(table: str) -> tuple[str, ...]:
    """The names of every column a row of that table may have."""
    return tuple(by_name(table))


@cache
def bulk_columns(table: str) -> frozenset[str]:
    """Columns of a table that hold many different numbers rather than few different words."""
    numbers = (Cell.WHOLE, Cell.ADDRESS, Cell.HEX)
    return frozenset(c.name for c in TABLES[table] if c.cell in numbers)
