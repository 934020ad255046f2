"""A page for a terminal, or for a pipe: read from a metre away, no colour needed.

A terminal has its own width, weight and colour where it shows them, a sketch of the board, cautions
in short, and where it scrolls the answer again at the end.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from memdiag.diagnosis import cautions
from memdiag.model import Quote
from memdiag.reports import sketch
from memdiag.reports.answers import Answer, Item, Outcome, Together, what
from memdiag.reports.page import Grid, Page, Part, Row, Statement
from memdiag.reports.plain import clip, printable


class Screen(Struct, frozen=True):
    """What a page is written on: its width in characters; on a terminal (`height` lines, 0 for a
    pipe or a file) with a sketch of the board and, unless `every_caution` is asked for, cautions in
    short; `styled` where it shows weight and colour."""

    width: int = 100
    height: int = 0
    styled: bool = False
    every_caution: bool = False


PAPER = Screen()
_BOLD, _RED, _AMBER, _GREEN = "1", "1;31", "1;33", "1;32"
_LOOKS = {"work": _RED, "hold": _AMBER, "clear": _GREEN, "calm": _BOLD}


class _Block(Struct, frozen=True):
    """Lines that stand together; the first `strong` of them in `style`."""

    text: str
    strong: int = 0
    style: str = _BOLD

    def dressed(self) -> str:
        lines = self.text.split("\n")
        strong = [f"\x1b[{self.style}m{line}\x1b[0m" if line else line for line in lines]
        return "\n".join([*strong[: self.strong], *lines[self.strong :]])


def render(page: Page, screen: Screen = PAPER) -> str:
    """Every part: the answer, why, the table, what to measure next, cautions, footnotes."""
    writer, parts = _Writer(screen), page.parts()
    shown = [list(writer.part(part)) for part in parts]
    apart = "\n" + "=" * min(60, screen.width) + "\n\n"
    made = (apart if page.apart else "\n").join(map(writer.joined, shown))
    if screen.height and made.count("\n") >= screen.height:
        made += "\n" + writer.joined(writer.again(parts))
    return made


class _Writer:
    """Writes parts for one screen."""

    def __init__(self, screen: Screen) -> None:
        self.screen, self.width = screen, screen.width

    def joined(self, blocks: Iterable[_Block]) -> str:
        """Blocks apart from each other, without anything that a terminal obeys but our own."""
        safe = (_Block(printable(b.text), b.strong, b.style) for b in blocks)
        dressed = (b.dressed() if self.screen.styled else b.text for b in safe)
        return "\n\n".join(text for text in dressed if text) + "\n"

    def again(self, parts: Sequence[Part]) -> Iterator[_Block]:
        """The answers in short, for who has scrolled past them."""
        yield _Block("-" * min(60, self.width))
        answers = [self._answer(part.answer) for part in parts if part.answer is not None]
        if len(answers) == 1:
            yield _Block("\n".join(answers[0].text.split("\n")[: answers[0].strong]), 9)
        else:
            firsts = [clip(block.text.split("\n")[0], self.width) for block in answers]
            yield _Block("\n".join(firsts), len(firsts))

    def part(self, part: Part) -> Iterator[_Block]:
        yield self._answer(part.answer)
        if self.screen.height and part.places is not None:
            yield _Block(sketch.sketch(part.places, self.width))
        for each in (*part.lost, *part.lists):
            yield self._listed(each.title.upper(), each.texts)
        if part.story is not None:
            lines = [self._wrap(chapter.line, 0, 3) for chapter in part.story.chapters]
            yield _Block("\n".join(["STORY", *lines]), 1)
            yield _Block(self._grid(part.story.grid))
        if part.stages:
            stages = [self._wrap(line, 0, 3) for line in part.stages]
            yield _Block("\n".join(["STAGES", *stages]), 1)
        yield self._listed("HISTORY", part.tracks)
        for number, told in enumerate(part.findings, 1):
            if isinstance(told, Item):
                yield _Block(self._item(number, told), 1)
            else:
                yield _Block(self._together(number, told), 1)
        for number, change in enumerate((c for c in part.changes if c.finding), 1):
            head = self._wrap(f"{number}. {change.title}: {change.kind.upper()}", 0, 3)
            yield _Block(f"{head}\n{self._wrap(change.because, 3, 3)}", 1)
        if part.grid is not None:
            grid = self._grid(part.grid)
            yield _Block(f"{part.title}\n{grid or 'no rows'}" if part.title else grid)
        for title, texts, mark in (
            ("", part.said, "-"),
            ("NEXT", part.next, "-"),
            ("TO PROVE IT", part.proof, "-"),
            ("CAUTION", self._cautions(part.cautions), "!"),
            ("NOTES", part.notes_in_short, "*"),
        ):
            yield self._listed(title, texts, mark)

    def _cautions(self, texts: Sequence[str]) -> Sequence[str]:
        folds = self.screen.height and not self.screen.every_caution
        return cautions.folded(texts) if folds else texts

    def _answer(self, answer: Answer | Outcome | Statement | None) -> _Block:
        if isinstance(answer, Answer):
            text = self._verdict(answer)
            strong = 1 + text.split("\n").index(next(_starting(text, "DO: ")))
            return _Block(text, strong, _LOOKS[answer.look])
        if isinstance(answer, Outcome):
            lines = (f"{answer.word.upper()}: {answer.headline}", answer.why, f"DO: {answer.do}")
            # Each of the three stays one line, so that the answer never scrolls.
            more = [self._wrap(f"also: {text}", 0, 3) for text in answer.also]
            if answer.beside:
                more.append(self._wrap(f"The runs differ: {'; '.join(answer.beside)}.", 0, 3))
            told = [clip(line, self.width) for line in lines]
            text = "\n".join([*told, *more, self._wrap(f"[{answer.about}]", 0, 1)])
            return _Block(text, 3, _LOOKS[answer.look])
        return _Block("" if answer is None else self._statement(answer), 1)

    def _verdict(self, a: Answer) -> str:
        """Where, what and what now, a line each, so that they are read from afar."""
        place, cause = a.place or "board", a.cause.upper()
        lines = [f"{place}: {cause}" + (f" ({a.sure})" if a.sure else "")]
        if a.here:
            lines = [f"WHERE: {place}, {a.here}", self._wrap(f"WHAT: {what(a, cause)}", 0, 3)]
        lines.append(f"DO: {a.do}")
        if a.text:
            lines.append(self._wrap(f"{a.text}. [{a.about}]"))
        return "\n".join(lines)

    def _statement(self, statement: Statement) -> str:
        lines = [statement.says, *(f"    {line}" for line in statement.more)]
        if statement.grid is not None:
            grid = statement.grid
            rows = _lines(grid, grid.rows, grid.filled(grid.rows))[2:]
            lines += ["", grid.title, *(f"  {row}" for row in rows)]
        return "\n".join(lines)

    def _item(self, number: int, f: Item) -> str:
        place = f"{f.where}, fault here {f.here}" if f.here else f.where
        head = f"{number}. {place}: {f'{f.cause}, expected' if f.expected else what(f)}"
        if f.because_of:
            head += f", because of {f.because_of}"
        lines = [self._wrap(f"{head} -> {f.action}", 0, 3), self._wrap(f.reason, 3, 3)]
        return "\n".join(lines + [self._quote(quote) for quote in f.quotes])

    def _quote(self, quote: Quote) -> str:
        where = f"line {quote.line}: " if quote.line is not None else ""
        return self._wrap(where + quote.says, 3, 3)

    def _together(self, number: int, group: Together) -> str:
        """Sites disturbed by one fault: named together, with the strongest line of each."""
        first = group.items[0]
        sites = ", ".join(f.where for f in group.items)
        head = f"{number}. {sites}: {first.cause}, {group.sure} each, because of {first.because_of}"
        lines = [self._wrap(f"{head} -> {first.action}", 0, 3)]
        lines += [self._wrap(text, 3, 3) for text in group.says]
        return "\n".join(lines + [self._quote(q) for f in group.items for q in f.quotes[:1]])

    def _grid(self, grid: Grid) -> str:
        rows = grid.rows if grid.whole else grid.loud
        lines: list[str] = []
        filled = [i for i in grid.filled(rows) if not grid.columns[i].more] if rows else []
        shown = filled
        for shown in _narrower(grid, filled):
            lines = _lines(grid, rows, shown)
            if max(map(len, lines)) <= self.width:
                break
        legend = "; ".join(grid.columns[i].legend for i in shown if grid.columns[i].legend)
        gists = () if grid.whole else grid.gists
        return "\n".join([*lines, *(self._wrap(text) for text in (legend, *gists) if text)])

    def _listed(self, title: str, texts: Iterable[str], mark: str = "-") -> _Block:
        lines = [_filled(text, self.width, f"{mark} ", "  ") for text in texts]
        return _Block("\n".join([title] * bool(title and lines) + lines), int(bool(title)))

    def _wrap(self, text: str, first: int = 0, rest: int = 0) -> str:
        return _filled(text, self.width, " " * first, " " * rest)


def _filled(text: str, width: int, first: str, rest: str) -> str:
    """Words stay whole: designators, names of files and rates are searched for."""
    return textwrap.fill(
        text,
        width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _starting(text: str, begin: str) -> Iterator[str]:
    return (line for line in text.split("\n") if line.startswith(begin))


def _narrower(grid: Grid, filled: Sequence[int]) -> Iterator[list[int]]:
    """The columns, then ever fewer of them: those that can be spared, those that a small screen
    does without, and figures, the last first."""
    shown = list(filled)
    if shown:
        yield shown
    columns = grid.columns
    for spared in sorted({columns[i].spare for i in filled} - {0}):
        shown = [i for i in filled if not 0 < columns[i].spare <= spared]
        yield shown
    some = [i for i in reversed(shown) if columns[i].wide]
    some += [i for i in reversed(shown) if columns[i].right and not columns[i].wide]
    for out in some if len(some) < len(shown) else some[:-1]:
        shown = [i for i in shown if i != out]
        yield shown


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
