"""The physics of lines, eyes and rails. Numbers in, numbers out; no board, no dump.

Eyes follow the dual-Dirac jitter model: two displaced normal edges a deterministic jitter `dj`
apart, each with random jitter `rj` (rms), all in unit intervals.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
from scipy.special import ndtr

_NORMAL = NormalDist()

# What a terminated line reads when nothing drives it: pseudo-open-drain families terminate to
# VDDQ (1), LVSTL families to ground (0), SSTL to mid-rail (noise). Derived from the termination
# schemes of JESD250, JESD212, JESD79-4/-5, JESD209-4/-5 and JESD79-3.
UNDRIVEN: dict[str, int | None] = {
    "gddr5": 1,
    "gddr6": 1,
    "ddr4": 1,
    "ddr5": 1,
    "lpddr4": 0,
    "lpddr5": 0,
    "ddr3": None,
}

# Beats of a burst: JESD250 (GDDR6) 16, JESD212 (GDDR5) 8, JESD79-3/-4 8, JESD79-5 16,
# JESD209-4/-5 16.
BURST = {"gddr5": 8, "gddr6": 16, "ddr3": 8, "ddr4": 8, "ddr5": 16, "lpddr4": 16, "lpddr5": 16}

# Families whose reads carry a link check code that a rig can count (EDC pins; DDR5 read CRC).
LINK_CHECKED = frozenset({"gddr5", "gddr6", "ddr5"})

# Bits under one CRC-8 on a GDDR lane: all beats of 8 DQ; an error pattern of more than a few
# bits slips through an 8-bit code once in 256.
CRC_MISS = 1 / 256


def q_of(ber: float) -> float:
    """Q where the normal tail is `ber`: 7.034 at 1e-12."""
    return -_NORMAL.inv_cdf(ber)


def eye_width(dj: Any, rj: Any, ber: float) -> Any:
    """Width in UI at `ber`: 1 - (DJ + 2 Q RJ), negative where the eye is shut."""
    return 1.0 - dj - 2.0 * q_of(ber) * rj


def error_rate(dj: Any, rj: Any, offset: Any = 0.0) -> Any:
    """Bit error rate sampling `offset` UI from the eye's centre.

    Half of all bits have a transition at each edge; of those the displaced edge crosses the
    sampling point with the tail probability of its normal. Never above one half.
    """
    half = (1.0 - dj) / 2.0
    sigma = np.maximum(rj, 1e-6)
    rate = 0.5 * (ndtr(-(half - offset) / sigma) + ndtr(-(half + offset) / sigma))
    return np.minimum(rate, 0.5)


def parallel(*ohms: float) -> float:
    """Resistances side by side: conductances add."""
    total = sum(1.0 / r for r in ohms if math.isfinite(r))
    return math.inf if total == 0 else 1.0 / total


def without(together: float, rest: float) -> float:
    """What a part was that takes a rail from `rest` to `together` ohm."""
    return 1.0 / (1.0 / together - 1.0 / rest)


def charging(settled: float, farads: float, seconds: float) -> float:
    """What an ohmmeter (constant current) reads `seconds` after touching a rail of `settled`
    ohm with `farads` across it: V/I = R (1 - exp(-t / RC))."""
    if not math.isfinite(settled):
        return seconds / farads
    return settled * -math.expm1(-seconds / (settled * farads))


def retention(rate: float, degrees: float, at: float = 25.0, doubling: float = 10.0) -> float:
    """A leakage-driven rate at another temperature: doubles every `doubling` kelvin."""
    return float(rate * 2.0 ** ((degrees - at) / doubling))
