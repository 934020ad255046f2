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
_LOW = (
    math.log10(_F.practice("through a chip", 4.0, "ohms of a short through a chip")),
    _F.practice("through a chip, play", 0.28, "decades"),
)
_SHORT = (
    math.log10(_F.practice("a capacitor", 0.4, "ohms of a shorted capacitor")),
    _F.practice("a capacitor, play", 0.35, "decades"),
)
_LEAKY = _F.practice("leaky", 0.30, "density of anything between a few ohms and the least healthy")
_OPEN = math.log10(
    _F.practice("open from", 2.0, "times the typical ohms, from which a path is open")
)
_INTERFACE = (
    _F.practice("an interface", 2.2, "decades of the ohms of a healthy supply of one"),
    _F.practice("an interface, play", 0.7, "decades"),
)
_CORE = (
    _F.practice("a core", 0.2, "decades of the ohms of a healthy core rail"),
    _F.practice("a core, play", 0.5, "decades"),
)
_KNOWN_PLAY = _F.practice("known, play", 0.12, "decades about the profile's typical ohms, at least")
_FIRM = _F.practice("enough", 0.5, "density of any reading above a healthy one's middle")
_STRAY = _F.practice("stray", 0.01, "density of a reading that nothing explains")
_RISING = _F.practice("rising", 0.45, "density of a reading that has not ended, when healthy")
_SUPPLY = math.log10(_F.practice("supply of an interface", 12.0, "ohms, the least of healthy ones"))


UNSETTLED = _F.practice("unsettled", 0.001, "density of healthy rails read before they settled")
_BELOW_CORE = _F.practice(
    "core low", 0.45, "decades below the least healthy ohms of a low core rail"
)
_SHORT_CORE = _F.practice("core short", 1.2, "decades below them of a shorted one")


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
    low, short, ends, high = _LOW, _SHORT, _SUPPLY, _STRAY
    if typical or least:
        centre = math.log10(typical or least or 1.0)
        edge = math.log10(least or (typical or 1.0) * 0.6)
        spread = max(_KNOWN_PLAY, (centre - edge) / 1.5)
        if centre < _SUPPLY:
            # A core rail is a few ohms, or less, when it is healthy: all is relative to that.
            low, short = (edge - _BELOW_CORE, _LOW[1]), (edge - _SHORT_CORE, _SHORT[1])
        ends = edge - 0.06
        off = x + math.log10(max(share, 0.05)) - centre
        normal = max(
            _bell(off, 0.0, spread), 0.0 if off <= 0 else 5 * _STRAY if off < _OPEN else _STRAY
        )
        high = _LEAKY * min(max(off / _OPEN, 0.01), 1.0) if off > 0 else 0.1 * _STRAY
    elif rail is None:
        # A rail of which nothing is known may feed a controller's core: half an ohm to a few are
        # healthy there (common practice, no source).
        normal = max(_bell(x, *_CORE), _bell(x, *_INTERFACE), _FIRM if x > _INTERFACE[0] else 0.0)
    else:
        normal = _bell(x, *_INTERFACE) if x < _INTERFACE[0] else _FIRM
        if x < ends:
            normal *= 0.05
    if trend is None and low[0] + 0.25 < x < ends:
        # Nobody says that it had come to rest.
        normal = max(normal, UNSETTLED)
    if trend == "rising":
        # Still charging: it has at least got this far, and will end higher.
        normal = max(normal, _RISING if x > low[0] + _LOW[1] else 2 * _STRAY)
    table = {
        "normal": normal,
        "high": high,
        "low": max(_bell(x, *low), _LEAKY if low[0] < x < ends else 0.0),
        "short": _bell(x, *short) if x > short[0] else 1.1,
    }
    return {s: math.log(max(table[s], 1e-4)) for s in RAIL}


_HELD_TO = _F.derived(
    "held to", 0.05, "share of its voltage within which a rail is held", "JESD79-4; JESD250: 0.03"
)
_SAGGED = _F.practice("sagged", 0.3, "density of any voltage between half and all of it")


def volts_loglik(share: float) -> dict[str, float]:
    """Log likelihood of a rail's voltage, as a share of what it should have, in each state of
    VOLTS."""
    x = abs(share - 1)
    well = math.exp(-0.5 * (2 * x / _HELD_TO) ** 2)
    low = _SAGGED if 0.5 < share < 1 else 0.0
    low *= min(x / _HELD_TO, 1.0)
    none = 1.0 if share < 0.3 else 5 * _STRAY
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
