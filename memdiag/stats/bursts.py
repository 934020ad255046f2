"""One count before and one after: how far errors hang together is then not seen, but known roughly.

Repeats of one test would show it; without them it is drawn from what open measurements found: the
errors of 103 DDR3 modules, read again and again, had a variance of 5.6 to 15,751 times their
mean, median 791 (CMU-SAFARI, DIVA-DRAM, github.com/CMU-SAFARI/DIVA-DRAM). Every answer is the
mean over that distribution (Gauss-Hermite), with the errors divided by their dispersion (Rao and
Scott 1992, Biometrics 48:577). However they hang together, those of a run are one event at least.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from statistics import NormalDist
from typing import TYPE_CHECKING

from msgspec import Struct

from memdiag.stats.rate_ratio import Conditional, conditional_test

if TYPE_CHECKING:
    import numpy as np

    Floats = np.ndarray[tuple[int, ...], np.dtype[np.float64]]

NODES = 40
"""Of the quadrature."""

_HALVINGS = 50
_FAR = 1e12
"""No ratio of two rates, and no multiple of a run, is looked for beyond this."""


class Bursts(Struct, frozen=True):
    """A log-normal distribution of the dispersion (variance over mean, 1 for independent errors):
    its median, and the standard deviation of its logarithm."""

    median: float
    spread: float

    def __post_init__(self) -> None:
        if not (self.median >= 1 and self.spread >= 0):
            raise ValueError(f"a dispersion is 1 or more, not {self.median} +- {self.spread}")

    @classmethod
    def measured(cls, lowest: float, median: float, highest: float, count: int) -> Bursts:
        """From the extremes and the median of `count` readings: of so many normal readings the
        extremes lie where Blom (1958, Statistical Estimates and Transformed Beta-Variables) puts
        them."""
        reach = NormalDist().inv_cdf((count - 0.375) / (count + 0.25))
        return cls(median, math.log(highest / lowest) / (2 * reach))


INDEPENDENT = Bursts(1.0, 0.0)
MEASURED = Bursts.measured(5.6, 791.0, 15751.0, 103)


@cache
def _nodes(prior: Bursts) -> tuple[Floats, Floats]:
    """Dispersions, none below 1, and their weights, which sum to 1."""
    import numpy as np

    at, weights = np.polynomial.hermite_e.hermegauss(NODES)
    return (np.maximum(1.0, prior.median * np.exp(prior.spread * at)), weights / weights.sum())


def _mean(values: Floats, prior: Bursts) -> float:
    return float(values @ _nodes(prior)[1])


def chance_of_none(errors: float, multiple: float, prior: Bursts = MEASURED) -> float:
    """The chance of no error in a run `multiple` times as long as one that showed `errors`, at
    the same rate. The first error is an event; each further one opens another or belongs to one
    that is open. Raises ValueError for fewer than one error or a negative multiple."""
    import numpy as np

    if not (errors >= 1 and multiple >= 0):
        raise ValueError(f"no rate to exclude: {errors} errors, {multiple} times the run")
    events = 1 + (errors - 1) / _nodes(prior)[0]
    return _mean(np.exp(-events * multiple), prior)


def multiple_to_exclude(errors: float, level: float, prior: Bursts = MEASURED) -> float:
    """How many times as long a run without an error must be so that the chance of none is not
    above `level`. Raises ValueError for fewer than one error or a level not between 0 and 1."""
    if not 0 < level < 1:
        raise ValueError(f"a level is between 0 and 1, not {level}")
    return _crossing(lambda m: chance_of_none(errors, m, prior) <= level)


def compare_single(
    n1: float,
    t1: float,
    n2: float,
    t2: float,
    *,
    confidence: float = 0.95,
    prior: Bursts = MEASURED,
) -> Conditional:
    """The first rate over the second from one count each. The p values are means over the
    dispersion, and the limits are the ratios at which these are what is left in a tail.

    Raises ValueError for a negative count or an exposure that is not above zero.
    """
    plain = conditional_test(n1, t1, n2, t2, confidence=confidence)
    if n1 == n2 == 0:
        return plain
    events = _events(n1, n2, prior)

    def less(ratio: float) -> float:
        return _mean(_tails(events, ratio * t1 / t2, at_least=False), prior)

    def greater(ratio: float) -> float:
        return _mean(_tails(events, ratio * t1 / t2, at_least=True), prior)

    tail, unit = (1 - confidence) / 2, t2 / t1
    one, other = less(1.0), greater(1.0)
    return Conditional(
        plain.ratio,
        0.0 if n1 == 0 else unit * _crossing(lambda r: greater(r * unit) >= tail),
        math.inf if n2 == 0 else unit * _crossing(lambda r: less(r * unit) <= tail),
        min(1.0, 2 * min(one, other)),
        one,
        other,
        confidence,
    )


def _events(n1: float, n2: float, prior: Bursts) -> tuple[Floats, Floats]:
    import numpy as np

    dispersion = np.minimum(_nodes(prior)[0], max(n1, n2, 1.0))
    return n1 / dispersion, n2 / dispersion


def _tails(events: tuple[Floats, Floats], odds: float, *, at_least: bool) -> Floats:
    """P(X >= n1), or P(X <= n1), for X binomial of n1 + n2 at these odds, at each node. Counts may
    be fractions; closed forms where all events are on one side, as in the plain test."""
    import numpy as np

    first, second = events
    if not first.any():
        return np.ones_like(first) if at_least else np.exp(-second * math.log1p(odds))
    if not second.any():
        return np.exp(-first * math.log1p(1 / odds)) if at_least else np.ones_like(first)
    from scipy import special

    # DLMF 8.17.4 makes the lower tail the upper one of the other way round: both by one function,
    # for scipy's complement of it makes small steps where it changes its method.
    if at_least:
        found = special.betainc(first, second + 1, odds / (1 + odds))
    else:
        found = special.betainc(second, first + 1, 1 / (1 + odds))
    return np.asarray(found, dtype=np.float64)


def _crossing(beyond: Callable[[float], bool]) -> float:
    """The smallest figure from 1 / _FAR to _FAR that is `beyond`, by halving its logarithm."""
    low, high = math.log(1 / _FAR), math.log(_FAR)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if beyond(math.exp(middle)) else (middle, high)
    return math.exp(high)
