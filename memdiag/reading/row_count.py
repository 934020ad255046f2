"""Whether a dump holds as many rows as its end line promises."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from memdiag.layouts.matcher import Cell
from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.converters import LARGEST_WHOLE


class RowCount(Struct):
    """Counts what a dump printed; `ends` says whether its layout prints an end line."""

    ends: bool
    printed: int = 0  # rows of known tables, read or not
    _kept: int = 0  # lines of unknown sections
    _unknown: int = 0  # unknown sections
    _end_line: int | None = None
    _promised: int | None = None  # the N of the end line

    def add_rows(self, n: int) -> None:
        """Rows of known tables, read or not."""
        self.printed += n

    def add_unknown_section(self) -> None:
        self._unknown += 1

    def add_kept_line(self) -> None:
        """A line of an unknown section."""
        self._kept += 1

    def end(self, line: int, found: Sequence[Cell]) -> None:
        """The end line, and how many rows it promises."""
        self._end_line = line
        for cell in found:
            if cell.column == "rows" and cell.text is not None:
                self._promised = int(cell.text) if len(cell.text) < 19 else LARGEST_WHOLE

    def lacks(self, last_line: int) -> Iterator[Problem]:
        """What says that the dump is not complete; nothing where it is."""
        if self.ends and self._end_line is None:
            yield problem("end-missing", Position(max(last_line, 1)))
            return
        # Rows of sections memdiag does not know may be counted, with or without their headers.
        every = self.printed + self._kept
        if self._promised not in (None, self.printed, every, every - self._unknown):
            where = Position(self._end_line or 1)
            yield problem("end-count", where, promised=self._promised, found=self.printed)
