"""Ohm readings -> normal, low through a chip, or short; and what a removed package accounted for.

To ground with the board off (common practice, no source): a shorted capacitor reads 0 to 1 ohm,
a few ohms (2 to 7) point at a chip. A rising reading is a capacitor charging: not final, so it
is only ever a lower limit.
"""

from __future__ import annotations

import math

from memdiag.evidence.nodes import RAIL
from memdiag.model import Rail

# log10 ohms: centre and spread of each state where the profile says nothing.
_LOW = (math.log10(4.0), 0.28)
_SHORT = (math.log10(0.4), 0.35)


def reading_loglik(ohms: float, trend: str | None, rail: Rail | None) -> dict[str, float]:
    """Log likelihood of a resistance in each state of RAIL (normal, low, short).

    Normal is judged against the profile's typical and least healthy resistance where it has
    them, else against anything from 12 ohm up (the supply of a bus interface is a few dozen ohm:
    common practice, no source).
    """
    if math.isinf(ohms):
        return dict.fromkeys(RAIL, 0.0)  # no contact, or a path blown open: not a resistance
    x = math.log10(min(max(ohms, 0.003), 1e7))
    typical = rail.healthy_ohms_typical if rail else None
    least = rail.healthy_ohms_min if rail else None
    rising = trend == "rising"
    low, short, ends = _LOW, _SHORT, math.log10(12)
    if typical or least:
        centre = math.log10(typical or least or 1.0)
        edge = math.log10(least or (typical or 1.0) * 0.6)
        spread = max(0.12, (centre - edge) / 1.5)
        normal = max(_bell(x, centre, spread), 0.12 if x > centre else 0.0)
        if centre < math.log10(12):
            # A core rail is a few ohms, or less, when it is healthy: all is relative to that.
            low, short = (edge - 0.45, 0.25), (edge - 1.2, 0.35)
        ends = edge - 0.06
    else:
        normal = _bell(x, 2.2, 0.7) if x < 2.2 else 0.5
        if x < ends:
            normal *= 0.05
    if rising:
        # Still charging: it has at least got this far, and will end higher.
        normal = max(normal, 0.45 if x > low[0] + 0.25 else 0.02)
    table = {
        "normal": normal,
        "low": max(_bell(x, *low), 0.30 if low[0] < x < ends else 0.0),
        "short": _bell(x, *short) if x > short[0] else 1.1,
    }
    return {s: math.log(max(table[s], 1e-4)) for s in RAIL}


def _bell(x: float, centre: float, spread: float) -> float:
    z = (x - centre) / spread
    return math.exp(-0.5 * z * z) / spread * 0.4


def through_package(with_it: float, without_it: float) -> float | None:
    """Ohms of what was taken off, from the rail's reading with and without it (parallel
    conductance: 1/R = 1/R1 - 1/R2). None where taking it off did not raise the reading."""
    if with_it <= 0:
        return 0.0 if without_it > 0 else None
    conductance = 1 / with_it - (0.0 if math.isinf(without_it) else 1 / without_it)
    return 1 / conductance if conductance > 0 else None


def injection(ohms: float, volts: float) -> tuple[float, float] | None:
    """(amps, watts) that a source of `volts` drives through `ohms` (Ohm, Joule); None for a dead
    short, which takes whatever the source gives."""
    if ohms <= 0:
        return None
    return volts / ohms, volts * volts / ohms


def over_limits(volts: float | None, amps: float | None, rail: Rail | None) -> str | None:
    """What an injection exceeds: words for the warning, None where it is within the limits."""
    if rail is None:
        return None
    parts = []
    most_volts, most_amps = rail.inject_volts_max, rail.inject_amps_max
    for have, most, unit in ((volts, most_volts, "V"), (amps, most_amps, "A")):
        if have is not None and most is not None and have > most * 1.001:
            parts.append(f"{have:.3g} {unit} is above the profile's {most:g} {unit}")
    if volts is not None and rail.volts is not None and volts > rail.volts * 1.001:
        parts.append(f"{volts:.3g} V is above the rail's own {rail.volts:g} V")
    return f"injection on {rail.name}: {' and '.join(parts)}" if parts else None
