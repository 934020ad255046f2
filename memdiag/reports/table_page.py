"""The error table as a grid: which columns, in which order, and how each figure is shown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial

from msgspec.structs import replace

from memdiag.model import Cause, Finding, Verdict
from memdiag.model.quantities import show_count, show_probability, show_rate
from memdiag.model.table import COLUMNS, TableRow
from memdiag.model.words import where
from memdiag.reports import documents
from memdiag.reports.frame import frame
from memdiag.reports.page import NOT_SAID, Column, Grid, Part, Row, RowKind, Sheet, TablePage

FEW = 4
"""So many rows that show nothing are not worth a sentence in their place."""

LEGEND = (
    "A dash: the dump does not say. Steps: passed of those run. Rates: exact two-sided 95 % limits."
)

_COLUMNS = (
    Column("site", always=True),
    Column("ch", right=True),
    Column("lane", right=True),
    Column("steps", right=True, wide=True),
    Column("worst"),
    Column("eye UI", right=True),
    Column("bits", right=True, wide=True),
    Column("errors", right=True),
    Column("rate 95 %", right=True, wide=True),
    Column("rose / fell", wide=True, more=True),
    Column("link check bad", wide=True, more=True),
    Column("cells", wide=True, more=True),
    Column("cause"),
    Column("sure", wide=True, more=True),
)

Titled = tuple[str, Sequence[TableRow]]


def table_page(tables: Sequence[Titled]) -> TablePage:
    """The page of the tables of several runs, each with its title."""
    flat = [row for _, rows in tables for row in rows]
    return TablePage(
        "error table",
        lambda: [
            Part(
                name=f"d{n}",
                label=title,
                title=title,
                grid=replace(grid(rows), gists=(), whole=True),
            )
            for n, (title, rows) in enumerate(tables, 1)
        ],
        lambda: [documents.row_document(row) for row in flat],
        partial(sheet, flat),
        frame=partial(frame, flat),
        rows=flat,
    )


def grid(table: Sequence[TableRow], *, whole: bool = False) -> Grid:
    """The rows, and what those that show nothing have in common. `whole`: all are wanted."""
    rows = tuple(Row(_cells(row), _kind(row)) for row in table)
    disturbed, clear = (
        [row for row, shown in zip(table, rows, strict=True) if shown.kind == kind]
        for kind in ("disturbed", "clear")
    )
    gists = []
    if disturbed:
        gists.append(_gist(disturbed, "disturbed, no more"))
    if clear:
        gists.append(_gist(clear, every=len(clear) == len(table)))
    few = len(clear) + len(disturbed) <= FEW
    return Grid(
        _COLUMNS, rows, "Channel by channel", "channels", LEGEND, tuple(gists), whole or few
    )


def _kind(row: TableRow) -> RowKind:
    quiet = not row.errors and not row.steps_failed
    if row.cause == Cause.SPILLOVER.value:
        return "disturbed" if quiet else "spilled"
    return "clear" if quiet and row.cause in (None, Cause.CLEAR.value) else "own"


def _cells(row: TableRow) -> tuple[str, ...]:
    """One row, `-` where the dump does not say."""
    worst = row.worst_result or NOT_SAID
    where = NOT_SAID if row.channel is None else str(row.channel)
    return (
        row.site or NOT_SAID,
        f"{where}/r{row.rank}" if row.rank else where,
        NOT_SAID if row.lane is None else str(row.lane),
        f"{row.steps_run - row.steps_failed}/{row.steps_run}" if row.steps_run else NOT_SAID,
        f"{row.first_failed_step}: {worst}" if row.first_failed_step else worst,
        NOT_SAID if row.width_ui is None else f"{row.width_ui:.2f}",
        _count(row.bits),
        _count(row.errors),
        _limits(row),
        f"{_count(row.rose)} / {_count(row.fell)}",
        _count(row.edc_bad),
        _count(row.cells),
        row.cause or NOT_SAID,
        NOT_SAID if row.probability is None else show_probability(row.probability),
    )


def _count(value: int | None) -> str:
    return NOT_SAID if value is None else show_count(value)


def _limits(row: TableRow) -> str:
    """The exact two-sided 95 % limits of the rate; for no errors its upper limit."""
    if row.ber_high is None:
        return NOT_SAID
    if not row.errors:
        return f"< {show_rate(row.ber_high)}"
    return f"{show_rate(row.ber_low)}..{show_rate(row.ber_high)}"


def _gist(rows: Sequence[TableRow], word: str = "clear", *, every: bool = False) -> str:
    """What rows left out have in common: `44 more rows are clear: eyes 0.41 to 0.47 UI, ...`.
    `every`: no other rows are shown."""
    count = f"all {len(rows)} rows are" if every else f"{len(rows)} more rows are"
    text = f"{count if len(rows) != 1 else '1 more row is'} {word}"
    widths = [r.width_ui for r in rows if r.width_ui is not None]
    parts = []
    if widths:
        ends = dict.fromkeys((f"{min(widths):.2f}", f"{max(widths):.2f}"))
        parts.append(f"eyes {' to '.join(ends)} UI")
    exposure = [r.bits for r in rows if r.bits is not None]
    if exposure:
        parts.append(f"no errors in {show_count(min(exposure))} bits or more each")
    return text + (": " + ", ".join(parts) if parts else "")


def sheet(table: Iterable[TableRow]) -> Sheet:
    return Sheet(COLUMNS, map(_figures, table))


def verdict_sheet(verdicts: Sequence[Verdict]) -> Sheet:
    """The table, and behind each row the place of the finding that its cause is of."""
    return Sheet(
        (*COLUMNS, "place", "place_probability", "one_of"),
        (
            [*_figures(row), *_place(row, found)]
            for verdict in verdicts
            for row, found in zip(verdict.table, _findings_of_rows(verdict), strict=True)
        ),
    )


def _figures(row: TableRow) -> list[object]:
    return [getattr(row, name) for name in COLUMNS]


def _place(row: TableRow, found: Finding | None) -> tuple[object, ...]:
    if found is None:
        return None, None, None
    return where(found.place), found.place_probability, " ".join(found.one_of) or None


def _findings_of_rows(verdict: Verdict) -> Iterator[Finding | None]:
    """Of each row the most urgent finding of its cause that speaks of it, None where none does."""
    by_site: dict[str | None, list[Finding]] = {}
    for f in verdict.findings:
        for site in f.one_of or (f.place.site,):
            by_site.setdefault(site, []).append(f)
    for row in verdict.table:
        near = by_site.get(row.site, []) + by_site.get(None, [])
        yield next(
            (
                f
                for f in near
                if f.cause.value == row.cause and f.place.speaks_of(row.place, verdict.board)
            ),
            None,
        )
