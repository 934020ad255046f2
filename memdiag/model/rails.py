"""Ohm readings without a dump, judged. Types only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from memdiag.model.verdict import Verdict


@dataclass(frozen=True, slots=True)
class RailReading:
    """One reading, judged by itself: probabilities of normal, low (through a chip) and short."""

    rail: str
    ohms: float
    trend: str | None
    without: tuple[str, ...]
    chances: Mapping[str, float]

    @property
    def likeliest(self) -> str:
        return max(self.chances.items(), key=lambda kv: kv[1])[0]

    @property
    def word(self) -> str:
        """`good`, `good so far` (still rising), `a few ohms`, `short` or `between`."""
        if math.isinf(self.ohms):
            return "over range: no contact, or open"
        state = self.likeliest
        if self.chances[state] < 0.6:
            return "between"
        if state == "normal":
            return "good so far" if self.trend == "rising" else "good"
        return "low, through a chip" if state == "low" else "short, at a capacitor or dead package"


@dataclass(frozen=True, slots=True)
class RailsReport:
    """Everything that follows from the readings."""

    verdict: Verdict
    readings: tuple[RailReading, ...]
    accounted: tuple[tuple[str, float], ...]
    """(rail, ohms) of what was taken off, from the readings with and without it."""
    injections: tuple[tuple[str, float, float, float, str | None], ...]
    """(rail, volts, amps, watts, warning) of an injection at each low rail."""
    cautions: tuple[str, ...] = ()
    """What to mind with meter and supply, beside the cautions of the verdict."""
