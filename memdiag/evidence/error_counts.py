"""How many errors -> how likely that is in each state.

In a margin grade the error rate is the Gaussian tail at that margin: a healthy link works at a Q of
about eight, and Q shrinks with the width (Q scale: Keysight M8000 guide, bathtub). Of other faults
rates are unknown over many decades. So each state has a spread of rates, not one, and the
likelihood of a count is averaged over it on a grid of log rates. Errors come in bursts; that only
sharpens the grid's peak, never moves it, and the spreads are wide enough not to care.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from memdiag.evidence.nodes import GRADES, IS_GRADE, LINK, MARGIN, VIEWS, Array, by_state, graded
from memdiag.model.figures import Table
from memdiag.stats.bell import upper_tail

_F = Table("Error counts")

_GRID: Array = np.arange(-18.0, 0.001, 0.1, dtype=np.float64)  # log10 of the error rate per bit
_LOG_RATE = _GRID * math.log(10.0)
_LOG_MISS = np.log1p(-np.minimum(10.0**_GRID, 1 - 1e-12))

HEALTHY_Q = _F.derived(
    "healthy Q",
    8.0,
    "an error in 1.6e15 bits: what a link has whose eye is wide open at 1e-12 (Q 7.03)",
    "BER = erfc(Q / sqrt 2) / 2; J-BERT guide p. 244",
)
Q_PLAY = _F.practice("play of Q", 0.50, "standard deviation of a healthy link's Q")
RATE_PLAY = _F.practice("play of rates", 0.5, "decades; patterns stress a link more or less")
NOT_MET = _F.practice("not met", 0.10, "share of tests that do not meet a fault that is there")
LEFT_OUT = _F.practice("left out", 0.16, "share of links that failed training and are not tested")
STRAY = _F.measured(
    "stray words",
    0.04,
    "chance that a sound lane shows a stray event of one to three words",
    "44 of 600 sound DDR3 packages in about 1e9 bits (DIVA-DRAM, SIGMETRICS 2017, own count)",
)
BURSTS = _F.practice("bursts", 0.5, "share of pulled places that noise from elsewhere hits")
NOISE_FROM, NOISE_TO = -11.0, -6.0
"""Decades of the error rate that bursts of noise from a fault elsewhere make."""
STRAY_FALL = 3.0
STRAY_MOST = 64

# Of each mode: (share, from, to) of the rate, in decades; half of the bits of a dead lane are
# wrong, half of one of eight lines of a lane with an open one (derived), or anything below.
_HALF, _EIGHTH = (-0.75, -0.2), (-1.7, -0.8)
_RATES: dict[str, dict[str, tuple[tuple[float, float, float], ...]]] = {
    "place": {
        "array": ((0.90, -13, -5), (0.10, -5, -2)),
        # Half of the addresses give another word, and half of its bits are wrong by chance; a
        # test that stays within a page, or writes one word everywhere, meets few of them or none.
        "astray": ((0.20, -10, -4), (0.20, -4, -1.6), (0.60, -1.6, -0.35)),
        "stuck": ((0.30, -10, -1.7), (0.70, *_EIGHTH)),
        "dead": ((0.25, -4, -0.75), (0.75, *_HALF)),
    },
    "line": {
        "array": ((0.85, -12, -4), (0.15, -4, -1)),
        "astray": ((0.20, -10, -4), (0.20, -4, -1.6), (0.60, -1.6, -0.35)),
        "stuck": ((0.30, -9, -0.95), (0.70, -0.95, -0.2)),
        "dead": ((0.15, -3, -0.75), (0.85, *_HALF)),
    },
}
_NOTHING = {
    "place": {"array": NOT_MET, "astray": 0.30, "stuck": LEFT_OUT, "dead": LEFT_OUT},
    "line": {"array": 0.45, "astray": 0.30, "stuck": 0.02, "dead": 0.02},
}
"""Chance of no errors whatever the exposure: cells lie on some of the lines only."""


@cache
def _weights(kind: str) -> tuple[Array, Array]:
    """`(chance of none whatever the exposure (S,), mass on the grid (S, rates))`."""
    none = by_state(_NOTHING[kind], grades=np.where(MARGIN[IS_GRADE] < 0, NOT_MET, 0.0))
    grid = np.zeros((len(LINK), _GRID.size))
    q = np.linspace(HEALTHY_Q - 3 * Q_PLAY, HEALTHY_Q + 3 * Q_PLAY, 31)
    chance = np.exp(-0.5 * ((q - HEALTHY_Q) / Q_PLAY) ** 2)
    for i, state in enumerate(LINK):
        if state in GRADES:
            centre = np.log10(upper_tail(q * math.exp(GRADES[state])))[:, None]
            grid[i] = chance @ np.exp(-0.5 * ((_GRID - centre) / RATE_PLAY) ** 2)
        else:
            name = {"joined": "stuck", "mute": "dead", "absent": "dead"}.get(state, state)
            for share, low, high in _RATES[kind][name]:
                inside = abs(_GRID - (low + high) / 2) <= (high - low) / 2 + 1e-9
                grid[i] += share * inside / inside.sum()
        grid[i] /= max(grid[i].sum(), 1e-300)
    return none, (1 - none)[:, None] * grid


_NOISE: Array = np.float64(1.0) * ((_GRID >= NOISE_FROM - 1e-9) & (_GRID <= NOISE_TO + 1e-9))
_NOISE /= _NOISE.sum()
_CAN_SHAKE = (MARGIN > -0.5) & (IS_GRADE | np.isin(LINK, ("array", "astray")))
"""A place that errs by itself hides such bursts."""
_STRAY = by_state({"array": STRAY, "stuck": 0.0, "dead": 0.0}, grades=STRAY)


@cache
def _stray_norm() -> float:
    return float(sum(n**-STRAY_FALL for n in range(1, STRAY_MOST + 1)))


def _stray(errors: int) -> float:
    """Chance that a stray event has this many wrong bits: short ones far more often."""
    return float(errors) ** -STRAY_FALL / _stray_norm() if 0 < errors <= STRAY_MOST else 0.0


@dataclass(frozen=True, slots=True)
class Common:
    """The rates (per bit) that lanes of a run have in common, 0 where there is none: `background`
    at which most lanes err alike, a few errors each, and `noise` of those that err at all, by which
    bursts from a fault elsewhere are known: they hit all places alike."""

    background: float = 0.0
    noise: float = 0.0


def common(lanes: Sequence[tuple[int, int]]) -> Common:
    """The common rates of lanes, from (errors, bits) of each."""
    rates = [e / b for e, b in lanes if e]
    noise = float(np.median(rates)) if len(rates) >= LEAST_ALIKE else 0.0
    return Common(background(lanes), noise if noise < 10.0**NOISE_TO else 0.0)


LEAST_ALIKE = 3
"""Fewer lanes that err show no common rate."""

BACKGROUND_MOST = 6.0
"""A common rate counts as background up to this many errors a lane: more is a fault of all."""


def background(lanes: Sequence[tuple[int, int]]) -> float:
    """The rate of errors that most lanes of a run share, from (errors, bits) of each: the median,
    0 with fewer than four lanes or where it would be more than a few errors a lane."""
    if len(lanes) < 4:
        return 0.0
    rate, bits = np.median([e / b for e, b in lanes]), np.median([b for _, b in lanes])
    return float(rate) if 0 < rate * bits <= BACKGROUND_MOST else 0.0


def _noise(rate: float) -> Array:
    """The weights of the rates of bursts, most of them about the run's common one."""
    if not rate:
        return _NOISE
    alike = _about(rate)
    return np.asarray(0.75 * alike + 0.25 * _NOISE, dtype=np.float64)


def _about(rate: float) -> Array:
    near = np.asarray(np.exp(-0.5 * ((_GRID - math.log10(rate)) / 0.3) ** 2), np.float64)
    return np.asarray(near / near.sum(), dtype=np.float64)


def _with_background(grid: Array, rate: float) -> Array:
    """The weights with half of a healthy lane's errors at the run's common rate."""
    grid = grid.copy()
    healthy = IS_GRADE & (MARGIN > -0.3)
    grid[healthy] = 0.4 * grid[healthy] + 0.6 * _about(rate)
    return grid


@dataclass(frozen=True, slots=True)
class Cover:
    """What a count covers: lanes in all, and lanes of one package among them."""

    lanes: int = 1
    of_package: int = 1


def _divisors(state: str, cover: Cover) -> tuple[float, ...]:
    """Which share of what a count covers may be in the state, as divisors of its exposure: nobody
    knows whether one lane is that bad or all of a package, but a package that is gone takes all its
    lanes and an open strobe one."""
    lane, package = float(cover.lanes), cover.lanes / cover.of_package
    if state == "absent":
        return (package,)
    if state == "mute":
        return (package, min(lane, 2 * package))
    if state in ("stuck", "joined", "dead"):
        return (lane,)
    return (1.0, package, lane)


def count_loglik(
    errors: int, bits: float, kind: str = "place", cover: Cover = Cover(), alike: Common = Common()
) -> Array:
    """(views, S) log likelihood of `errors` wrong of `bits` compared, in each view and state (kind
    place or line).

    `alike`: the rates that lanes of the run have in common.
    """
    wanted = [_divisors(state, cover) for state in LINK]
    tables = {n: _mean(errors, bits / n, kind, alike) for n in sorted(set().union(*wanted))}
    mean = np.array(
        [sum(tables[n][:, i] for n in ns) / len(ns) for i, ns in enumerate(wanted)], dtype=float
    )
    return _by_view(mean.T)


_SHAKEN = np.array([view.shaken for view in VIEWS])


def _by_view(mean: Array) -> Array:
    """(2, S) likelihoods, left alone and shaken -> (views, S) logs."""
    return np.asarray(np.log(mean[_SHAKEN.astype(int)]))


def _mean(errors: int, bits: float, kind: str, alike: Common = Common()) -> Array:
    """(2, S) the likelihood averaged over each state's rates, left alone and shaken, scaled alike
    for all."""
    exposure = max(bits, float(errors), 1.0)
    none, grid = _weights(kind)
    if alike.background > 0:
        grid = _with_background(grid, alike.background)
    log = errors * _LOG_RATE + (exposure - errors) * _LOG_MISS
    log = log + _log_ways(exposure, errors)
    if errors > STRAY_MOST:
        log = log - log.max()
    like = np.exp(log)
    mean: Array = grid @ like
    if errors == 0:
        mean = (1 - _STRAY) * (mean + none)
    else:
        # A stray event shows where the place itself had none, else it is lost among the others.
        clean = none + grid @ np.exp(exposure * _LOG_MISS)
        mean = mean + _STRAY * clean * _stray(errors)
    noise = float(_noise(alike.noise) @ like)
    shaken = np.where(_CAN_SHAKE, BURSTS * noise + (1 - BURSTS) * mean, mean)
    # A trace everywhere: no count is impossible in any state.
    least = 1e-14 * max(mean.max(), noise) + 1e-300
    return np.asarray(np.array([mean, shaken]) + least)


def _log_ways(n: float, k: int) -> float:
    """log of the binomial coefficient; for rare events in many bits its Poisson limit."""
    if n > 1e6:
        return k * math.log(n) - math.lgamma(k + 1)
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


# --- error words of an unknown exposure -------------------------------------------------------

EXPOSURES = np.arange(8.0, 12.6, 0.5)
"""Decades of bits that a stress run compares on a lane, where it does not say (common practice)."""


@cache
def unlisted_loglik() -> Array:
    """(views, S) log likelihood of no error word in a complete list, of nobody knows how many
    bits."""
    return _by_view(np.mean([_mean(0, 10.0**x, "place") for x in EXPOSURES], axis=0))


# Chances of a list of error words that may be cut anywhere: (a word at all, and of its length: the
# chance of more than few, as lists are capped anywhere from 16 to thousands).
_SOME = by_state(
    {"array": 0.90, "astray": 0.75, "stuck": 0.92, "dead": 0.92}, grades=graded(0.045, 0.95)
)
_MANY = by_state(
    {"array": 0.75, "astray": 0.90, "stuck": 0.96, "dead": 0.97}, grades=graded(0.03, 0.97)
)
FEW = 3
NOISE_MANY = 0.4


def listed_loglik(words: int, *, common: bool = False) -> Array:
    """(views, S) log likelihood of `words` error words of a place in a list of unknown exposure.

    `common`: most lanes of the run have a few, so that a few say nothing against this one."""
    out = _SOME * (_MANY if words > FEW else 1 - _MANY)
    if common and words <= FEW:
        out[(MARGIN > -0.3) & IS_GRADE] = out.max()
    noise = BURSTS * (NOISE_MANY if words > FEW else 1 - NOISE_MANY)
    shaken = np.where(_CAN_SHAKE, noise + (1 - BURSTS) * out, out)
    return _by_view(np.array([out, shaken]))
