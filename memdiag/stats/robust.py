"""Middle, spread and line of readings some of which may be wild."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from msgspec import Struct

from memdiag.stats.outliers import QUARTILE, median

_SMALL = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
"""What the scaled MAD of so few normal readings falls short of sigma by (Croux and Rousseeuw 1992,
Computational Statistics 1:411); the figures are from memory, the tests hold them to simulation."""

STEP_ERROR = 1 / math.sqrt(12)
"""Standard deviation of a reading in whole steps, in steps: that of a uniform distribution."""


def deviation(values: Sequence[float]) -> float:
    """The standard deviation of normal readings by their median absolute deviation, corrected for
    few of them; 0 for one. Half of the readings may be wild. Raises ValueError for no values."""
    middle, n = median(values), len(values)
    short = _SMALL.get(n, n / (n - 0.8)) if n > 1 else 1.0
    return short * median([abs(v - middle) for v in values]) / QUARTILE


def spread(groups: Sequence[Sequence[float]], expected: float) -> float:
    """The standard deviation of a reading of a group that was not seen, from those of groups (lanes
    of boards): within a group and from group to group together.

    How far groups lie apart is known badly from few of them, and not at all from one: the
    `expected` standard deviation counts as one more group (the scaled inverse chi-square prior of
    one degree of freedom; Gelman et al., Bayesian Data Analysis, 3rd edition, section 2.6).

    Raises ValueError for no groups or an empty one.
    """
    middles = [median(group) for group in groups]
    n = len(groups)
    between = math.sqrt((expected**2 + (n - 1) * deviation(middles) ** 2) / n)
    inside = [
        # k readings lie closer to their own middle than to the true one.
        (value - middle) * math.sqrt(len(group) / (len(group) - 1))
        for group, middle in zip(groups, middles, strict=True)
        for value in group
        if len(group) > 1
    ]
    return math.hypot(between, deviation(inside) if inside else 0.0)


def factor_uncertain(groups: int, confidence: float = 0.95) -> float:
    """By how much the standard deviation from group to group may be larger than `spread` has it:
    its upper two-sided limit, with as many degrees of freedom as groups (one of them for what was
    expected)."""
    from scipy import special

    return math.sqrt(groups / (2 * float(special.gammaincinv(groups / 2, (1 - confidence) / 2))))


class Line(Struct, frozen=True):
    """`slope` of a line fitted to readings in whole steps, and its standard error, which is that of
    whole steps at the least."""

    slope: float
    error: float


def line(points: Sequence[tuple[float, float]]) -> Line | None:
    """The line through points of (x, y) by the median of all slopes between two of them (Theil
    1950; Sen 1968, Journal of the American Statistical Association 63:1379): up to 29 % of the
    points may be wild. None for fewer than three x."""
    xs = [x for x, _ in points]
    if len(set(xs)) < 3:
        return None
    slope = median([(d - b) / (c - a) for (a, b), (c, d) in combinations(points, 2) if a != c])
    n = len(points)
    # About a line that was fitted to them, two of the readings are no longer free.
    about = deviation([y - slope * x for x, y in points]) * math.sqrt(n / (n - 2))
    mean = math.fsum(xs) / n
    reach = math.sqrt(math.fsum((x - mean) ** 2 for x in xs))
    return Line(slope, math.hypot(about, STEP_ERROR) / reach)
