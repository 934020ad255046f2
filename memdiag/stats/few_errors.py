"""Exact limits for a handful of errors, from the terms of the distribution itself.

Most dumps count none or a few errors a lane. For these the tail is a sum of a few dozen terms,
and finding where it crosses costs less than a millisecond; importing `scipy.special` for the
inverse of the incomplete beta function costs a quarter of a second. `limits` turns to this
module up to `MOST_ERRORS` errors, and to scipy above.

A trial count of None is the Poisson distribution, `rate` then its mean.
"""

from __future__ import annotations

import math
from collections.abc import Callable

MOST_ERRORS = 20
_HALVINGS = 53  # of a bracket of one octave: to the last bit of a float
_SPECK = 1e-17  # terms this small against their sum no longer change it


def poisson(n: int, tail: float) -> tuple[float, float]:
    """The means at which `n` or more, and `n` or fewer, events have the probability `tail`
    (Garwood 1936, Biometrika 28:437). For 0 < n."""
    return _limits(n, None, tail)


def binomial(errors: int, bits: float, tail: float) -> tuple[float, float]:
    """The same for a rate of errors per bit (Clopper and Pearson 1934, Biometrika 26:404).
    For 0 < errors < bits."""
    return _limits(errors, bits, tail)


def _limits(k: int, n: float | None, tail: float) -> tuple[float, float]:
    start = float(k) if n is None else k / n
    return (
        _crossing(lambda rate: _upper_tail(k, n, rate), tail, start, rising=True, top=n is None),
        _crossing(lambda rate: _lower_tail(k, n, rate), tail, start, rising=False, top=n is None),
    )


def _lower_tail(k: int, n: float | None, rate: float) -> float:
    """The probability of `k` or fewer: the first term, and each next one from the one before."""
    odds = rate if n is None else rate / (1 - rate)
    term = math.exp(-rate if n is None else n * math.log1p(-rate))
    total = term
    for i in range(1, k + 1):
        term *= odds / i * (1 if n is None else n - i + 1)
        total += term
    return total


def _upper_tail(k: int, n: float | None, rate: float) -> float:
    """The probability of `k` or more, summed from `k` up: one less a sum would lose its digits."""
    odds = rate if n is None else rate / (1 - rate)
    log = -rate if n is None else n * math.log1p(-rate)
    for i in range(1, k + 1):
        log += math.log(odds / i * (1 if n is None else n - i + 1))
    term = total = math.exp(log)
    i = k
    while term > _SPECK * total:
        i += 1
        term *= odds / i * (1 if n is None else max(n - i + 1, 0))
        total += term
        if n is not None and i >= n:
            break
    return min(total, 1.0)


def _crossing(
    chance: Callable[[float], float], wanted: float, start: float, *, rising: bool, top: bool
) -> float:
    """The rate at which `chance` is `wanted`. `top`: rates have no upper end, else it is 1."""

    def beyond(rate: float) -> bool:
        return (chance(rate) > wanted) is rising

    low = high = start
    while beyond(low):
        low /= 2
    while not beyond(high):
        high = high * 2 if top or high < 0.5 else (high + 1) / 2
        if high == 1:
            return 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if beyond(middle):
            high = middle
        else:
            low = middle
    return (low + high) / 2
