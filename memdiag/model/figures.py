"""The figures of judgement, each kept with what it says and where it comes from.

A module that judges keeps its figures in one `Table`. Asking the table for a figure gives a plain
number and enters it, so that the page of figures is made from the code itself and none is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeVar

from msgspec import Struct, field

K = TypeVar("K", str, float)


class Origin(StrEnum):
    """Where a figure comes from."""

    MEASURED = "measured"  # the source says by whom, on what
    DERIVED = "derived"  # the source names the formula or the standard
    FITTED = "fitted"  # by the script of the accuracy measure, on its tuning seeds
    PRACTICE = "common practice"  # no source


class Figure(Struct, frozen=True):
    """One figure: its name in its table, its value, what it says, and where it comes from."""

    name: str
    value: float
    says: str
    origin: Origin
    source: str = ""


TABLES: dict[str, Table] = {}
"""All tables by their titles, in the order in which they were made."""

OVERRIDES: dict[tuple[str, str], float] = {}
"""(title, name) -> another value, set before the module of the table is imported: how a fit tries
one. Empty in all other use."""


class Table(Struct):
    """The figures of one mechanism or one kind of evidence."""

    title: str
    figures: dict[str, Figure] = field(default_factory=dict)

    def __post_init__(self) -> None:
        TABLES[self.title] = self

    def practice(self, name: str, value: float, says: str) -> float:
        """A figure of the trade without a source."""
        return self._enter(Figure(name, value, says, Origin.PRACTICE))

    def derived(self, name: str, value: float, says: str, source: str) -> float:
        """A figure that follows from a formula or a standard."""
        return self._enter(Figure(name, value, says, Origin.DERIVED, source))

    def measured(self, name: str, value: float, says: str, source: str) -> float:
        """A figure that was measured elsewhere."""
        return self._enter(Figure(name, value, says, Origin.MEASURED, source))

    def fitted(self, name: str, value: float, says: str) -> float:
        """A figure that the fit chose."""
        return self._enter(Figure(name, value, says, Origin.FITTED))

    def each(self, name: str, values: Mapping[K, float], says: str) -> dict[K, float]:
        """Figures of the trade that say the same of several things: of states, say, or of the
        values of a distribution."""
        return {
            of: self.practice(f"{name} {_label(of)}", value, says) for of, value in values.items()
        }

    def _enter(self, figure: Figure) -> float:
        value = OVERRIDES.get((self.title, figure.name), figure.value)
        if figure.name in self.figures:
            raise ValueError(f"{self.title}: {figure.name} is entered twice")
        self.figures[figure.name] = Figure(
            figure.name, value, figure.says, figure.origin, figure.source
        )
        return value


def _label(of: str | float) -> str:
    return str(of) if isinstance(of, str) else f"{of:g}"
