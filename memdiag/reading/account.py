"""What became of every line of a text: nothing that was pasted vanishes without a word."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum


class Fate(StrEnum):
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
    """Lines `first` to `last` (1-based, both included), all of one fate."""

    first: int
    last: int
    fate: Fate


@dataclass(slots=True)
class Account:
    """The fate of every line, in order, kept as extents: millions of rows are one of them."""

    extents: list[Extent] = field(default_factory=list)

    def add(self, first: int, fate: Fate, last: int | None = None) -> None:
        """Lines `first` to `last` had this fate. Lines come in rising order."""
        last = first if last is None else last
        before = self.extents[-1] if self.extents else None
        if before is not None and before.fate is fate and before.last == first - 1:
            self.extents[-1] = Extent(before.first, last, fate)
        else:
            self.extents.append(Extent(first, last, fate))

    def lines(self) -> Iterator[tuple[int, Fate]]:
        """Every line's number and fate."""
        for extent in self.extents:
            for number in range(extent.first, extent.last + 1):
                yield number, extent.fate

    def count(self) -> dict[Fate, int]:
        """How many lines had each fate."""
        found: dict[Fate, int] = {}
        for extent in self.extents:
            found[extent.fate] = found.get(extent.fate, 0) + extent.last - extent.first + 1
        return found
