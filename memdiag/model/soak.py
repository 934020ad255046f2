"""How long to run to show a rate, and what a finished run shows. Types only, no arithmetic."""

from __future__ import annotations

from msgspec import Struct


class SoakStep(Struct, frozen=True):
    """Bits (and seconds, where a line rate is given) that show the rate with `errors` seen."""

    errors: int
    bits: int
    seconds: float | None


class SoakPlan(Struct, frozen=True):
    """`steps[0]` is the answer. `each_lane` is the time after which every single lane of the
    scope has shown the rate by itself, all running side by side; None where the scope is one
    lane or no line rate is given."""

    rate: float
    confidence: float
    sided: int
    scope: str
    lines: int
    line_rate: float | None
    share: float
    steps: tuple[SoakStep, ...]
    each_lane: float | None


class SoakProof(Struct, frozen=True):
    """What a run of `bits` with `errors` shows at `confidence`: `below` alone (one-sided), `low`
    and `high` together (two-sided)."""

    bits: int
    errors: int
    confidence: float
    below: float
    low: float
    high: float
    scope: str
    lines: int
