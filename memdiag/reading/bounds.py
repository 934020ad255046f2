"""How much of a text is read: bounds that no dump of a bench comes near, so that a text which asks
for more is refused in words, and memory and time stay within what a bench PC has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct, field

from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.account import LineClass

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

MOST_DUMPS = 5_000
"""Dumps in one text: each has its own head, problems and verdict."""
MOST_ROWS = 300_000
"""Rows of training, rails, heat and values in one text: each is kept by itself (counts and words
of memory are added up or kept in columns)."""
MOST_NOT_UNDERSTOOD = 10_000
"""Lines with something that is not understood, from which on a text is given up where they are most
of its lines: it is no dump, or in another layout."""
MOST_IDLE = 2_000_000
"""Lines that say nothing (blank, remarks, outside of any dump, kept as text), from which on a text
is given up where nine of ten lines are such."""
MOST_OF_A_DUMP = {
    LineClass.RUN: (2_000, "lines in the head of a dump"),
    LineClass.SECTION: (2_000, "sections in a dump"),
    LineClass.COLUMNS: (20_000, "header lines in a dump"),
    LineClass.CONTEXT: (200_000, "headings in a dump"),
}
"""Lines of a class in one dump, and what they are called."""
_IDLE = frozenset({LineClass.BLANK, LineClass.NOISE, LineClass.OUTSIDE, LineClass.KEPT})


class Refused(ValueError):
    """A text beyond a bound. `problem` names the bound."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.sentence())


class Tally(Struct):
    """Counts what was read of a text, and raises Refused beyond a bound."""

    _lines: int = 0
    _idle: int = 0
    _dumps: int = 0
    _in_dump: dict[LineClass, int] = field(default_factory=dict)
    _rows: int = 0  # of earlier dumps
    _not_understood: int = 0  # lines of earlier dumps

    def add(self, line_class: LineClass, at: int, rows: int = 0, not_understood: int = 0) -> None:
        """A line, number `at`. Of the open dump so far, `rows` are kept by themselves, and so many
        lines hold something that is not understood."""
        self._lines += 1
        if line_class in _IDLE:
            self._idle += 1
            if self._idle > MOST_IDLE and 10 * self._idle > 9 * self._lines:
                self._refuse("too-little-said", at, n=f"{self._idle:,}", most=MOST_IDLE)
        most = MOST_OF_A_DUMP.get(line_class)
        if most is not None:
            n = self._in_dump[line_class] = self._in_dump.get(line_class, 0) + 1
            if n > most[0]:
                self._refuse("too-many", at, most=most[0], what=most[1])
        if self._rows + rows > MOST_ROWS:
            self._refuse("too-many", at, most=MOST_ROWS, what="rows of training, rails and values")
        self._refuse_little(self._not_understood + not_understood, at)

    def add_columns(
        self, first: int, last: int, lost: npt.NDArray[np.int64], not_understood: int
    ) -> None:
        """Lines `first` to `last` were read in columns, and some of them are `lost`; so many lines
        of the open dump before them too. Refused at the line where it would be one by one."""
        before, self._lines = self._lines, self._lines + last - first + 1
        n = self._not_understood + not_understood
        if n + len(lost) < MOST_NOT_UNDERSTOOD:
            return
        for count, line in enumerate(lost.tolist(), n + 1):
            self._lines = before + line - first + 1
            self._refuse_little(count, line)
        self._lines = before + last - first + 1

    def dump_begins(self, at: int) -> None:
        self._dumps += 1
        if self._dumps > MOST_DUMPS:
            self._refuse("too-many", at, most=MOST_DUMPS, what="dumps in one text")

    def dump_ends(self, rows: int, not_understood: int) -> None:
        """The open dump is over; the numbers are those of `add`."""
        self._in_dump.clear()
        self._rows += rows
        self._not_understood += not_understood

    def _refuse_little(self, not_understood: int, at: int) -> None:
        n = not_understood
        if n >= MOST_NOT_UNDERSTOOD and 2 * n > self._lines:
            self._refuse("too-little-understood", at, n=f"{n:,}", most=MOST_NOT_UNDERSTOOD)

    def _refuse(self, code: str, at: int, **fields: object) -> None:
        raise Refused(problem(code, Position(at), lines=f"{self._lines:,}", **fields))
