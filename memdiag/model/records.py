"""What a dump can say: one frozen type per kind of row, each with its position, and the `Run`.

`None` always means "the dump does not say". It is never a zero, and a zero is never "not said".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.model.error_log import ErrorLog
from memdiag.model.place import WHOLE_BOARD, Place
from memdiag.model.problems import Position, Problem
from memdiag.model.quantities import Quantity


class Result(StrEnum):
    """How a training step ended. A `-` in the dump is None, not one of these."""

    PASS = "pass"
    MARGINAL = "marginal"
    FAIL = "fail"
    NO_RESPONSE = "no-response"
    NOT_FOUND = "not-found"
    NOT_RUN = "not-run"


ENDED = (Result.PASS, Result.MARGINAL, Result.FAIL, Result.NOT_FOUND, Result.NO_RESPONSE)
"""The results of a step that ran, from the best to the worst."""

FAILED = frozenset(ENDED[2:])
"""Results that end a step without a working setting."""

STEPS = ("id", "ca", "level", "wck", "gate", "read", "write", "vref", "zq")
"""The training steps with a meaning here; others are kept and counted."""

STAGES = ("intake", "bare", "before-swap", "after-swap", "final")
MEMORIES = ("gddr5", "gddr6", "ddr3", "ddr4", "ddr5", "lpddr4", "lpddr5", "other")


class Row(Struct, frozen=True, kw_only=True):
    """What every table row carries. `extra` keeps cells of columns memdiag does not know."""

    position: Position
    place: Place = WHOLE_BOARD
    attempt: int | None = None
    point: str | None = None
    temp: float | None = None  # degrees Celsius
    extra: Mapping[str, str] = field(default_factory=dict)


class TrainingRow(Row, frozen=True, kw_only=True):
    """One result of one step. `width` in UI, ps or taps; `height` in mV; `vref` in % of VDDQ;
    `delay` and `spread` in taps, ps or UI."""

    step: str
    result: Result | None = None
    candidate: str | None = None
    width: Quantity | None = None
    height: Quantity | None = None
    window: str | None = None
    taps: float | None = None
    delay: Quantity | None = None
    spread: Quantity | None = None
    vref: float | None = None
    tries: int | None = None


class CountRow(Row, frozen=True, kw_only=True):
    """Counts of one test. `bits` is the denominator: bits compared."""

    test: str | None = None
    bits: int | None = None
    errors: int | None = None
    rose: int | None = None
    fell: int | None = None
    edc: int | None = None
    cells: int | None = None


class ErrorRow(Row, frozen=True, kw_only=True):
    """One failing word. `wrong` has a 1 for each wrong bit. `wrote` is None where only a mask was
    given (direction unknown). `digits` is the word's width in bits as printed, 0 where the row says
    neither words nor mask: a wrong word there, nobody knows which of its bits."""

    address: int | None
    wrong: int
    wrote: int | None = None
    digits: int = 64
    edc_bad: bool | None = None
    pass_: int | None = None
    beat: int | None = None
    bank: int | None = None
    row: int | None = None
    col: int | None = None


class RailRow(Row, frozen=True, kw_only=True):
    """A resistance to ground, board off. `ohms` is infinite for over range."""

    rail: str
    ohms: float
    trend: str | None = None


class HeatRow(Row, frozen=True, kw_only=True):
    """A current-limited injection: what warmed first (`hottest`: a site or part), by `rise` K."""

    rail: str
    volts: float | None = None
    amps: float | None = None
    hottest: str | None = None
    rise: float | None = None


class ValueRow(Row, frozen=True, kw_only=True):
    """Any other reading, as written and, where it is a number, with its unit."""

    name: str
    text: str
    value: Quantity | None = None


class RunLine(Struct, frozen=True):
    """One `key  value` of the head, known or not."""

    position: Position
    key: str
    value: str


class Head(Struct, frozen=True):
    """The run's head, with the known keys read. `lines` keeps every key in order as written."""

    id: str | None = None
    board: str | None = None
    serial: str | None = None
    ticket: str | None = None
    stage: str | None = None
    at: str | None = None
    memory: str | None = None
    rate: float | None = None  # bit/s per line
    ambient: float | None = None  # degrees Celsius
    removed: tuple[str, ...] | None = None
    swapped: tuple[tuple[str, str], ...] | None = None  # (from, to)
    replaced: tuple[str, ...] | None = None
    reflowed: tuple[str, ...] | None = None
    rig: str | None = None
    note: str | None = None
    lines: tuple[RunLine, ...] = ()
    removed_parts: tuple[str, ...] = ()  # `removed part:D12`: what is no package, by its name
    replaced_parts: tuple[str, ...] = ()
    reflowed_parts: tuple[str, ...] = ()

    def as_read(self) -> dict[str, object]:
        """The head as a JSON object: every key as written, the last of a repeated key."""
        return {line.key: line.value for line in self.lines}


class LostKind(StrEnum):
    """What was not understood."""

    CELL = "cell"  # the rest of its row counts
    ROW = "row"
    LINE = "line"


class Lost(Struct, frozen=True):
    """Something of a dump that was not understood and may have held a result. `says` is what stood
    there, in words; `place` what the rest of the row tells of where, None where it tells nothing;
    `column` the column of the table that a lost cell belongs to."""

    position: Position
    kind: LostKind
    says: str
    place: Place | None = None
    column: str | None = None


class Source(Struct, frozen=True):
    """Which text the run came from: hash of the raw bytes, and the 1-based lines it spans there.

    `rows` were read. `printed` counts all rows of data the dump holds, read or not, and the lines
    beside them that may have been rows; `lost` how many of those were not understood in full.
    `tables` are the tables that were opened, with rows or without."""

    sha256: str
    first_line: int
    last_line: int
    complete: bool
    rows: int
    layout: str
    name: str = "-"
    headed: bool = True  # the line that opens a dump was there
    printed: int = 0
    lost: int = 0
    tables: frozenset[str] = frozenset()

    @property
    def lines(self) -> int:
        return self.last_line - self.first_line + 1

    @property
    def understood(self) -> str:
        """`239 of 240 rows understood`; empty where all were."""
        if not self.lost:
            return ""
        return f"{self.printed - self.lost:,} of {self.printed:,} rows understood"


class Run(Struct, frozen=True):
    """One dump, read. Built only by `memdiag.load`."""

    head: Head
    source: Source
    training: tuple[TrainingRow, ...] = ()
    counts: tuple[CountRow, ...] = ()
    errors: ErrorLog | None = None
    rails: tuple[RailRow, ...] = ()
    heat: tuple[HeatRow, ...] = ()
    values: tuple[ValueRow, ...] = ()
    problems: tuple[Problem, ...] = ()
    lost: tuple[Lost, ...] = ()
    """What was not understood, in order; of very many the first ones (`source.lost` counts all)."""
    text: tuple[str, ...] = ()  # the lines of the dump as pasted, for quoting by number
    later: Mapping[int, str] = field(default_factory=dict)
    """Of a dump too large to keep, `text` holds the first lines only, and this some of the later
    ones by their numbers: all but the rows of its large tables."""

    def quote(self, line: int) -> str:
        """The pasted line of that number (as the whole text counts), '' where it is not kept."""
        index = line - self.source.first_line
        return self.text[index] if 0 <= index < len(self.text) else self.later.get(line, "")

    def with_problems(self, more: tuple[Problem, ...]) -> Run:
        return replace(self, problems=self.problems + more)

    def places(self) -> Iterator[tuple[Place, Position, int]]:
        """Every place its rows name, where it stands first (each row of training, counts and
        values, each kind of row of the error log) and for how many rows."""
        for row in (*self.training, *self.counts, *self.values):
            yield row.place, row.position, 1
        if self.errors is not None:
            first, rows = self.errors.extents()
            for number, key in enumerate(self.errors.keys):
                yield key.place, Position(first[number]), rows[number]
