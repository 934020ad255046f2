"""What stands before the first dump of a text, between two, or after the last."""

from __future__ import annotations

from dataclasses import dataclass, field

from memdiag.model.problems import Position, Problem
from memdiag.reading.problem_list import ProblemList
from memdiag.reading.section import count


@dataclass(slots=True)
class Outside:
    """Lines that belong to no dump; those between two dumps are told of together."""

    _problems: ProblemList = field(default_factory=ProblemList)
    _first: int = 0
    _n: int = 0

    def add_line(self, line: int) -> None:
        """A line that no rule takes."""
        self._first = self._first or line
        self._n += 1

    def add_end(self, where: Position) -> None:
        """An end line, where no dump is open."""
        self._problems.add("stray-end", where)

    def dump_begins(self) -> None:
        """The lines so far stand by themselves."""
        if self._n:
            self._problems.add("outside", Position(self._first), lines=count(self._n, "line"))
        self._first = self._n = 0

    def closed(self) -> tuple[Problem, ...]:
        """All there is to say; no more lines follow."""
        self.dump_begins()
        return self._problems.closed()
