"""Ohm readings without a dump, judged. Types only."""

from __future__ import annotations

import math
from collections.abc import Mapping

from msgspec import Struct

from memdiag.model.verdict import Verdict


class RailReading(Struct, frozen=True):
    """One reading, judged by itself: probabilities of normal, low (through a chip) and short.
    `known`: the board has such a rail; `least`: what a healthy one reads at the least, in ohm."""

    rail: str
    ohms: float
    trend: str | None
    without: tuple[str, ...]
    chances: Mapping[str, float]
    known: bool = True
    least: float | None = None

    @property
    def over_range(self) -> bool:
        return math.isinf(self.ohms)

    @property
    def moving(self) -> bool:
        """Whether the meter had not come to rest: a capacitor charged or drained."""
        return self.trend in ("rising", "falling")

    @property
    def likeliest(self) -> str:
        return max(self.chances.items(), key=lambda kv: kv[1])[0]

    @property
    def word(self) -> str:
        """`good`, `good so far` (not final), low, short or between, or why it is no answer."""
        if not self.known:
            return "no such rail: used for nothing"
        if self.over_range:
            return "over range: no contact, or open"
        state = self.likeliest
        if self.chances[state] < 0.6:
            return "between"
        if state == "normal":
            if self.moving:
                return "good so far"
            return "good" if self.ohms >= (self.least or 0.0) else "lower than a healthy one"
        return "low, through a chip" if state == "low" else "short, at a capacitor or dead package"


class RailsReport(Struct, frozen=True):
    """Everything that follows from the readings."""

    verdict: Verdict
    readings: tuple[RailReading, ...]
    accounted: tuple[tuple[str, float], ...]
    """(rail, ohms) of what was taken off, from the readings with and without it."""
    injections: tuple[tuple[str, float, float, float, str | None], ...]
    """(rail, volts, amps, watts, warning) of an injection at each low rail."""
    cautions: tuple[str, ...] = ()
    """What to mind with meter, supply and hot air."""
