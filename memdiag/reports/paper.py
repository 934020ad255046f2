"""Which rows and lines a sheet of paper keeps, so that a large board still prints on two pages.
The screen shows everything."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct

from memdiag.model import Run
from memdiag.reports.page import Grid, Part
from memdiag.reports.svg import Drawn

# What two pages of A4 hold at most, together; the quotes are those of one finding.
ROWS, STRIPS, QUOTES, PROBLEMS, SPILLED, TRACKS = 20, 2, 4, 4, 6, 8
FINDINGS, CHANGES = {False: 3, True: 2}, {False: 7, True: 3}  # True: beside another part

WHOLE_DUMP = 400
"""A dump of at most this many lines is shown whole; of a longer one the head, the end, and what
is quoted with two lines round it."""
LONG_LINE = 300


class Table(Struct, frozen=True):
    """A grid as it is drawn: `(heading, class)` and for each row its cells and its class."""

    heads: tuple[tuple[str, str], ...]
    rows: tuple[tuple[tuple[str, ...], str], ...]
    left_off: int  # rows that paper does not show


def table(grid: Grid) -> Table:
    """The table without the columns of which the dump says nothing at all."""
    telling = {n: row for n, row in enumerate(grid.rows) if row.kind != "clear"}
    own_first = sorted(telling, key=lambda n: grid.rows[n].kind != "own")[:ROWS]
    kept = set(range(len(grid.rows)) if len(grid.rows) <= ROWS else own_first)
    shown = grid.filled(grid.rows)
    lines = []
    for n, row in enumerate(grid.rows):
        kind = ["screen"] * (n not in kept) + ["loud"] * (n in telling and row.kind != "plain")
        lines.append((tuple(row.cells[i] for i in shown), " ".join(kind)))
    heads = tuple((grid.columns[i].heading, "wide" * grid.columns[i].wide) for i in shown)
    return Table(heads, tuple(lines), len(grid.rows) - len(kept))


def strips(drawn: Sequence[tuple[Drawn, bool]]) -> tuple[tuple[Drawn, bool], ...]:
    """Strips of a chart and whether paper shows them: where there are too many, the first ones
    with a marked site."""
    if len(drawn) <= STRIPS:
        return tuple((strip, True) for strip, _ in drawn)
    marked = [number for number, (_, has) in enumerate(drawn) if has][:STRIPS]
    return tuple((strip, number in marked) for number, (strip, _) in enumerate(drawn))


class Line(Struct, frozen=True):
    """A line of the dump as shown; `number` None stands for lines left out."""

    number: int | None
    text: str
    quoted: bool = False


def quoted(part: Part) -> frozenset[int]:
    """The lines of the dump that evidence or a problem points at."""
    lines = {q.line for item in part.items for q in item.quotes if q.line is not None}
    return frozenset(lines | {p.position.line for p in part.problems if p.position})


def dump(run: Run, quoted: Iterable[int]) -> tuple[Line, ...]:
    """The dump's lines to show. Lines left out are said with their number."""
    marked = frozenset(quoted)
    near = {number + step for number in marked for step in range(-2, 3)}
    first = run.source.first_line
    last = first + len(run.text) - 1
    shown: list[Line] = []
    skipped = 0
    for number, text in enumerate(run.text, first):
        wanted = number in near or number < first + 40 or number > last - 10
        if len(run.text) > WHOLE_DUMP and not wanted:
            skipped += 1
            continue
        if skipped:
            shown.append(Line(None, f"{skipped} lines not shown here"))
            skipped = 0
        shown.append(Line(number, _short(text), number in marked))
    return tuple(shown)


def _short(text: str) -> str:
    return text if len(text) <= LONG_LINE else f"{text[:LONG_LINE]} ... ({len(text)} characters)"
