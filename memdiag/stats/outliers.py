"""Which of a handful of readings stands apart. Re-exported by `rates`.

With few readings the plain z score cannot fire: at most (n-1)/sqrt(n), 2.475 for eight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

QUARTILE = 0.6744897501960817
"""Upper quartile of the standard normal: what the MAD of normal readings is, in sigmas."""

FLAG = 3.5
"""A modified z beyond this stands apart (Iglewicz and Hoaglin 1993, section 3.3)."""

_MEAN_TO_SIGMA = math.sqrt(math.pi / 2)
"""Sigma over the mean absolute deviation, for normal readings."""


def median(values: Sequence[float]) -> float:
    """Raises ValueError for no values."""
    if not values:
        raise ValueError("no values have no median")
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def mad(values: Sequence[float]) -> float:
    """Median absolute deviation from the median, not scaled to sigma."""
    middle = median(values)
    return median([abs(v - middle) for v in values])


def modified_z(values: Sequence[float], floor: float = 0.0) -> list[float]:
    """0.6745 (x - median) / MAD for each reading (Iglewicz and Hoaglin 1993, How to Detect and
    Handle Outliers); beyond +-3.5 it stands apart.

    Where more than half of the readings are equal the MAD is zero and the mean absolute deviation
    takes its place; where all are equal every score is 0. `floor` is the finest difference the
    reading can show (one tap): the scale, as a sigma, is never less, so that one tap is no find.
    """
    if not values:
        return []
    middle = median(values)
    away = [abs(v - middle) for v in values]
    sigma = median(away) / QUARTILE or sum(away) / len(away) * _MEAN_TO_SIGMA
    sigma = max(sigma, floor)
    return [(v - middle) / sigma if sigma else 0.0 for v in values]


@dataclass(frozen=True, slots=True)
class Gesd:
    """`outliers` are indices into the values, most extreme first; `statistics` and `critical`
    hold each step's R and lambda."""

    outliers: tuple[int, ...]
    statistics: tuple[float, ...]
    critical: tuple[float, ...]


def gesd(values: Sequence[float], most: int, alpha: float = 0.05) -> Gesd:
    """Up to `most` outliers of near-normal readings, two-sided (generalized extreme Studentized
    deviate: Rosner 1983, Technometrics 25:165). Wants 25 readings or so; with fewer its level
    is approximate.

    Raises ValueError where `most` leaves fewer than two readings.
    """
    from scipy import special

    n = len(values)
    if not 1 <= most <= n - 2:
        raise ValueError(f"cannot look for {most} outliers among {n} readings")
    left = list(range(n))
    taken: list[int] = []
    statistics, critical = [], []
    for i in range(1, most + 1):
        mean = math.fsum(values[j] for j in left) / len(left)
        sigma = math.sqrt(math.fsum((values[j] - mean) ** 2 for j in left) / (len(left) - 1))
        worst = max(left, key=lambda j: abs(values[j] - mean))
        statistics.append(abs(values[worst] - mean) / sigma if sigma else 0.0)
        left.remove(worst)
        taken.append(worst)
        t = float(special.stdtrit(n - i - 1, 1 - alpha / (2 * (n - i + 1))))
        critical.append((n - i) * t / math.sqrt((n - i - 1 + t * t) * (n - i + 1)))
    found = max((i + 1 for i in range(most) if statistics[i] > critical[i]), default=0)
    return Gesd(tuple(taken[:found]), tuple(statistics), tuple(critical))
