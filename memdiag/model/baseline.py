"""What healthy looks like on a board, learnt from known good ones. Types only."""

from __future__ import annotations

from msgspec import Struct


class HealthyEye(Struct, frozen=True):
    """A figure of healthy eyes: `what` is width or height, `unit` UI, s, V, % or tap; of one lane,
    or of all where `lane` is None. `centre` is in that unit, `spread` the standard deviation of its
    natural log, from board to board and lane to lane together."""

    what: str
    unit: str
    step: str
    lane: int | None
    centre: float
    spread: float


class HealthySlope(Struct, frozen=True):
    """How much later each lane of a channel comes than the one before it, in taps a lane; `spread`
    is the standard deviation of that, from channel to channel and board to board."""

    step: str
    taps: float
    spread: float


class HealthyRail(Struct, frozen=True):
    """A rail to ground with everything fitted: ohms, and the standard deviation of their log."""

    rail: str
    ohms: float
    spread: float


class Baseline(Struct, frozen=True):
    """The healthy reference of a board, from so many boards. `error_floor`: wrong bits per bit
    that good boards show at most, at 95 % one-sided; None where none was counted."""

    boards: int
    eyes: tuple[HealthyEye, ...] = ()
    slopes: tuple[HealthySlope, ...] = ()
    rails: tuple[HealthyRail, ...] = ()
    error_floor: float | None = None

    def eye(self, what: str, unit: str, step: str, lane: int | None) -> HealthyEye | None:
        """The healthy figure of that kind: of the lane where it has its own, else of all lanes."""
        kind = [e for e in self.eyes if (e.what, e.unit, e.step) == (what, unit, step)]
        own = (e for e in kind if e.lane == lane)
        return next(own, next((e for e in kind if e.lane is None), None))

    def rail(self, name: str) -> HealthyRail | None:
        return next((r for r in self.rails if r.rail == name), None)
