"""Cells under the columns of their table, where people set them otherwise than one between blanks.

Each way of placing them is tried on matched cells, after the grammar; one is taken only where every
cell of it can be read and no other placing of the same kind can.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from msgspec import Struct

from memdiag.layouts.matcher import Cell
from memdiag.model.patterns import later
from memdiag.model.quantities import scale
from memdiag.reading.repairs import Repair

Fits = Callable[[str, str], bool]
"""Whether a text can be a cell of the column of that name."""

_SEPARATORS = ("|", ",", ";")
_MOST_WAYS = 8
_MOST_JOINED = 8  # neighbouring cells that are one number, written in groups
_RULER = later(r"[\s|+:=-]*[=-]{3}[\s|+:=-]*")
_DIGITS, _GROUP = re.compile(r"[+-]?[0-9][0-9.,]*"), re.compile(r"[0-9]{3}(?![0-9])\S*")
_SPREAD = ("+-", "+/-", "±")


class Placing(Struct, frozen=True):
    """One way: a cell for each column, and how they were written. `short` is the column whose cell
    the row lacks at its end."""

    cells: tuple[Cell, ...]
    repairs: tuple[Repair, ...] = ()
    short: str | None = None


def is_ruler(text: str) -> bool:
    """Whether a line only draws a rule, as below the names of a table."""
    return _RULER.fullmatch(text) is not None


def exact(found: Sequence[Cell], columns: Sequence[str]) -> Placing | None:
    """One cell a column."""
    if len(found) != len(columns):
        return None
    pairs = zip(columns, found, strict=True)
    return Placing(tuple([Cell(name, cell.text, cell.at) for name, cell in pairs]))


def marked(found: Sequence[Cell], columns: Sequence[str]) -> Placing | None:
    """A cell a column, where a mark stands between any two: a word would else keep its mark."""
    texts = [cell.text or "" for cell in found]
    ends = "".join([text[-1:] for text in texts])
    if len(found) == len(columns) and not any(mark in ends for mark in _SEPARATORS):
        return None
    told = (Repair("separators-otherwise", "", _drawn(found), "blanks"),)
    for mark in _SEPARATORS:
        placed = _under(_separated(found, mark, len(columns)), columns, told)
        if placed is not None and (mark != "," or all(t.endswith(",") for t in texts[:-1])):
            return placed
    return None


def others(
    found: Sequence[Cell], columns: Sequence[str], end: int, fits: Fits
) -> Iterator[tuple[Placing, ...]]:
    """The other ways, the likelier ones first; those of one kind together. `end` is the column of
    text after the row's last."""
    split = [cells for mark in _SEPARATORS if (cells := _separated(found, mark, len(columns)))]
    told = (Repair("separators-otherwise", "", _drawn(found), "blanks"),)
    yield tuple(p for cells in split if (p := _under(cells, columns, told)))
    yield tuple(_joined(found, columns, fits))
    last = columns[-1]
    short = (Repair("last-cell-left-out", "", last, "-"),)
    plain: tuple[Cell, ...] = tuple(found)
    for cells, repairs in ((plain, ()), *((cells, told) for cells in split)):
        if len(cells) == len(columns) - 1:
            whole = (*cells, Cell("", None, end))
            placed = _under(whole, columns, (*repairs, *short), last)
            yield () if placed is None else (placed,)
    yield tuple(
        Placing((*p.cells, Cell(last, None, end)), (*p.repairs, *short), last)
        for p in _joined(found, columns[:-1], fits)
    )


def forced(found: Sequence[Cell], columns: Sequence[str]) -> Placing | None:
    """Too many cells, of which just so many can belong to those before them as there are too many:
    the row has its columns, though some cell of it cannot be read."""
    texts = [cell.text or "" for cell in found]
    tied = [False, *(_may_follow(a, b) for a, b in pairwise(texts))]
    if not any(tied) or len(found) - sum(tied) != len(columns):
        return None
    cells: list[Cell] = []
    for cell, follows in zip(found, tied, strict=True):
        if follows:
            cells[-1] = Cell("", f"{cells[-1].text} {cell.text}", cells[-1].at)
        else:
            cells.append(cell)
    return exact(cells, columns)


def _under(
    cells: Sequence[Cell],
    columns: Sequence[str],
    repairs: tuple[Repair, ...],
    short: str | None = None,
) -> Placing | None:
    placed = exact(cells, columns)
    return None if placed is None else Placing(placed.cells, repairs, short)


def _drawn(found: Sequence[Cell]) -> str:
    text = " ".join(cell.text or "" for cell in found)
    return text if len(text) <= 24 else text[:21] + "..."


def _separated(found: Sequence[Cell], mark: str, most: int) -> tuple[Cell, ...]:
    """The cells between marks, with blanks inside them; none where there is no mark, or so many
    that there must be more than `most` cells. A mark at either end closes the row and stands
    beside no cell."""
    marks = sum((cell.text or "").count(mark) for cell in found)
    if not 0 < marks <= most + 1:
        return ()
    cells: list[Cell] = []
    parts: list[str] = []
    at = found[0].at
    for cell in found:
        first, *more = (cell.text or "").split(mark)
        offset = cell.at
        if first:
            at = at if parts else offset
            parts.append(first)
        offset += len(first)
        for piece in more:
            cells.append(Cell("", " ".join(parts) or "-", at))
            parts = [piece] if piece else []
            at = offset = offset + 1
            offset += len(piece)
    closed = not parts
    opened = (found[0].text or "").startswith(mark)
    if not closed:
        cells.append(Cell("", " ".join(parts), at))
    return tuple(cells[1:] if opened and mark == "|" else cells)


# -- several neighbours that are one cell -------------------------------------------------------


def _joined(found: Sequence[Cell], columns: Sequence[str], fits: Fits) -> list[Placing]:
    """The placings of too many cells in which neighbours are one number: its groups of three
    digits, its unit."""
    extra = len(found) - len(columns)
    texts = [cell.text or "" for cell in found]
    if extra <= 0 or not columns or _joints(texts) < extra:
        return []
    ways = _Ways(texts, columns, fits).all()
    placings = []
    for sizes in ways:
        cells, at, repairs = [], 0, []
        for name, size in zip(columns, sizes, strict=True):
            text = " ".join(texts[at : at + size])
            cells.append(Cell(name, text, found[at].at))
            if size > 1:
                grouped = all(map(_GROUP.fullmatch, texts[at + 1 : at + size]))
                if not grouped:  # groups of digits are told with the number
                    repairs.append(Repair("unit-apart", "", text, text.replace(" ", "")))
            at += size
        placings.append(Placing(tuple(cells), tuple(repairs)))
    return placings


def _joints(texts: Sequence[str]) -> int:
    """How many of the cells may belong to the one before them."""
    return sum(_may_follow(a, b) for a, b in pairwise(texts))


def _may_follow(before: str, text: str) -> bool:
    """Whether the second can be a further group of digits, the unit or the spread of the first."""
    if text.startswith(_SPREAD) or before in _SPREAD:
        return True
    if _DIGITS.match(before) is None:
        return False
    return _GROUP.fullmatch(text) is not None or _is_unit(text)


def _is_unit(text: str) -> bool:
    try:
        scale(text)
    except ValueError:
        return text in ("T",)
    return True


class _Ways:
    """The ways in which texts fill columns, each with one text or with several that belong
    together: how many texts each column takes."""

    def __init__(self, texts: Sequence[str], columns: Sequence[str], fits: Fits) -> None:
        self._texts, self._columns, self._fits = texts, columns, fits
        self._from: dict[tuple[int, int], list[tuple[int, ...]]] = {}

    def all(self) -> list[tuple[int, ...]]:
        """The first few of them: very many are as good as none."""
        return self._rest(0, 0)

    def _rest(self, at: int, column: int) -> list[tuple[int, ...]]:
        """The ways of the texts from `at` on under the columns from `column` on."""
        if column == len(self._columns):
            return [()] if at == len(self._texts) else []
        key = (at, column)
        if key not in self._from:
            spare = len(self._texts) - at - (len(self._columns) - column)
            found: list[tuple[int, ...]] = []
            for size in range(1, min(spare + 2, _MOST_JOINED + 1)):
                if size > 1 and not _may_follow(*self._texts[at + size - 2 : at + size]):
                    break
                text = " ".join(self._texts[at : at + size])
                if self._fits(self._columns[column], text):
                    found += [(size, *rest) for rest in self._rest(at + size, column + 1)]
            self._from[key] = found[:_MOST_WAYS]
        return self._from[key]
