"""What of a dump was not understood, counted in full and kept within bounds."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct, field

from memdiag.model import Lost

MOST_LOST = 200
"""Lost things that are kept one by one; of others only the number of their rows is."""


class LostList(Struct):
    """`rows` counts rows and lines that were not understood in full, each once."""

    rows: int = 0
    _items: list[Lost] = field(default_factory=list)

    def add(self, of_one_row: Iterable[Lost]) -> None:
        """What was lost of one row or line."""
        self.rows += 1
        for each in of_one_row:
            if len(self._items) < MOST_LOST:
                self._items.append(each)

    def add_rows(self, n: int) -> None:
        """So many more rows, for which there is no `room`."""
        self.rows += n

    @property
    def room(self) -> int:
        """How many more lost things are kept one by one."""
        return MOST_LOST - len(self._items)

    def closed(self) -> tuple[Lost, ...]:
        """Those that were kept, by line."""
        return tuple(sorted(self._items, key=lambda lost: lost.position))
