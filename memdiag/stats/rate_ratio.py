"""Two counts compared, exactly. Re-exported by `rates`, where the conventions stand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from memdiag.stats.limits import binomial_limits


@dataclass(frozen=True, slots=True)
class Conditional:
    """Two counts compared given their sum (Przyborowski and Wilenski 1940, Biometrika 31:313).

    `ratio` is the first rate over the second, None where the second count (or both) is zero.
    `p_less` is the chance of so few in the first where the ratio is the one tested, `p_greater`
    of so many, `p` two-sided by `convention`:
    `central` = twice the smaller of the two, at most 1; `minlike` = the sum of all outcomes no
    likelier than the one seen. The two can lie on different sides of 0.05. The interval is the
    central one under either (Clopper-Pearson on the share of the first count)."""

    ratio: float | None
    low: float
    high: float
    p: float
    p_less: float
    p_greater: float
    confidence: float
    convention: str


def conditional_test(
    n1: float,
    t1: float,
    n2: float,
    t2: float,
    ratio: float = 1.0,
    *,
    two_sided: Literal["central", "minlike"] = "central",
    confidence: float = 0.95,
) -> Conditional:
    """Is the rate `n1` in `t1` that times `ratio` the rate `n2` in `t2`? Exact.

    Counts need not be whole under `central`: divided by their dispersion they are the effective
    counts of Rao and Scott (1992).
    Raises ValueError for a negative count or an exposure that is not above zero.
    """
    if not (n1 >= 0 and n2 >= 0 and t1 > 0 and t2 > 0 and ratio > 0):
        raise ValueError(f"no rates to compare: {n1} in {t1} with {n2} in {t2}, ratio {ratio}")
    if n1 == n2 == 0:
        return Conditional(None, 0.0, math.inf, 1.0, 1.0, 1.0, confidence, two_sided)
    share = ratio * t1 / (ratio * t1 + t2)
    rest = t2 / (ratio * t1 + t2)
    less, greater = _binomial_tails(n1, n2, share, rest)
    p = min(1.0, 2 * min(less, greater))
    if two_sided == "minlike":
        p = _minlike(n1, n2, share, less, greater)
    low, high = binomial_limits(n1, n1 + n2, confidence)
    return Conditional(
        (n1 / t1) / (n2 / t2) if n2 > 0 else None,
        low / (1 - low) * (t2 / t1) if low < 1 else math.inf,
        high / (1 - high) * (t2 / t1) if high < 1 else math.inf,
        p,
        less,
        greater,
        confidence,
        two_sided,
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


def _minlike(n1: float, n2: float, share: float, less: float, greater: float) -> float:
    """The two-sided p that adds up the outcomes no likelier than the one seen."""
    if n1 != int(n1) or n2 != int(n2):
        raise ValueError("minlike needs whole counts: use central for effective counts")
    from scipy import special

    seen, total = int(n1), int(n1 + n2)

    def log_chance(k: int) -> float:
        """Without the factor all outcomes share."""
        odds = math.log(share) - math.log1p(-share)
        return float(k * odds - special.gammaln(k + 1) - special.gammaln(total - k + 1))

    # Equal chances must count as equal in spite of rounding, which grows with the terms.
    limit = log_chance(seen) + 1e-7 + 1e-14 * total
    mode = min(total, int((total + 1) * share))
    above = seen < mode  # the other side lies above the mode
    step: Sequence[int] = range(mode, total + 1) if above else range(mode, -1, -1)
    at, end = 0, len(step)
    while at < end:  # the chances fall from the mode outwards: halve for the first small one
        half = (at + end) // 2
        if log_chance(step[half]) <= limit:
            end = half
        else:
            at = half + 1
    if at == len(step):
        return less if above else greater
    far_less, far_greater = _binomial_tails(step[at], total - step[at], share, 1 - share)
    return min(1.0, less + far_greater if above else greater + far_less)
