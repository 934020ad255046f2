"""One page, whatever it is shown as: what a result says, in words, with nothing left to decide.

A result becomes a `Page` once (`verdict_page`, `comparison_page`, `case_page`, `rails_page`,
`soak_page`, `table_page`); a format walks its parts in an order of its own and passes over what a
part does not have. No format knows what kind of result it shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal

from msgspec import Struct

from memdiag.model import Board, Run
from memdiag.model.problems import Problem
from memdiag.model.table import TableRow
from memdiag.reports.answers import Answer, Changed, Item, Outcome, Together
from memdiag.reports.packages import Mark
from memdiag.reports.plotted import Bars, Curve, Plot

NOT_SAID = "-"

Pairs = tuple[tuple[str, str], ...]
RowKind = Literal["own", "spilled", "disturbed", "clear", "plain"]


class Column(Struct, frozen=True):
    """A column of a grid. `wide`: not on a telephone. `more`: only where there is room for
    everything. `spare`: 1 goes first where the grid is too wide, 0 stays. `always`: stays even
    where no row says anything. `least` is its width in characters at the least."""

    heading: str
    right: bool = False
    wide: bool = False
    more: bool = False
    spare: int = 0
    always: bool = False
    legend: str = ""
    least: int = 0


class Row(Struct, frozen=True):
    """`kind` tells rows with something of their own, rows of a site that a fault elsewhere
    disturbs (`spilled`; `disturbed` where that is all), rows that are `clear`, and rows of a table
    that tells of no place and so accuses none (`plain`)."""

    cells: tuple[str, ...]
    kind: RowKind = "own"

    @property
    def loud(self) -> bool:
        return self.kind in ("own", "spilled")


class Grid(Struct, frozen=True):
    """A table. `whole`: a terminal shows rows that are not loud too, else the `gists` of them.
    `of` is what its rows are; `title` is "" where the changes of the part tell the same at more
    length; `airy`: its columns are a little wider than their headings."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    title: str = ""
    of: str = ""
    legend: str = ""
    gists: tuple[str, ...] = ()
    whole: bool = True
    airy: bool = False

    @property
    def loud(self) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row.loud)

    def filled(self, rows: Sequence[Row]) -> tuple[int, ...]:
        """The columns of which these rows say anything at all."""
        return tuple(
            i
            for i, column in enumerate(self.columns)
            if column.always or any(row.cells[i].strip("- /") for row in rows)
        )


class Statement(Struct, frozen=True):
    """A sentence with what follows from it, and figures."""

    says: str
    more: tuple[str, ...]
    grid: Grid | None = None


class Places(Struct, frozen=True):
    """A board, how each of its sites is to be drawn, the rows whose eyes are drawn beside it, and
    the width that healthy peers show (UI)."""

    board: Board
    marks: Mapping[str, Mark]
    rows: tuple[TableRow, ...] = ()
    healthy: float | None = None


class Side(Struct, frozen=True):
    """One of two runs: what it is called, its answer, and its board."""

    title: str
    head: Pairs
    answer: Answer | None
    places: Places | None
    sha256: str


class Listed(Struct, frozen=True):
    """A list with a title of its own, to be read right after the answer."""

    title: str
    texts: tuple[str, ...]


class Chapter(Struct, frozen=True):
    """One run of a repair: what was done before it ("" for nothing), what it showed, the faults
    that were gone by then, what the run changed, whether it was worth going on; `stage` is its
    name in one word."""

    title: str
    stage: str
    did: str
    seen: str
    gone: tuple[str, ...]
    changed: str
    worth: str
    places: Places

    @property
    def line(self) -> str:
        done = [self.did] * bool(self.did)
        gone = [f"gone: {', '.join(self.gone)}"] * bool(self.gone)
        return f"{self.title}: {'; '.join([*done, self.seen, *gone])} [{self.changed}]"


class Story(Struct, frozen=True):
    """A whole repair, run by run; `grid` has a column a run."""

    chapters: tuple[Chapter, ...]
    curves: tuple[Curve, ...]
    grid: Grid


class Part(Struct, frozen=True, kw_only=True):
    """One run, one comparison, one repair or one statement. `name` keeps links apart, `label`
    is what a list of parts calls it; `crowded`: it shares its paper with another part. `course`
    has places through the stages; `lost` is what was not understood and is said before all
    else; `notes_in_short` are for where room is short, `remarks` those without the warnings,
    which `problems` holds; `title` stands above the table; `prints` say which dumps it was made
    from; `plots` are drawn where there are pictures. `confidence` is that of the limits in
    `changes`, `quiet` how many links are not among them."""

    name: str = ""
    label: str = ""
    title: str = ""
    crowded: bool = False
    answer: Answer | Outcome | Statement | None = None
    head: Pairs = ()
    run: Run | None = None
    places: Places | None = None
    sides: tuple[Side, ...] = ()
    stages: tuple[str, ...] = ()
    tracks: tuple[str, ...] = ()
    course: Grid | None = None
    lost: tuple[Listed, ...] = ()
    lists: tuple[Listed, ...] = ()
    story: Story | None = None
    findings: tuple[Item | Together, ...] = ()
    changes: tuple[Changed, ...] = ()
    confidence: str = ""
    quiet: int = 0
    grid: Grid | None = None
    said: tuple[str, ...] = ()
    next: tuple[str, ...] = ()
    proof: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    notes_in_short: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    prints: tuple[tuple[str, str, str], ...] = ()
    plots: tuple[Plot | Bars, ...] = ()

    @property
    def items(self) -> tuple[Item, ...]:
        return tuple(
            item
            for told in self.findings
            for item in (told.items if isinstance(told, Together) else (told,))
        )


class Sheet(Struct, frozen=True):
    """Figures as they are, for a spreadsheet; None is an empty cell. `digits`: of a fraction."""

    names: tuple[str, ...]
    rows: Iterable[Sequence[object]]
    digits: int | None = None

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, object]], *, but: str = "") -> Sheet:
        """Of rows that name their figures, all `but` one."""
        names = tuple(dict.fromkeys(name for row in rows for name in row if name != but))
        return cls(names, [[row.get(name) for name in names] for row in rows], digits=6)


class Page(Struct, frozen=True):
    """A result, ready to be shown; each of its forms is made when a format asks for it.

    `apart`: each part is a page by itself. `document` is plain JSON values.
    """

    title: str
    parts: Callable[[], Sequence[Part]]
    document: Callable[[], Any]
    sheet: Callable[[], Sheet]
    apart: bool = False


class ColumnPage(Page, frozen=True):
    """A page of which one table is the whole, so that it can be kept as columns with their types:
    `frame` makes the DataFrame."""

    frame: Callable[[], Any] = dict


class TablePage(ColumnPage, frozen=True):
    """A page of which the error table is the whole."""

    rows: Sequence[TableRow] = ()
