"""How many errors -> how likely that is in each state.

In a margin grade the error rate is the Gaussian tail in the middle of the eye: a healthy link works
at a Q of about eight, and what Q is above that of the sweep that found the eye's edges shrinks with
the width (Q scale and dual Dirac: Keysight M8000 guide, bathtub). Of other faults
rates are unknown over many decades. So each state has a spread of rates, not one, and the
likelihood of a count is averaged over it on a grid of log rates. Errors come in bursts; that only
sharpens the grid's peak, never moves it, and the spreads are wide enough not to care.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache, lru_cache, partial
from statistics import median

import numpy as np
from msgspec import Struct

from memdiag.evidence.covered import Cover, divisors
from memdiag.evidence.nodes import GRADES, IS_GRADE, LINK, MARGIN, VIEWS, Array, by_state
from memdiag.model.figures import Table
from memdiag.stats.bell import upper_tail

_F = Table("Error counts")

_GRID: Array = np.arange(-18.0, 0.001, 0.1, dtype=np.float64)  # log10 of the error rate per bit
_LOG_RATE = _GRID * math.log(10.0)
_LOG_MISS = np.log1p(-np.minimum(10.0**_GRID, 1 - 1e-12))

HEALTHY_Q = _F.derived(
    "healthy Q",
    8.2,
    "an error in 1e16 bits: what a link has whose eye is wide open at 1e-12 (Q 7.03)",
    "BER = erfc(Q / sqrt 2) / 2; J-BERT guide p. 244",
)
SWEEP_Q = _F.practice("sweep Q", 4.5, "Q at the edges of a printed eye: an error in 3e5 bits")
Q_PLAY = _F.practice("play of Q", 0.50, "standard deviation of a healthy link's Q")
RATE_PLAY = _F.practice("play of rates", 0.5, "decades; patterns stress a link more or less")
STRESS = _F.practice(
    "stress", 2.5, "decades for all of the width lost: tests are harder than sweeps"
)
NOT_MET = _F.practice("not met", 0.10, "share of tests that do not meet a fault that is there")
LEFT_OUT = _F.practice("left out", 0.16, "share of links that failed training and are not tested")
STRAY = _F.measured(
    "stray words",
    0.04,
    "chance that a sound lane shows a stray event of one to three words",
    "44 of 600 sound DDR3 packages in about 1e9 bits (DIVA-DRAM, SIGMETRICS 2017, own count)",
)
BURSTS = _F.practice("bursts", 0.5, "share of the places of a package in such noise that it hits")
NOISE_FROM = _F.practice("bursts from", -11.0, "decades of the error rate that such noise makes")
NOISE_TO = _F.practice("bursts to", -8.0, "the same at most, in a long test")
BITS_OF_BURSTS = _F.practice("bits of bursts", 64.0, "wrong bits of bursts in a short one at most")
STRAY_FALL = _F.practice("stray fall", 3.0, "power by which a stray event of more bits is rarer")
STRAY_MOST = 64
"""Wrong bits of a stray event: no more than a burst of a lane has."""


Ends = tuple[float, float, float, float]


def _rates(
    mode: str, least: float, knee: float, most: float, below: float, source: str = ""
) -> Ends:
    """The ends of a mode's error rates: spread evenly up to a knee, and from there to the most."""
    upper = partial(_F.derived, source=source) if source else _F.practice
    says = f"decades of the error rate of {mode} places"
    return (
        _F.practice(f"{mode}, least", least, says),
        upper(f"{mode}, knee", knee, says + ": from here on for most"),
        upper(f"{mode}, most", most, says),
        _F.practice(f"{mode}, below", below, "share of them below the knee"),
    )


_RATES: dict[str, Ends] = {
    "array": _rates("array", -13.0, -5.0, -2.0, 0.90),
    # A test that stays within a page, or writes one word everywhere, meets few wrong words or none.
    "astray": _rates(
        "astray", -10.0, -1.6, -0.35, 0.40, "half of the addresses, half of the bits by chance"
    ),
    "stuck": _rates("stuck", -10.0, -1.7, -0.8, 0.15, "half of the bits of one line in eight"),
    "dead": _rates("dead", -6.0, -0.75, -0.2, 0.25, "half of the bits"),
}
_ONE_OF_EIGHT = _F.derived(
    "one line of eight", 0.9, "decades from the rate of a lane to that of its only bad line", "lg 8"
)
_ASTRAY_MISSED = _F.practice("not met, astray", 0.30, "tests that never leave a page meet none")
_NOTHING = {
    "place": {"array": NOT_MET, "astray": _ASTRAY_MISSED, "stuck": LEFT_OUT, "dead": LEFT_OUT},
    "line": {
        "array": _F.practice("not met, line", 0.45, "bad cells lie on some of the lines only"),
        "astray": _ASTRAY_MISSED,
        "stuck": _F.practice("left out, line", 0.02, "open lines that a test of their lane misses"),
        "dead": 0.0,
    },
}
"""Chance of no errors whatever the exposure."""


def _ranges(mode: str, kind: str) -> tuple[tuple[float, float, float], ...]:
    """(share, from, to) of the rates: a bad line has them for itself that its lane has."""
    least, knee, most, below = _RATES[mode]
    if kind == "line" and mode in ("array", "stuck"):
        least, knee = least + _ONE_OF_EIGHT, knee + _ONE_OF_EIGHT
        most = min(most + _ONE_OF_EIGHT, _RATES["dead"][2])
    return (below, least, knee), (1 - below, knee, most)


def q_at(healthy: Array, margin: float) -> Array:
    """Q at the middle of an eye of that log margin, where it is `healthy` with a whole one.

    A printed eye reaches to where the sweep calls a tap bad, and Q grows from there to the middle
    with the width that is left: Q = Qs + (Qh - Qs) * width share (dual Dirac: half of the width is
    (Q - Qs) times the random jitter).
    """
    return np.asarray(SWEEP_Q + (healthy - SWEEP_Q) * math.exp(margin))


def stressed(margin: float) -> float:
    """By how many decades a test errs more than the sweep of an eye of that log margin lets one
    expect, give or take as much again: its patterns are harder, which a whole eye does not mind."""
    return STRESS * -math.expm1(margin)


@cache
def _weights(kind: str) -> tuple[Array, Array]:
    """`(chance of none whatever the exposure (S,), mass on the grid (S, rates))`."""
    none = by_state(_NOTHING[kind], grades=np.where(MARGIN[IS_GRADE] < 0, NOT_MET, 0.0))
    grid = np.zeros((len(LINK), _GRID.size))
    q = np.linspace(HEALTHY_Q - 3 * Q_PLAY, HEALTHY_Q + 3 * Q_PLAY, 31)
    chance = np.exp(-0.5 * ((q - HEALTHY_Q) / Q_PLAY) ** 2)
    for i, state in enumerate(LINK):
        if state in GRADES:
            centre = np.log10(upper_tail(q_at(q, GRADES[state])))[:, None]
            more = stressed(GRADES[state])
            play = math.hypot(RATE_PLAY, more)
            grid[i] = chance @ np.exp(-0.5 * ((_GRID - centre - more) / play) ** 2)
        else:
            name = {"joined": "stuck", "mute": "dead", "absent": "dead"}.get(state, state)
            for share, low, high in _ranges(name, kind):
                inside = abs(_GRID - (low + high) / 2) <= (high - low) / 2 + 1e-9
                grid[i] += share * inside / inside.sum()
        grid[i] /= max(grid[i].sum(), 1e-300)
    return none, (1 - none)[:, None] * grid


@lru_cache(maxsize=256)
def _bursts(most: float) -> Array:
    """The weights of the rates of bursts, evenly up to that one (decades)."""
    inside = abs(_GRID - (NOISE_FROM + most) / 2) <= (most - NOISE_FROM) / 2 + 1e-9
    return np.asarray(inside / inside.sum(), dtype=np.float64)


def _most_noise(bits: float) -> float:
    """The greatest error rate (decades) of bursts in so many bits: one is much of a short test."""
    return max(NOISE_TO, math.log10(BITS_OF_BURSTS / max(bits, BITS_OF_BURSTS)))


_CAN_SHAKE = (MARGIN > -0.5) & (IS_GRADE | np.isin(LINK, ("array", "astray")))
"""A place that errs by itself hides such bursts."""
_STRAY = by_state({"array": STRAY, "stuck": 0.0, "dead": 0.0}, grades=STRAY)


@cache
def _stray_norm() -> float:
    return float(sum(n**-STRAY_FALL for n in range(1, STRAY_MOST + 1)))


def _stray(errors: int) -> float:
    """Chance that a stray event has this many wrong bits: short ones far more often."""
    return float(errors) ** -STRAY_FALL / _stray_norm() if 0 < errors <= STRAY_MOST else 0.0


class Common(Struct, frozen=True):
    """The rates (per bit) that lanes of a run have in common, 0 where there is none: `background`
    at which most lanes err alike, a few errors each, and `noise` of those that err at all, by which
    bursts from a fault elsewhere are known: they hit all places alike."""

    background: float = 0.0
    noise: float = 0.0


NO_NOISE = Common()


def common(lanes: Sequence[tuple[int, int]]) -> Common:
    """The common rates of lanes, from (errors, bits) of each."""
    erring = [(e, b) for e, b in lanes if e]
    noise = float(median([e / b for e, b in erring])) if len(erring) >= LEAST_ALIKE else 0.0
    most = _most_noise(float(median([b for _, b in erring]))) if noise else 0.0
    return Common(background(lanes), noise if noise < 10.0**most else 0.0)


LEAST_ALIKE = 3
"""Fewer lanes that err show no common rate."""

BACKGROUND_MOST = _F.practice("background", 6.0, "errors a lane that a board may have everywhere")
"""More is a fault of all."""


def background(lanes: Sequence[tuple[int, int]]) -> float:
    """The rate of errors that most lanes of a run share, from (errors, bits) of each: the median,
    0 with fewer than four lanes or where it would be more than a few errors a lane."""
    if len(lanes) < 4:
        return 0.0
    rate, bits = median([e / b for e, b in lanes]), median([b for _, b in lanes])
    return float(rate) if 0 < rate * bits <= BACKGROUND_MOST else 0.0


ALIKE = _F.practice("bursts alike", 0.75, "share of such noise at the rate that places share")
ALIKE_PLAY = _F.practice("alike within", 0.3, "decades by which rates in common differ")
IN_COMMON = _F.practice("background shared", 0.6, "share of sound lanes that err at that rate")


def _noise(rate: float, bits: float) -> Array:
    """The weights of the rates of bursts in so many bits, most about the run's common one."""
    grid = _bursts(round(_most_noise(bits), 1))
    return np.asarray(ALIKE * _about(rate) + (1 - ALIKE) * grid if rate else grid)


def _about(rate: float) -> Array:
    near = np.asarray(np.exp(-0.5 * ((_GRID - math.log10(rate)) / ALIKE_PLAY) ** 2), np.float64)
    return np.asarray(near / near.sum(), dtype=np.float64)


def _with_background(grid: Array, rate: float) -> Array:
    """The weights with most of a healthy lane's errors at the run's common rate."""
    grid = grid.copy()
    healthy = IS_GRADE & (MARGIN > -0.3)
    grid[healthy] = (1 - IN_COMMON) * grid[healthy] + IN_COMMON * _about(rate)
    return grid


ONE_LANE = Cover()


@lru_cache(maxsize=4096)
def count_loglik(
    errors: int, bits: float, kind: str = "place", cover: Cover = ONE_LANE, alike: Common = NO_NOISE
) -> Array:
    """(views, S) log likelihood of `errors` wrong of `bits` compared, in each view and state (kind
    place or line).

    `alike`: the rates that lanes of the run have in common. Most lanes of a run were counted
    alike: what is given out is kept, and not to be written to.
    """
    wanted = [divisors(state, cover) for state in LINK]
    tables = {n: _mean(errors, bits / n, kind, alike) for n in sorted(set().union(*wanted))}
    mean = np.array(
        [
            sum(p * tables[n][:, i] for n, p in ns.items()) / sum(ns.values())
            for i, ns in enumerate(wanted)
        ],
        dtype=float,
    )
    found = _by_view(mean.T)
    found.flags.writeable = False
    return found


_SHAKEN = np.array([view.shaken for view in VIEWS])


def _by_view(mean: Array) -> Array:
    """(2, S) likelihoods, left alone and shaken -> (views, S) logs."""
    return np.asarray(np.log(mean[_SHAKEN.astype(int)]))


def _mean(errors: int, bits: float, kind: str, alike: Common = NO_NOISE) -> Array:
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
    noise = float(_noise(alike.noise, exposure) @ like)
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

EXPOSURES = np.arange(
    _F.practice("compared from", 8.0, "decades of bits a lane, where a stress run does not say"),
    _F.practice("compared to", 12.5, "the same at most") + 0.1,
    0.5,
)


FEW = 3
CUT = _F.practice("list cut", 0.03, "share of places of whose many words a list shows a few only")


def _listed(words: int) -> Array:
    """(2, S) chance of so many error words, left alone and shaken."""
    return np.asarray(np.mean([_mean(words, 10.0**x, "place") for x in EXPOSURES], axis=0))


_NONE: Array = _listed(0)
SOME: Array = 1 - _NONE[0]
"""(S,) chance of any error at all."""
_FEW: Array = (1 - CUT) * np.sum([_listed(n) for n in range(1, FEW + 1)], axis=0) + CUT * (
    1 - _NONE
)


_SHORT = 4
_BROKEN = by_state({"stuck": 1, "joined": 1, "dead": 1, "mute": 1, "absent": 1}) > 0


def listed_loglik(words: int, *, common: bool = False, longest: int = 0) -> Array:
    """(views, S) log likelihood of `words` error words of a place in a list of unknown exposure,
    which may be cut: none, a few, or more, as lists are capped anywhere from 16 to thousands.

    `common`: most lanes of the run have a few, so that a few say nothing against this one.
    `longest`: the words listed of the lane with the most. What was tested there was tested here,
    and nearly all of it is wrong where a line, or all, does not work: a fourth of those words is
    few then, however many they are."""
    few = 0 < words <= FEW
    out = _FEW.copy() if few else 1 - _NONE - _FEW if words else _NONE
    if FEW < words < longest / _SHORT:
        out = np.where(_BROKEN, _FEW, out)
    if common and few:
        out[:, (MARGIN > -0.3) & IS_GRADE] = out.max()
    return _by_view(out)
