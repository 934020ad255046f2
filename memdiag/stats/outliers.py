"""Which of a handful of readings stands apart.

With few readings the plain z score cannot fire: at most (n-1)/sqrt(n), 2.475 for eight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

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


def modified_z(values: Sequence[float], floor: float = 0.0) -> list[float]:
    """0.6745 (x - median) / MAD for each reading (Iglewicz and Hoaglin 1993, How to Detect and
    Handle Outliers); beyond +-3.5 it stands apart.

    `floor` is the finest difference the reading can show (one tap): the scale, as a sigma, is
    never less, so that one tap is no find. Without it, where more than half of the readings are
    equal, the MAD is zero and the mean absolute deviation takes its place (which those that stand
    apart make wide); where all are equal every score is 0.
    """
    if not values:
        return []
    middle = median(values)
    away = [abs(v - middle) for v in values]
    sigma = max(median(away) / QUARTILE, floor) or sum(away) / len(away) * _MEAN_TO_SIGMA
    return [(v - middle) / sigma if sigma else 0.0 for v in values]
