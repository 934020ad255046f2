"""Two counts compared, exactly."""

from __future__ import annotations

import math

from msgspec import Struct

from memdiag.stats.limits import binomial_limits


class Conditional(Struct, frozen=True):
    """Two counts compared given their sum (Przyborowski and Wilenski 1940, Biometrika 31:313).

    `ratio` is the first rate over the second, None where the second count (or both) is zero.
    `p_less` is the chance of so few in the first where the rates are equal, `p_greater` of so
    many, `p` two-sided and central: twice the smaller of the two, at most 1. The interval is
    central too (Clopper-Pearson on the share of the first count)."""

    ratio: float | None
    low: float
    high: float
    p: float
    p_less: float
    p_greater: float
    confidence: float


def conditional_test(
    n1: float, t1: float, n2: float, t2: float, *, confidence: float = 0.95
) -> Conditional:
    """Is the rate `n1` in `t1` the rate `n2` in `t2`? Exact. To ask for another ratio of the two,
    multiply `t1` by it.

    Counts need not be whole: divided by their dispersion they are the effective counts of Rao and
    Scott (1992).
    Raises ValueError for a negative count or an exposure that is not above zero.
    """
    if not (n1 >= 0 and n2 >= 0 and t1 > 0 and t2 > 0):
        raise ValueError(f"no rates to compare: {n1} in {t1} with {n2} in {t2}")
    if n1 == n2 == 0:
        return Conditional(None, 0.0, math.inf, 1.0, 1.0, 1.0, confidence)
    less, greater = _binomial_tails(n1, n2, t1 / (t1 + t2), t2 / (t1 + t2))
    low, high = binomial_limits(n1, n1 + n2, confidence)
    return Conditional(
        (n1 / t1) / (n2 / t2) if n2 > 0 else None,
        low / (1 - low) * (t2 / t1) if low < 1 else math.inf,
        high / (1 - high) * (t2 / t1) if high < 1 else math.inf,
        min(1.0, 2 * min(less, greater)),
        less,
        greater,
        confidence,
    )


def _binomial_tails(n1: float, n2: float, share: float, rest: float) -> tuple[float, float]:
    """P(X <= n1) and P(X >= n1) for X binomial of n1+n2 with chance `share`; `rest` = 1 - share.
    Closed forms where all events are on one side; counts may be fractions."""
    if n1 == 0:
        return math.exp(n2 * math.log(rest)) if rest > 0 else 0.0, 1.0
    if n2 == 0:
        return 1.0, math.exp(n1 * math.log(share)) if share > 0 else 0.0
    from scipy import special

    return float(special.betaincc(n1 + 1, n2, share)), float(special.betainc(n1, n2 + 1, share))
