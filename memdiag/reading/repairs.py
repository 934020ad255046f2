"""What was written otherwise than the format says and read all the same: told once a dump."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from msgspec import Struct, field

from memdiag.model.problems import Position, Problem, problem


class Repair(NamedTuple):
    """One of them: the code of the problem that tells it, what it was done to (a column, or what
    the code says by itself), what stood there, and what it was taken for."""

    code: str
    what: str
    found: str
    taken: str


class _Told(Struct):
    position: Position
    repair: Repair
    n: int = 1


class Repairs(Struct):
    """Counts them by kind, with the first of each."""

    _told: dict[tuple[str, str], _Told] = field(default_factory=dict)

    def add(self, repairs: Iterable[Repair], position: Position) -> None:
        for repair in repairs:
            key = (repair.code, repair.what)
            told = self._told.get(key)
            if told is None:
                self._told[key] = _Told(position, repair)
            else:
                told.n += 1

    def problems(self) -> list[Problem]:
        """One for each kind."""
        return [
            problem(
                t.repair.code,
                t.position,
                n=f"{t.n:,}",
                what=t.repair.what,
                found=t.repair.found,
                taken=t.repair.taken,
            )
            for t in self._told.values()
        ]
