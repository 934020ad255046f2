"""The numbers of a shop's settings: each has a closed range, and none is made outside it."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Any, NamedTuple, get_args, get_type_hints

from msgspec import Struct


class Range(NamedTuple):
    """A closed range. Neither end is infinite, and nothing that is no number lies in it."""

    least: float
    most: float

    def check(self, name: str, value: float) -> None:
        """Raises ValueError, with the name and the range, for a value outside it."""
        if not self.least <= value <= self.most:
            raise ValueError(f"{name} is {value:g}: wanted is a number from {self}")

    def __str__(self) -> str:
        return f"{self.least:.12g} to {self.most:.12g}"


EXPECTED = Range(0, 5)
"""Faults expected on a board: nobody mends boards with more than some."""
COST = Range(0, 1e6)

Share = Annotated[float, Range(0, 1)]
Factor = Annotated[float, Range(0, 10)]
Cost = Annotated[float, COST]


class Ranged(Struct, frozen=True, forbid_unknown_fields=True):
    """A table of settings whose numbers are annotated with their ranges.

    Raises ValueError where a number is outside its range, whoever makes the table.
    """

    def __post_init__(self) -> None:
        for name, within in ranges(type(self)).items():
            value = getattr(self, name)
            if value is not None:
                within.check(name, value)


@cache
def ranges(table: type[Struct]) -> dict[str, Range]:
    """The range of each number of a table of settings."""
    hints = get_type_hints(table, include_extras=True)
    return {name: found for name, hint in hints.items() if (found := _range(hint)) is not None}


def _range(hint: Any) -> Range | None:
    """The range in an annotation, also where the field may be left empty."""
    if isinstance(hint, Range):
        return hint
    parts = (*getattr(hint, "__metadata__", ()), *get_args(hint))
    return next((found for part in parts if (found := _range(part)) is not None), None)
