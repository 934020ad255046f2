"""What a batch came to becomes a page, and the JSON document `memdiag-batch/1`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from msgspec.structs import asdict

from memdiag import __version__
from memdiag.model.batch import BATCH_FORMAT, BatchSummary, BoardCount
from memdiag.reports.packages import Mark
from memdiag.reports.page import NOT_SAID, Column, Grid, Page, Part, Places, Row, Sheet, Statement

_NAMELESS = "boards without a name"
_MOST_BOARDS = 40
"""Kinds of boards that have a table and a picture each; the others are counted together."""


def batch_page(summary: BatchSummary) -> Page:
    """Causes by board and site, what has no verdict, what was not understood, the slowest."""
    return Page(
        "a batch of dumps",
        lambda: list(_parts(summary)),
        partial(_document, summary),
        lambda: Sheet.of(list(_sheet(summary))),
    )


def _parts(s: BatchSummary) -> Iterator[Part]:
    answer = Statement(_headline(s), tuple(_about(s)))
    yield Part(answer=answer, title="Verdicts by kind of board", grid=_boards(s.boards))
    for number, board in enumerate(s.boards[:_MOST_BOARDS]):
        if board.sites:
            yield _board(board, number)
    if s.aside:
        yield Part(
            name="aside",
            label="no verdict",
            title="Inputs without a verdict",
            grid=_grid("why", "inputs", of=[(code, f"{n:,}") for code, n in s.aside]),
            notes=(told := tuple(f"{one.input}: {one.reason}" for one in s.set_aside)),
            notes_in_short=told,
        )
    if s.lost:
        yield Part(
            name="lost",
            label="not understood",
            title=f"Rows that were not understood, in {s.lossy:,} dumps",
            grid=_grid("input", "rows", of=[(name, f"{n:,} of {of:,}") for name, n, of in s.lost]),
        )
    if s.problems:
        rows = [(code, f"{n:,}") for code, n in s.problems]
        yield Part(
            name="problems",
            label="problems",
            title="Warnings and errors",
            grid=_grid("code", "dumps", of=rows),
        )
    if s.slowest:
        rows = [(name, f"{seconds:.2f} s") for name, seconds in s.slowest]
        yield Part(
            name="slowest",
            label="slowest",
            title="The slowest",
            grid=_grid("input", "took", of=rows),
        )


def _headline(s: BatchSummary) -> str:
    if not s.inputs:
        return "NOTHING JUDGED YET"
    return f"JUDGED {s.dumps:,} dumps of {s.inputs:,} inputs: {s.released:,} may be released"


def _about(s: BatchSummary) -> Iterator[str]:
    without = sum(count for _, count in s.aside)
    if without:
        yield f"{without:,} inputs have no verdict."
    if s.lossy:
        yield f"In {s.lossy:,} dumps not every row was understood."
    if s.seconds:
        yield f"Reading and judging took {s.seconds:,.1f} s of the workers, all together."


def _boards(boards: tuple[BoardCount, ...]) -> Grid:
    causes = sorted({cause for board in boards for cause, _ in board.causes})
    columns = (
        Column("board", always=True),
        Column("dumps", right=True, always=True),
        Column("released", right=True, always=True),
        *(Column(cause, right=True) for cause in causes),
    )
    rows = []
    for board in boards:
        counted = dict(board.causes)
        cells = [f"{counted[c]:,}" if c in counted else NOT_SAID for c in causes]
        head = (board.name or _NAMELESS, f"{board.dumps:,}", f"{board.released:,}")
        rows.append(Row((*head, *cells), "plain"))
    return Grid(columns, tuple(rows), "Verdicts by kind of board", "boards")


def _board(board: BoardCount, number: int) -> Part:
    by_site: dict[str | None, list[tuple[str, int]]] = {}
    for one in board.sites:
        by_site.setdefault(one.site, []).append((one.cause, one.count))
    counted = {site: sum(count for _, count in causes) for site, causes in by_site.items()}
    order = sorted(by_site, key=lambda site: (-counted[site], site or ""))
    rows = [
        (
            site or "no single site",
            f"{counted[site]:,}",
            ", ".join(f"{cause} {count:,}" for cause, count in by_site[site]),
        )
        for site in order
    ]
    marks = {
        site: Mark(causes[0][0], told=f"{counted[site]:,} x")
        for site, causes in by_site.items()
        if site is not None
    }
    title = f"Where {board.name or _NAMELESS} fails ({board.dumps:,} dumps)"
    return Part(
        name=f"b{number}",
        label=title,
        title=title,
        places=None if board.profile is None else Places(board.profile, marks),
        grid=_grid("site", "dumps", "causes", of=rows),
    )


def _grid(*headings: str, of: Iterable[tuple[str, ...]]) -> Grid:
    """A table whose second column holds numbers."""
    columns = tuple(Column(h, right=n == 1, always=True) for n, h in enumerate(headings))
    return Grid(columns, tuple(Row(cells, "plain") for cells in of), headings[0], headings[0])


def _sheet(s: BatchSummary) -> Iterator[dict[str, object]]:
    for board in s.boards:
        for one in board.sites:
            yield {"board": board.name, **asdict(one)}


def _document(s: BatchSummary) -> dict[str, Any]:
    return {
        "format": BATCH_FORMAT,
        "tool": __version__,
        "inputs": s.inputs,
        "dumps": s.dumps,
        "released": s.released,
        "boards": [
            {
                "board": b.name,
                "dumps": b.dumps,
                "released": b.released,
                "causes": dict(b.causes),
                "sites": [asdict(one) for one in b.sites],
            }
            for b in s.boards
        ],
        "aside": dict(s.aside),
        "set_aside": [asdict(one) for one in s.set_aside],
        "lossy": s.lossy,
        "lost": [{"input": name, "lost": n, "rows": of} for name, n, of in s.lost],
        "problems": dict(s.problems),
        "slowest": [{"input": name, "seconds": seconds} for name, seconds in s.slowest],
        "seconds": s.seconds,
    }
