"""Counts that scatter more than independent errors would, and comparing rates all the same.

Errors on memory come in bursts: one bad row read again and again. Repeats of one test then have a
variance far above their mean, and a test that takes each error as an event of its own calls any
two runs different.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct
from msgspec.structs import asdict

from memdiag.stats.rate_ratio import Conditional, conditional_test


class Dispersion(Struct, frozen=True):
    """How far repeats scatter. `index` is the variance in means: 1 for independent errors
    (Pearson's chi-square over its degrees of freedom); None where fewer than two repeats or no
    errors leave it unknown."""

    rate: float
    index: float | None
    freedom: int


def overdispersion(counts: Sequence[float], exposures: Sequence[float]) -> Dispersion:
    """Scatter of repeats of one measurement, each with its own exposure (bits).

    Raises ValueError where the two differ in length, an exposure is not above zero or a count is
    negative.
    """
    if len(counts) != len(exposures):
        raise ValueError(f"{len(counts)} counts with {len(exposures)} exposures")
    if any(not t > 0 for t in exposures) or any(not n >= 0 for n in counts):
        raise ValueError("exposures are above zero and counts never negative")
    total, exposure = math.fsum(counts), math.fsum(exposures)
    rate = total / exposure if exposure else 0.0
    freedom = len(counts) - 1
    if freedom < 1 or total == 0:
        return Dispersion(rate, None, max(freedom, 0))
    means = [rate * t for t in exposures]
    chi2 = math.fsum((n - m) ** 2 / m for n, m in zip(counts, means, strict=True))
    return Dispersion(rate, chi2 / freedom, freedom)


class RateComparison(Conditional, frozen=True):
    """The first rate over the second, allowing for scatter. `dispersion` is what the counts were
    divided by (1: taken as independent), estimated with `freedom` degrees of freedom; None
    degrees: it was not estimated, there were no repeats."""

    dispersion: float
    freedom: int | None


def compare_replicates(
    counts1: Sequence[float],
    exposures1: Sequence[float],
    counts2: Sequence[float],
    exposures2: Sequence[float],
    *,
    confidence: float = 0.95,
) -> RateComparison:
    """Compare two rates of which each was measured by repeats (passes, attempts, lanes).

    The dispersion is pooled over both groups (quasi-Poisson), the counts and exposures are
    divided by it (Rao and Scott 1992, Biometrics 48:577) and the exact conditional test is made
    of the effective counts, so that a zero count needs no special care. That the dispersion is
    itself an estimate is allowed for as in a t test: the normal score of the effective counts is
    read from Student's distribution with the repeats' degrees of freedom. Where errors were seen
    at all, at least one independent event is left.
    """
    n1, t1 = math.fsum(counts1), math.fsum(exposures1)
    n2, t2 = math.fsum(counts2), math.fsum(exposures2)
    parts = [overdispersion(c, t) for c, t in ((counts1, exposures1), (counts2, exposures2))]
    known = [p for p in parts if p.index is not None]
    freedom = sum(p.freedom for p in known)
    pooled = sum((p.index or 0.0) * p.freedom for p in known) / freedom if known else 1.0
    if pooled <= 1:
        plain = conditional_test(n1, t1, n2, t2, confidence=confidence)
        return RateComparison(**asdict(plain), dispersion=1.0, freedom=freedom if known else None)
    pooled = min(pooled, max(n1, n2))
    test = conditional_test(n1 / pooled, t1, n2 / pooled, t2, confidence=confidence)
    wide = max(1.0, min(pooled * _student_over_normal(confidence, freedom) ** 2, max(n1, n2)))
    limits = conditional_test(n1 / wide, t1, n2 / wide, t2, confidence=confidence)
    # However the errors hang together, those of one run are at least one event.
    lone = conditional_test(n1 / max(n1, n2), t1, n2 / max(n1, n2), t2)
    less = min(_as_student(test.p_less, freedom), lone.p_less)
    greater = min(_as_student(test.p_greater, freedom), lone.p_greater)
    return RateComparison(
        test.ratio,
        limits.low,
        limits.high,
        min(1.0, 2 * min(less, greater)),
        less,
        greater,
        confidence,
        pooled,
        freedom,
    )


def _student_over_normal(confidence: float, freedom: int) -> float:
    from scipy import special

    upper = (1 + confidence) / 2
    return float(special.stdtrit(freedom, upper) / special.ndtri(upper))


def _as_student(p: float, freedom: int) -> float:
    """The tail of Student's distribution beyond the normal score that has the tail `p`."""
    from scipy import special

    if p >= 0.5:  # the discrete test's two tails overlap; nothing to widen there
        return p
    # The score comes from the logarithm of p: p itself may be far below the smallest float.
    score = special.ndtri_exp(math.log(p)) if p > 0 else -40.0
    return float(special.stdtr(freedom, score))


class Effective(Struct, frozen=True):
    """How many independent events some errors amount to: the errors over `dispersion`, at least
    one where there was any error. `freedom` None: one count tells no scatter, taken as 1."""

    events: float
    dispersion: float
    freedom: int | None


def effective_events(
    counts: Sequence[float], exposures: Sequence[float], confidence: float = 0.95
) -> Effective:
    """The errors of repeats as independent events, the dispersion enlarged for being an estimate
    (as an interval of Student's is wider than a normal one)."""
    n = math.fsum(counts)
    seen = overdispersion(counts, exposures)
    if seen.index is None:
        return Effective(n, 1.0, None)
    if seen.index <= 1:
        return Effective(n, 1.0, seen.freedom)
    wide = max(1.0, seen.index * _student_over_normal(confidence, seen.freedom) ** 2)
    return Effective(n / min(wide, n), min(wide, n), seen.freedom)
