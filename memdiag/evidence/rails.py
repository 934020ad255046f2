"""Ohm readings -> normal, low through a chip, or short; and what a removed package accounted for.

To ground with the board off (common practice, no source): a shorted capacitor reads 0 to 1 ohm,
a few ohms (2 to 7) point at a chip. A rising reading is a capacitor charging: not final, so it
is only ever a lower limit.
"""

from __future__ import annotations

import math

from memdiag.evidence.nodes import RAIL
from memdiag.model import Rail
from memdiag.model.figures import Table
from memdiag.model.quantities import show_metered

_F = Table("Readings of rails")

# log10 ohms: centre and spread of each state where the profile says nothing.
_LOW = (math.log10(_F.practice("through a chip", 4.0, "ohms of a short through a chip")), 0.28)
_SHORT = (math.log10(_F.practice("a capacitor", 0.4, "ohms of a shorted capacitor")), 0.35)
_LEAKY = _F.practice("leaky", 0.30, "density of anything between a few ohms and the least healthy")
_OPEN = math.log10(
    _F.practice("open from", 2.0, "times the typical ohms, from which a path is open")
)
_SUPPLY = math.log10(_F.practice("supply of an interface", 12.0, "ohms, the least of healthy ones"))


UNSETTLED = _F.practice("unsettled", 0.05, "density of healthy rails read before they settled")


def reading_loglik(
    ohms: float, trend: str | None, rail: Rail | None, share: float = 1.0
) -> dict[str, float]:
    """Log likelihood of a resistance in each state of RAIL.

    Normal is judged against the profile's typical and least healthy resistance where it has
    them, else against anything from 12 ohm up (the supply of a bus interface is a few dozen ohm:
    common practice, no source). `share`: of the packages that draw from it those that are on the
    board (conductances add).
    """
    if math.isinf(ohms):
        return dict.fromkeys(RAIL, 0.0)  # no contact, or a path blown open: not a resistance
    x = math.log10(min(max(ohms, 0.003), 1e7))
    typical = rail.healthy_ohms_typical if rail else None
    least = rail.healthy_ohms_min if rail else None
    low, short, ends, high = _LOW, _SHORT, _SUPPLY, 0.01
    if typical or least:
        centre = math.log10(typical or least or 1.0)
        edge = math.log10(least or (typical or 1.0) * 0.6)
        spread = max(0.12, (centre - edge) / 1.5)
        if centre < _SUPPLY:
            # A core rail is a few ohms, or less, when it is healthy: all is relative to that.
            low, short = (edge - 0.45, 0.25), (edge - 1.2, 0.35)
        ends = edge - 0.06
        off = x + math.log10(max(share, 0.05)) - centre
        normal = max(_bell(off, 0.0, spread), 0.05 if 0 < off < _OPEN else 0.01 if off > 0 else 0.0)
        high = _LEAKY * min(max(off / _OPEN, 0.01), 1.0) if off > 0 else 0.001
    elif rail is None:
        # A rail of which nothing is known may feed a controller's core: half an ohm to a few are
        # healthy there (common practice, no source).
        normal = max(_bell(x, 0.2, 0.5), _bell(x, 2.2, 0.7), 0.5 if x > 2.2 else 0.0)
    else:
        normal = _bell(x, 2.2, 0.7) if x < 2.2 else 0.5
        if x < ends:
            normal *= 0.05
    if trend is None and low[0] + 0.25 < x < ends:
        # Nobody says that it had come to rest.
        normal = max(normal, UNSETTLED)
    if trend == "rising":
        # Still charging: it has at least got this far, and will end higher.
        normal = max(normal, 0.45 if x > low[0] + 0.25 else 0.02)
    table = {
        "normal": normal,
        "high": high,
        "low": max(_bell(x, *low), _LEAKY if low[0] < x < ends else 0.0),
        "short": _bell(x, *short) if x > short[0] else 1.1,
    }
    return {s: math.log(max(table[s], 1e-4)) for s in RAIL}


def volts_loglik(share: float) -> dict[str, float]:
    """Log likelihood of a rail's voltage, as a share of what it should have, in each state of
    VOLTS. Supplies of memory are held to within 3 to 5 % (JESD250: 3 %; JESD79-4: 5 %)."""
    x = abs(share - 1)
    well = math.exp(-0.5 * (x / 0.025) ** 2)
    low = 0.3 if 0.5 < share < 1 else 0.0
    low *= min(x / 0.05, 1.0)
    none = 1.0 if share < 0.3 else 0.05
    return {s: math.log(max(v, 1e-4)) for s, v in (("well", well), ("low", low), ("none", none))}


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


_NO_OHMS = 1e-6
"""Less than any length of copper: a dead short."""


def injection(ohms: float, volts: float) -> tuple[float, float] | None:
    """(amps, watts) that a source of `volts` drives through `ohms` (Ohm, Joule); None for a dead
    short, which takes whatever the source gives."""
    if ohms < _NO_OHMS:
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
            limit = show_metered(most, unit)
            parts.append(f"{show_metered(have, unit)} is above the profile's {limit}")
    if volts is not None and rail.volts is not None and volts > rail.volts * 1.001:
        own = show_metered(rail.volts, "V")
        parts.append(f"{show_metered(volts, 'V')} is above the rail's own {own}")
    return f"injection on {rail.name}: {' and '.join(parts)}" if parts else None
