"""A page for a terminal: read from a metre away, at most 100 columns, no colour needed."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from memdiag.model import Quote
from memdiag.reports.page import (
    Answer,
    Grid,
    Item,
    Outcome,
    Page,
    Part,
    Row,
    Statement,
    Together,
    what,
)
from memdiag.reports.plain import clip, printable

WIDTH = 100
_APART = "\n" + "=" * 60 + "\n\n"


def render(page: Page) -> str:
    """Every part: the answer, why, the table, what to measure next, cautions, footnotes."""
    return printable((_APART if page.apart else "\n").join(map(_part, page.parts())))


def _part(part: Part) -> str:
    blocks = [_answer(part.answer)]
    blocks += [_listed(each.title.upper(), each.texts) for each in part.lists]
    if part.story is not None:
        lines = [_wrap(chapter.line, 0, 3) for chapter in part.story.chapters]
        blocks += ["\n".join(["STORY", *lines]), _grid(part.story.grid)]
    if part.stages:
        blocks.append("STAGES\n" + "\n".join(_wrap(line, 0, 3) for line in part.stages))
    blocks.append(_listed("HISTORY", part.tracks))
    for number, told in enumerate(part.findings, 1):
        blocks.append(_item(number, told) if isinstance(told, Item) else _together(number, told))
    for number, change in enumerate((c for c in part.changes if c.finding), 1):
        head = f"{number}. {change.title}: {change.kind.upper()}"
        blocks.append(f"{_wrap(head, 0, 3)}\n{_wrap(change.because, 3, 3)}")
    if part.grid is not None:
        grid = _grid(part.grid)
        blocks.append(f"{part.title}\n{grid or 'no rows'}" if part.title else grid)
    for title, texts, mark in (
        ("", part.said, "-"),
        ("NEXT", part.next, "-"),
        ("TO PROVE IT", part.proof, "-"),
        ("CAUTION", part.cautions, "!"),
        ("NOTES", part.notes_in_short, "*"),
    ):
        blocks.append(_listed(title, texts, mark))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _answer(answer: Answer | Outcome | Statement | None) -> str:
    if isinstance(answer, Answer):
        return _verdict(answer)
    if isinstance(answer, Outcome):
        lines = (f"{answer.word.upper()}: {answer.headline}", answer.why, f"DO: {answer.do}")
        # Each of the three stays one line, so that the answer never scrolls.
        more = [_wrap(f"also: {text}", 0, 3) for text in answer.also]
        if answer.beside:
            more.append(_wrap(f"The runs differ: {'; '.join(answer.beside)}.", 0, 3))
        told = [clip(line, WIDTH) for line in lines]
        return "\n".join([*told, *more, _wrap(f"[{answer.about}]", 0, 1)])
    return "" if answer is None else _statement(answer)


def _verdict(a: Answer) -> str:
    """Where, what and what now, a line each, so that they are read from afar."""
    place, cause = a.place or "board", a.cause.upper()
    lines = [f"{place}: {cause}" + (f" ({a.sure})" if a.sure else "")]
    if a.here:
        lines = [f"WHERE: {place}, {a.here}", _wrap(f"WHAT: {what(a, cause)}", 0, 3)]
    lines.append(f"DO: {a.do}")
    if a.text:
        lines.append(_wrap(f"{a.text}. [{a.about}]"))
    return "\n".join(lines)


def _statement(statement: Statement) -> str:
    lines = [statement.says, *(f"    {line}" for line in statement.more)]
    if statement.grid is not None:
        grid = statement.grid
        rows = _lines(grid, grid.rows, grid.filled(grid.rows))[2:]
        lines += ["", grid.title, *(f"  {row}" for row in rows)]
    return "\n".join(lines)


def _item(number: int, f: Item) -> str:
    place = f"{f.where}, fault here {f.here}" if f.here else f.where
    head = f"{number}. {place}: {f'{f.cause}, expected' if f.expected else what(f)}"
    if f.because_of:
        head += f", because of {f.because_of}"
    lines = [_wrap(f"{head} -> {f.action}", 0, 3), _wrap(f.reason, 3, 3)]
    return "\n".join(lines + [_quote(quote) for quote in f.quotes])


def _quote(quote: Quote) -> str:
    where = f"line {quote.line}: " if quote.line is not None else ""
    return _wrap(where + quote.says, 3, 3)


def _together(number: int, group: Together) -> str:
    """Sites disturbed by one fault: named together, with the strongest line of each."""
    first = group.items[0]
    sites = ", ".join(f.where for f in group.items)
    head = f"{number}. {sites}: {first.cause}, {group.sure} each, because of {first.because_of}"
    lines = [_wrap(f"{head} -> {first.action}", 0, 3)]
    lines += [_wrap(text, 3, 3) for text in group.says]
    return "\n".join(lines + [_quote(q) for f in group.items for q in f.quotes[:1]])


def _grid(grid: Grid) -> str:
    rows = grid.rows if grid.whole else grid.loud
    lines: list[str] = []
    filled = [i for i in grid.filled(rows) if not grid.columns[i].more] if rows else []
    shown = filled
    for spared in sorted({grid.columns[i].spare for i in filled}):
        shown = [i for i in filled if not 0 < grid.columns[i].spare <= spared]
        lines = _lines(grid, rows, shown)
        if max(map(len, lines)) <= WIDTH:
            break
    legend = "; ".join(grid.columns[i].legend for i in shown if grid.columns[i].legend)
    gists = () if grid.whole else grid.gists
    return "\n".join(line for line in (*lines, legend, *gists) if line)


def _lines(grid: Grid, rows: Sequence[Row], shown: Sequence[int]) -> list[str]:
    """Headings, a rule, and the rows, two blanks between columns."""
    columns = [(i, grid.columns[i]) for i in shown]
    widths = [
        max(c.least, len(c.heading) + 2 * grid.airy, *(len(row.cells[i]) for row in rows))
        for i, c in columns
    ]
    made = [
        [c.heading for _, c in columns],
        ["-" * width for width in widths],
        *([row.cells[i] for i, _ in columns] for row in rows),
    ]
    return [
        "  ".join(
            cell.rjust(width) if c.right else cell.ljust(width)
            for cell, width, (_, c) in zip(cells, widths, columns, strict=True)
        ).rstrip()
        for cells in made
    ]


def _listed(title: str, texts: Iterable[str], mark: str = "-") -> str:
    lines = [
        textwrap.fill(t, WIDTH, initial_indent=f"{mark} ", subsequent_indent="  ") for t in texts
    ]
    return "\n".join([title] * bool(title and lines) + lines)


def _wrap(text: str, first: int = 0, rest: int = 0) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=" " * first, subsequent_indent=" " * rest)
