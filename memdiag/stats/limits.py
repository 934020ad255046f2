"""Exact limits on one rate, and how long a run must be to show one. The conventions stand
in `memdiag.stats`."""

from __future__ import annotations

import math
from collections.abc import Callable

from memdiag.stats import few_errors

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
    return _between(errors, bits, tail)


def _between(k: float, n: float, tail: float) -> tuple[float, float]:
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


def _checked(rising: Callable[[float], float], found: float, wanted: float) -> float:
    """`found` where `rising` is `wanted` there, else the crossing found by halving."""
    if abs(rising(found) / wanted - 1) < 1e-6:
        return float(found)
    low, high = 0.0, 1.0
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < wanted else (low, middle)
    return (low + high) / 2


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
    """The reverse of `bits_needed`: the rate that a finished run lies below at that confidence;
    3/bits without errors at 95 % one-sided, to within 0.2 %."""
    return binomial_limits(errors, bits, confidence, sided)[1]
