"""What became of every line of a text: nothing that was pasted vanishes without a word."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


class LineClass(StrEnum):
    """What a line was taken for."""

    BLANK = "blank"
    NOISE = "noise"
    HEAD = "head"
    RUN = "run"
    SECTION = "section"
    COLUMNS = "columns"
    CONTEXT = "context"
    ROW = "row"
    END = "end"
    KEPT = "kept"  # a line of a section memdiag does not know: kept as text
    OUTSIDE = "outside"  # before the first dump, or after the end of one
    PROBLEM = "problem"  # not understood, or not usable: a problem says so


_CLASSES = tuple(LineClass)
_NUMBER = {each: number for number, each in enumerate(_CLASSES)}


class Extent(NamedTuple):
    """Lines `first` to `last` (1-based, both included), all of one class."""

    first: int
    last: int
    line_class: LineClass


class Account:
    """The class of every line, in order, kept as extents: millions of rows are one of them, and
    millions of extents are three columns of numbers."""

    def __init__(self) -> None:
        self._first, self._last, self._class = array("q"), array("q"), array("b")

    @property
    def extents(self) -> Sequence[Extent]:
        """All of them, in order."""
        return self.latest(len(self._first))

    def latest(self, n: int) -> Sequence[Extent]:
        """The last n extents, in order."""
        at = max(0, len(self._first) - n)
        columns = self._first[at:], self._last[at:], self._class[at:]
        return [Extent(f, t, _CLASSES[c]) for f, t, c in zip(*columns, strict=True)]

    def add(self, first: int, line_class: LineClass, last: int | None = None) -> None:
        """Lines `first` to `last` were taken for this. Lines come in rising order."""
        number, last = _NUMBER[line_class], first if last is None else last
        if self._first and self._class[-1] == number and self._last[-1] == first - 1:
            self._last[-1] = last
        else:
            self._first.append(first)
            self._last.append(last)
            self._class.append(number)

    def add_rows(self, first: int, last: int, lost: npt.NDArray[np.int64]) -> None:
        """Lines `first` to `last` were taken for rows, but for those that are `lost`."""
        if not len(lost):
            self.add(first, LineClass.ROW, last)
            return
        import numpy as np

        # One class after the other: it changes at a lost line and behind it.
        row, problem = _NUMBER[LineClass.ROW], _NUMBER[LineClass.PROBLEM]
        kinds = np.full(last - first + 1, row, np.int8)
        kinds[lost - first] = problem
        starts = np.concatenate((np.zeros(1, np.int64), np.flatnonzero(np.diff(kinds)) + 1))
        ends = np.concatenate((starts[1:], np.full(1, len(kinds))))
        self.add(first, _CLASSES[kinds[0]], first + int(ends[0]) - 1)
        self._first.frombytes((starts[1:] + first).astype(np.int64).tobytes())
        self._last.frombytes((ends[1:] + first - 1).astype(np.int64).tobytes())
        self._class.frombytes(kinds[starts[1:]].tobytes())

    def lines(self) -> Iterator[tuple[int, LineClass]]:
        """Every line's number and class."""
        for extent in self.extents:
            for number in range(extent.first, extent.last + 1):
                yield number, extent.line_class

    def count(self) -> dict[LineClass, int]:
        """How many lines are of each class."""
        found: dict[LineClass, int] = {}
        for extent in self.extents:
            n = extent.last - extent.first + 1
            found[extent.line_class] = found.get(extent.line_class, 0) + n
        return found
