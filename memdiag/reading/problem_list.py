"""Problems gathered while a text is read: bounded, in the order of their lines."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct, field

from memdiag.model.problems import Position, Problem, problem

MOST_ALIKE = 100
"""Problems of one code that are told one by one; of the others only the number is told."""


class ProblemList(Struct):
    """Problems in order; beyond `MOST_ALIKE` of one code they are only counted."""

    items: list[Problem] = field(default_factory=list)
    _count: dict[str, int] = field(default_factory=dict)
    _last: dict[str, int] = field(default_factory=dict)

    def add(self, code: str, position: Position | None = None, **fields: object) -> None:
        if self._counted(code, position):
            self.items.append(problem(code, position, **fields))

    def add_alike(self, code: str, n: int, last: int) -> None:
        """So many more of a code for which there is no `room`, the last one in that line."""
        self._count[code] = self._count.get(code, 0) + n
        self._last[code] = last

    def room(self, code: str) -> int:
        """How many more of a code are told one by one."""
        return max(0, MOST_ALIKE - self._count.get(code, 0))

    def extend(self, more: Sequence[Problem]) -> None:
        self.items.extend(each for each in more if self._counted(each.code, each.position))

    def _counted(self, code: str, position: Position | None) -> bool:
        """Count one more; whether it is among those that are told."""
        self._count[code] = n = self._count.get(code, 0) + 1
        if position is not None:
            self._last[code] = position.line
        return n <= MOST_ALIKE

    def __bool__(self) -> bool:
        return bool(self.items)

    def closed(self) -> tuple[Problem, ...]:
        """All of them by line, and one that counts those not told."""
        ordered = sorted(self.items, key=lambda p: (p.position is None, p.position or Position(0)))
        more = [
            problem(
                "more-alike", n=f"{n - MOST_ALIKE:,}", what=code, last=self._last.get(code, "?")
            )
            for code, n in self._count.items()
            if n > MOST_ALIKE
        ]
        return (*ordered, *more)
