"""How many errors -> how likely that is in each state.

Rates are unknown over many decades, so each state has a spread of rates, not one: the likelihood
of a count is averaged over it on a grid of log rates. Errors come in bursts; that only sharpens
the grid's peak, never moves it, and the spreads are wide enough not to care.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from memdiag.evidence.nodes import LINE, PLACE

_GRID = np.arange(-18.0, 0.001, 0.1)  # log10 of the error rate per bit
_LOG_RATE = _GRID * math.log(10.0)
_LOG_MISS = np.log1p(-np.minimum(10.0**_GRID, 1 - 1e-12))

Spread = tuple[float, tuple[tuple[float, float, float], ...]]

# For each state: the chance of no errors whatever the exposure, then (weight, from, to) decades.
_PLACE_RATES: dict[str, Spread] = {
    "sound": (0.945, ((0.055, -15, -9.2),)),
    "stray": (0.60, ((0.40, -14, -9.2),)),
    "disturbed": (0.55, ((0.42, -13, -8), (0.03, -8, -4))),
    "array": (0.08, ((0.85, -13, -5), (0.07, -5, -2))),
    # Half of the addresses give another word, and half of its bits are wrong by chance; a test
    # that stays within a page, or that writes one word everywhere, meets few of them or none.
    "astray": (0.30, ((0.15, -10, -4), (0.15, -4, -1.6), (0.40, -1.6, -0.35))),
    "thin": (0.14, ((0.70, -12, -4), (0.16, -4, -0.8))),
    # What failed its training is often left out of the stress run, so none counted is no proof.
    "line": (0.14, ((0.28, -10, -2), (0.58, -1.6, -0.85))),
    "joined": (0.14, ((0.20, -10, -2), (0.66, -1.7, -0.75))),
    "dead": (0.16, ((0.24, -4, -0.7), (0.60, -0.7, -0.2))),
    "mute": (0.18, ((0.14, -4, -0.7), (0.68, -0.7, -0.2))),
    "absent": (0.18, ((0.10, -4, -0.7), (0.72, -0.7, -0.2))),
}
_LINE_RATES: dict[str, Spread] = {
    "sound": (0.975, ((0.025, -14, -9),)),
    "stray": (0.70, ((0.30, -13, -8.5),)),
    "disturbed": (0.60, ((0.36, -12, -6), (0.04, -6, -3))),
    "array": (0.45, ((0.48, -12, -4), (0.07, -4, -1))),
    "astray": (0.30, ((0.15, -10, -4), (0.15, -4, -1.6), (0.40, -1.6, -0.35))),
    "thin": (0.20, ((0.60, -11, -3), (0.20, -3, -0.3))),
    "open": (0.02, ((0.30, -9, -1), (0.68, -0.9, -0.2))),
    "joined": (0.03, ((0.25, -9, -1), (0.72, -0.95, -0.2))),
    "dead": (0.02, ((0.13, -3, -0.7), (0.85, -0.7, -0.2))),
}


def _with_background(
    zero: npt.NDArray[np.float64], grid: npt.NDArray[np.float64], rate: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """The weights with half of a healthy lane's errors at the run's common rate."""
    centre = math.log10(rate)
    common = np.exp(-0.5 * ((_GRID - centre) / 0.3) ** 2)
    common /= common.sum()
    zero, grid = zero.copy(), grid.copy()
    for healthy in (0, 1, 2):  # sound, stray and disturbed
        zero[healthy] *= 0.4
        grid[healthy] = 0.4 * grid[healthy] + 0.6 * common
    return zero, grid


BACKGROUND_MOST = 6.0
"""A common rate counts as background up to this many errors a lane: more is a fault of all."""


def background(lanes: Sequence[tuple[int, int]]) -> float:
    """The rate of errors that most lanes of a run share, from (errors, bits) of each: the median,
    0 with fewer than four lanes or where it would be more than a few errors a lane."""
    if len(lanes) < 4:
        return 0.0
    rate, bits = np.median([e / b for e, b in lanes]), np.median([b for _, b in lanes])
    return float(rate) if 0 < rate * bits <= BACKGROUND_MOST else 0.0


def _log_ways(n: float, k: int) -> float:
    """log of the binomial coefficient; for rare events in many bits its Poisson limit."""
    if n > 1e6:
        return k * math.log(n) - math.lgamma(k + 1)
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


# An upset now and then, of one cell or a burst along a row, whatever the exposure: its chance.
_STRAY = {"sound": 0.004, "stray": 0.20, "disturbed": 0.08, "array": 0.08}
STRAY_MOST = 64


@cache
def _stray_norm() -> float:
    return float(sum(n**-2.2 for n in range(1, STRAY_MOST + 1)))


def _stray(errors: int) -> float:
    """Chance that a stray event has this many wrong bits: short ones far more often."""
    return float(errors) ** -2.2 / _stray_norm() if errors <= STRAY_MOST else 0.0


@cache
def _weights(kind: str) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """`(zero mass, mass on the grid)` of each state."""
    states, table = (PLACE, _PLACE_RATES) if kind == "place" else (LINE, _LINE_RATES)
    zero = np.array([table[s][0] for s in states])
    grid = np.zeros((len(states), _GRID.size))
    for i, state in enumerate(states):
        for weight, low, high in table[state][1]:
            inside = abs(_GRID - (low + high) / 2) <= (high - low) / 2 + 1e-9
            grid[i] += weight * inside / inside.sum()
    return zero, grid


@dataclass(frozen=True, slots=True)
class Cover:
    """What a count covers: lanes in all, and lanes of one package among them."""

    lanes: int = 1
    of_package: int = 1


# Which share of what a count covers is in the state, as divisors of its exposure: nobody knows
# whether one lane is that bad or all of a package, but a package that is gone takes all its lanes
# and an open strobe one.
def _divisors(state: str, cover: Cover) -> set[float]:
    lane, package = float(cover.lanes), cover.lanes / cover.of_package
    if state == "absent":
        return {package}
    if state == "mute":
        return {package, min(lane, 2 * package)}
    if state in ("line", "joined", "dead"):
        return {lane}
    return {1.0, package, lane}


def count_loglik(
    errors: int, bits: float, kind: str = "place", cover: Cover = Cover(), background: float = 0.0
) -> dict[str, float]:
    """Log likelihood of `errors` wrong of `bits` compared, in each state (kind place or line).

    `background`: the rate at which every lane of the run errs alike, 0 where most have none.
    """
    states = PLACE if kind == "place" else LINE
    wanted = {state: _divisors(state, cover) for state in states}
    tables = {
        n: _count_loglik(errors, bits / n, kind, background) for n in set().union(*wanted.values())
    }
    return {
        state: math.log(sum(math.exp(tables[n][state]) for n in ns) / len(ns))
        for state, ns in wanted.items()
    }


def _count_loglik(errors: int, bits: float, kind: str, background: float = 0.0) -> dict[str, float]:
    states = PLACE if kind == "place" else LINE
    exposure = max(bits, float(errors), 1.0)
    zero, grid = _weights(kind)
    if background > 0:
        zero, grid = _with_background(zero, grid, background)
    loglik = errors * _LOG_RATE + (exposure - errors) * _LOG_MISS
    if errors > STRAY_MOST:
        mean = grid @ np.exp(loglik - loglik.max())
    else:
        mean = grid @ np.exp(loglik + _log_ways(exposure, errors))
        stray = np.array([_STRAY.get(s, 0.0) for s in states])
        mean = mean + (stray * _stray(errors) if errors else zero)
    # A trace everywhere: no count is impossible in any state.
    values = np.log(mean + 1e-14 * mean.max() + 1e-300)
    return dict(zip(states, values.tolist(), strict=True))


# Chances of a list of error words without any bits compared: (a word at all, and of its length:
# the chance of more than few, as lists are capped anywhere from 16 to thousands).
_LISTED = {
    "sound": (0.03, 0.03),
    "stray": (0.35, 0.10),
    "disturbed": (0.40, 0.35),
    "array": (0.90, 0.75),
    "astray": (0.75, 0.90),
    "thin": (0.85, 0.85),
    "line": (0.92, 0.96),
    "joined": (0.92, 0.96),
    "dead": (0.92, 0.97),
    "mute": (0.90, 0.97),
    "absent": (0.90, 0.97),
}
FEW = 3


def listed_loglik(words: int, *, common: bool = False) -> dict[str, float]:
    """Log likelihood of `words` error words of a place in a list of unknown length and exposure.

    `common`: most lanes of the run have a few, so that a few say nothing against this one."""
    out = {
        s: math.log(some * (many if words > FEW else 1 - many))
        for s, (some, many) in _LISTED.items()
    }
    if common and words <= FEW:
        out["sound"] = out["stray"] = out["disturbed"] = max(out.values())
    return out
