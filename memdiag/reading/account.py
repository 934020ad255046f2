"""What became of every line of a text: nothing that was pasted vanishes without a word."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum


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


@dataclass(frozen=True, slots=True)
class Extent:
    """Lines `first` to `last` (1-based, both included), all of one class."""

    first: int
    last: int
    line_class: LineClass


@dataclass(slots=True)
class Account:
    """The class of every line, in order, kept as extents: millions of rows are one of them."""

    extents: list[Extent] = field(default_factory=list)

    def add(self, first: int, line_class: LineClass, last: int | None = None) -> None:
        """Lines `first` to `last` were taken for this. Lines come in rising order."""
        last = first if last is None else last
        before = self.extents[-1] if self.extents else None
        if before is not None and before.line_class is line_class and before.last == first - 1:
            self.extents[-1] = Extent(before.first, last, line_class)
        else:
            self.extents.append(Extent(first, last, line_class))

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
