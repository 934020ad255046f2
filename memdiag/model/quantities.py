"""Quantities with units: how a dump writes them and how a page shows them.

A number may carry its unit with no blank between (`0.46UI`, `61mV`, `94ps`, `85C`, `1.5kohm`).
What is read is kept in the unit it was written in; `in_unit` converts inside one dimension only.
"""

from __future__ import annotations

import functools
import math
import re

from msgspec import Struct

# SI prefixes that bench instruments print (SI Brochure, 9th edition, table 7); `u` is micro.
_PREFIX = {
    "f": 1e-15,
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "µ": 1e-6,
    "m": 1e-3,
    "": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "G": 1e9,
    "T": 1e12,
}

_BASES = {
    "s": "s",
    "V": "V",
    "A": "A",
    "W": "W",
    "ohm": "ohm",
    "Ohm": "ohm",
    "Ω": "ohm",
    "R": "ohm",
    "Hz": "Hz",
    "bit/s": "bit/s",
    "bps": "bit/s",
    "b/s": "bit/s",
    "T/s": "bit/s",
    "m": "m",
}

# Units without prefixes. Kelvin and degrees Celsius are kept apart: a rise is in K, a reading in C.
_PLAIN = {
    "UI": "UI",
    "ui": "UI",
    "C": "C",
    "°C": "C",
    "degC": "C",
    "K": "K",
    "%": "%",
    "tap": "tap",
    "taps": "tap",
    "step": "tap",
    "steps": "tap",
    "x": "x",
    "dB": "dB",
}

_ANY_CASE = {
    unit.casefold(): unit
    for unit in (
        *("fs", "ps", "ns", "us", "ms", "uV", "mV", "mA", "UI", "tap", "taps", "step", "steps"),
        *("bit/s", "kbit/s", "Mbit/s", "Gbit/s", "MT/s", "GT/s", "kHz", "MHz", "GHz"),
        *("ohm", "kohm", "dB", "degC"),
    )
}
"""Units that may be written in any case: no bench reads millihertz or megavolts of memory."""

_NEVER_MEGA = {"MV": "mV", "MA": "mA", "MS": "ms"}
"""Written in capitals: no bench reads megavolts, megaamperes or megaseconds."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:_\d{3})*(?:\.\d+)?|\.\d+)(?:[eE][+-]?\d+)?")


class Quantity(Struct, frozen=True):
    """A value with the unit it was written in (None: a bare number) and its printed +- spread."""

    value: float
    unit: str | None = None
    spread: float | None = None

    def in_unit(self, unit: str) -> float:
        """The value in `unit`. Raises ValueError where the dimensions differ or it has no unit."""
        if self.unit is None:
            raise ValueError(f"a bare number has no unit to turn into {unit}")
        have, want = scale(self.unit), scale(unit)
        if have[1] != want[1]:
            raise ValueError(f"{self.unit} is no {unit}")
        return self.value * have[0] / want[0]

    def __str__(self) -> str:
        spread = "" if self.spread is None else f"+-{self.spread:g}"
        return f"{self.value:g}{spread}{self.unit or ''}"


@functools.lru_cache(maxsize=512)  # a table says the same unit in every row
def scale(unit: str) -> tuple[float, str]:
    """`(factor, base unit)` of a unit such as `mV` -> `(1e-3, "V")`.

    Raises ValueError for a unit memdiag does not know.
    """
    unit = _NEVER_MEGA.get(unit, unit)
    if unit in _PLAIN:
        return 1.0, _PLAIN[unit]
    if unit in _BASES:
        return 1.0, _BASES[unit]
    for base, name in _BASES.items():
        if unit.endswith(base) and unit[: -len(base)] in _PREFIX:
            return _PREFIX[unit[: -len(base)]], name
    if unit in _PREFIX and unit in ("k", "K", "M", "G"):
        return _PREFIX[unit], ""
    written = _ANY_CASE.get(unit.casefold())
    if written is not None and written != unit:
        return scale(written)
    raise ValueError(f"unknown unit {unit!r}")


@functools.lru_cache(maxsize=4096)  # and few different widths
def parse(text: str) -> Quantity:
    """Read `0.46UI`, `12+-4`, `1.5 kohm`, `-3`. Raises ValueError with what was wrong."""
    text = text.strip()
    head = _NUMBER.match(text)
    if head is None:
        raise ValueError(f"{text!r} is no number")
    value = float(head.group().replace("_", ""))
    rest = text[head.end() :]
    spread = None
    tail = re.match(r"\s*(?:\+-|\+/-|±)\s*", rest)
    if tail:
        number = _NUMBER.match(rest, tail.end())
        if number is None:
            raise ValueError(f"{text!r} has +- but no number after it")
        spread = abs(float(number.group().replace("_", "")))
        rest = rest[number.end() :]
    unit = rest.strip() or None
    if unit is not None:
        scale(unit)
    return Quantity(value, unit, spread)


def show_count(n: float) -> str:
    """`1,234` up to six digits, `4.1e12` above: what fits a narrow column."""
    if math.isnan(n):
        return "-"
    if abs(n) < 1e6:
        return f"{n:,.0f}"
    text = f"{n:.1e}"
    mantissa, exponent = text.split("e")
    return f"{mantissa.removesuffix('.0')}e{int(exponent)}"


def show_rate(rate: float | None) -> str:
    """A bit error rate: `3.1e-9`, `0`, `-` where not known."""
    if rate is None:
        return "-"
    if rate == 0:
        return "0"
    mantissa, exponent = f"{rate:.1e}".split("e")
    return f"{mantissa}e{int(exponent)}"


def show_ohms(ohms: float) -> str:
    """`0.4 ohm`, `64 ohm`, `8.2 kohm`, `over range`."""
    if ohms == float("inf"):
        return "over range"
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohms >= factor:
            return f"{ohms / factor:.3g} {unit}"
    return f"{ohms:.3g} ohm"


def show_metered(value: float, unit: str) -> str:
    """Three figures, as a bench meter shows them: `0.35 A`, `55.6 mA`, `12 A`, `1,250 W`.

    Never a power of ten: a technician sets a knob by it. Raises ValueError for no finite number.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} {unit} is nothing a meter can show")
    figures = float(f"{value:.3g}")
    fitting = (n for n, (_, _, least) in enumerate(_METER_SCALES) if abs(figures) >= least)
    prefix, factor, _ = _METER_SCALES[0 if not figures else next(fitting)]
    text = f"{figures * factor:,.3f}".rstrip("0").rstrip(".")
    if figures and float(text.replace(",", "")) == 0:
        text = "under 0.001"
    return f"{text} {prefix}{unit}"


_METER_SCALES = (("", 1.0, 0.1), ("m", 1e3, 1e-3), ("u", 1e6, 0.0))
"""Prefix, factor, and the least value that is shown so."""


def show_duration(seconds: float) -> str:
    """`40 s`, `12 min`, `5.3 h`, `3.1 days`."""
    for factor, unit in ((86400 * 2, "days"), (3600 * 2, "h"), (120, "min")):
        if seconds >= factor:
            per = {"days": 86400, "h": 3600, "min": 60}[unit]
            return f"{seconds / per:.3g} {unit}"
    return f"{seconds:.3g} s"


CERTAIN = 0.99
"""Above this a page says `over 99 %` and no more."""


def show_probability(p: float) -> str:
    """Whole per cent, never rounded to a certainty: `97 %`, `over 99 %`, `under 1 %`."""
    if p > CERTAIN:
        return "over 99 %"
    if p < 0.01:
        return "under 1 %"
    return f"{p * 100:.0f} %"


def show_p(p: float) -> str:
    """`p 0.013`, `p under 0.0001`: more digits of a small p say nothing on a bench."""
    return "p under 0.0001" if p < 1e-4 else f"p {p:.2g}"
