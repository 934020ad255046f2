"""Exact limits on one rate, and how long a run must be to show one. Re-exported by `rates`, where
the conventions stand."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from memdiag.stats import few_errors

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_BISECTIONS = 200


def _tail(confidence: float, sided: int) -> float:
    """The probability left in one tail."""
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence is between 0 and 1, not {confidence}")
    if sided not in (1, 2):
        raise ValueError(f"limits are one- or two-sided, not {sided}-sided")
    return (1 - confidence) / sided


def poisson_limits(n: float, confidence: float = 0.95, sided: int = 2) -> tuple[float, float]:
    """Exact limits on the mean of a count of which `n` was seen (Garwood 1936, Biometrika 28:437).

    Raises ValueError for a negative count.
    """
    tail = _tail(confidence, sided)
    if not n >= 0:
        raise ValueError(f"a count is never negative, not {n}")
    if n == 0:
        return 0.0, -math.log(tail)
    if n <= few_errors.MOST_ERRORS and n == int(n):
        return few_errors.poisson(int(n), tail)
    from scipy import special

    return float(special.gammaincinv(n, tail)), float(special.gammainccinv(n + 1, tail))


def poisson_limits_many(
    counts: npt.ArrayLike, confidence: float = 0.95, sided: int = 2
) -> tuple[Floats, Floats]:
    """`poisson_limits` for an array of counts; NaN stays NaN."""
    import numpy as np

    tail = _tail(confidence, sided)
    n = np.asarray(counts, np.float64)
    if np.any(n < 0):
        raise ValueError("a count is never negative")
    if not np.any(n > 0):
        return np.where(np.isnan(n), n, 0.0), np.where(np.isnan(n), n, -math.log(tail))
    from scipy import special

    low = np.where(n == 0, 0.0, special.gammaincinv(n, tail))
    return low, np.asarray(special.gammainccinv(n + 1, tail), np.float64)


def binomial_limits(
    errors: float, bits: float, confidence: float = 0.95, sided: int = 2
) -> tuple[float, float]:
    """Exact limits on a rate of which `errors` in `bits` were seen (Clopper and Pearson 1934,
    Biometrika 26:404). No bits: `(0, 1)`, nothing is known.

    Raises ValueError where errors are negative or more than the bits.
    """
    tail = _tail(confidence, sided)
    if not 0 <= errors <= bits:
        raise ValueError(f"{errors} errors in {bits} bits: not possible")
    if bits == 0:
        return 0.0, 1.0
    if errors == 0:
        return 0.0, -math.expm1(math.log(tail) / bits)
    if errors == bits:
        return math.exp(math.log(tail) / bits), 1.0
    if errors <= few_errors.MOST_ERRORS and errors == int(errors):
        return few_errors.binomial(int(errors), bits, tail)
    low, high = binomial_limits_many([errors], [bits], confidence, sided)
    return float(low[0]), float(high[0])


def binomial_limits_many(
    errors: npt.ArrayLike, bits: npt.ArrayLike, confidence: float = 0.95, sided: int = 2
) -> tuple[Floats, Floats]:
    """`binomial_limits` for arrays; where either is NaN the limits are NaN."""
    import numpy as np

    tail = _tail(confidence, sided)
    k, n = np.broadcast_arrays(np.asarray(errors, np.float64), np.asarray(bits, np.float64))
    unknown = np.isnan(k) | np.isnan(n)
    if np.any((k < 0) | (k > n)):
        raise ValueError("errors are never negative and never more than the bits compared")
    low = np.where(unknown, np.nan, 0.0)
    high = np.where(unknown, np.nan, 1.0)
    some = n > 0
    zero, all_ = some & (k == 0), some & (k == n)
    high[zero] = -np.expm1(math.log(tail) / n[zero])
    low[all_] = np.exp(math.log(tail) / n[all_])
    rest = some & ~zero & ~all_ & ~unknown
    if np.any(rest):
        low[rest], high[rest] = _between(k[rest], n[rest], tail)
    return low, high


def _between(k: Floats, n: Floats, tail: float) -> tuple[Floats, Floats]:
    """Clopper-Pearson limits for 0 < k < n.

    The incomplete beta function's inverse in scipy loses its way for very long runs (at 1000
    errors in 1e9 bits the lower limit comes out twice too large), while the function itself does
    not: each limit is checked against the tail it should have.
    """
    from scipy import special

    low = _checked(
        lambda x: special.betainc(k, n - k + 1, x), special.betaincinv(k, n - k + 1, tail), tail
    )
    high = _checked(
        lambda x: -special.betaincc(k + 1, n - k, x), special.betainccinv(k + 1, n - k, tail), -tail
    )
    return low, high


def _checked(rising: Callable[[Any], Any], found: Any, wanted: float) -> Any:
    """`found` where `rising` is `wanted` there, else the crossing found by halving."""
    import numpy as np

    bad = ~(np.abs(rising(found) / wanted - 1) < 1e-6)
    if not np.any(bad):
        return found
    low, high = np.zeros_like(found), np.ones_like(found)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        below = rising(middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(bad, (low + high) / 2, found)


def rate_upper_zero(bits: float, confidence: float = 0.95, sided: int = 1) -> float:
    """The rate that no error in `bits` excludes: exact, 3/bits at 95 % one-sided to within 0.2 %.

    Raises ValueError for no bits.
    """
    if not bits > 0:
        raise ValueError("without bits compared no rate is excluded")
    return binomial_limits(0, bits, confidence, sided)[1]


def mean_excluded(confidence: float, errors: int = 0, sided: int = 1) -> float:
    """The expected count that seeing only `errors` excludes: the number of bits times the rate
    (the N*BER of test-length tables: Redd 2000, Lightwave, April; 2.996 for 0 errors, 95 %)."""
    return poisson_limits(errors, confidence, sided)[1]


def bits_needed(rate: float, confidence: float, errors: int = 0, sided: int = 1) -> int:
    """Bits to compare so that seeing `errors` or fewer shows a rate below `rate`. By the Poisson
    limit, which asks for a shade more than the binomial one and so never for too few.

    Raises ValueError for a rate that is not between 0 and 1.
    """
    if not 0 < rate < 1:
        raise ValueError(f"a rate to show is above 0 and below 1, not {rate}")
    return math.ceil(mean_excluded(confidence, errors, sided) / rate)


def proven_rate(bits: float, errors: int, confidence: float = 0.95, sided: int = 1) -> float:
    """The reverse of `bits_needed`: the rate that a finished run lies below at that confidence."""
    return binomial_limits(errors, bits, confidence, sided)[1]


def wilson(
    errors: float, bits: float, confidence: float = 0.95, sided: int = 2
) -> tuple[float, float]:
    """Score limits on a rate (Wilson 1927, JASA 22:209). Shorter than the exact ones, and below
    their confidence for some rates: for display, never for a decision.

    Raises ValueError where errors are negative or more than the bits, or there are no bits.
    """
    from statistics import NormalDist

    if not (0 <= errors <= bits and bits > 0):
        raise ValueError(f"{errors} errors in {bits} bits: not possible")
    z = NormalDist().inv_cdf(1 - _tail(confidence, sided))
    rate, share = errors / bits, z * z / bits
    middle = (rate + share / 2) / (1 + share)
    half = z * math.sqrt(rate * (1 - rate) / bits + share / (4 * bits)) / (1 + share)
    # At the ends the exact value is 0 or 1; rounding would leave a speck.
    return (0.0 if errors == 0 else middle - half, 1.0 if errors == bits else middle + half)
