"""Cells -> typed values: what each column may hold.

A cell that is not understood, or a value that no measurement gives, raises `Wrong`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from memdiag.model import LANE_LINES, Channel, Result, schema, spelling
from memdiag.model.quantities import Quantity, parse, scale
from memdiag.model.schema import Cell

LARGEST_WHOLE = 2**63 - 1
"""No count or number in a dump is as large: what is, was mangled."""

_DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212"
ALSO_UNSAID = frozenset({"n/a", "na", "none", "--", "---", *_DASHES})
"""What people write for `-`, in lower case: words, and the dashes of Unicode."""


class Wrong(ValueError):
    """A cell or a row that cannot be used: the code of the problem, its fields, and the column."""

    def __init__(self, code: str, column: str, **fields: object) -> None:
        self.code, self.column, self.fields = code, column, fields
        super().__init__(f"{code}: {column} {fields}")


def _bad(column: str, text: str, expected: str, hint: str = "") -> Wrong:
    hint = hint or "characters were lost or the columns slipped: mend the line"
    return Wrong("bad-cell", column, found=shorten(text), expected=expected, hint=hint)


def _absurd(column: str, text: str, limit: str) -> Wrong:
    return Wrong("absurd-value", column, found=shorten(text), limit=limit)


def shorten(text: str, most: int = 40) -> str:
    """A piece of the dump for a message: printable and not longer than a message can bear."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return clean if len(clean) <= most else clean[: most - 3] + "..."


# -- one converter a kind of column -----------------------------------------------------------


def word(column: str, text: str) -> str:
    return text


def channel(column: str, text: str) -> Channel:
    """A number where it is written as one, else the word."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else text


def integer(column: str, text: str) -> int:
    """A whole number, not negative: `12`, `0x1f`, `4_096`, `1e12`."""
    plain = text.replace("_", "") if text[:1].isdigit() else text
    try:
        if not plain.isascii() or plain.endswith("."):  # digits behind the point were lost
            raise ValueError
        if plain[:2] in ("0x", "0X"):
            number = int(plain[:40], 16)
        elif plain.isdigit() and len(plain) < 25:
            number = int(plain)
        else:
            value = float(plain)
            number = int(value) if abs(value) < 1e30 else LARGEST_WHOLE + 1
            if number != value and number <= LARGEST_WHOLE:
                raise ValueError
    except (ValueError, OverflowError):
        raise _bad(column, text, "a whole number") from None
    if number < 0:
        raise _absurd(column, text, "it cannot be negative")
    if number > LARGEST_WHOLE:
        raise _absurd(column, text, "no counter goes so far")
    return number


def counted(column: str, text: str) -> int:
    """A whole number from 1."""
    number = integer(column, text)
    if number < 1:
        raise _absurd(column, text, "it counts from 1")
    return number


def data_line(column: str, text: str) -> int:
    number = integer(column, text)
    if number >= LANE_LINES:
        raise _absurd(column, text, f"data lines of a lane are numbered 0 to {LANE_LINES - 1}")
    return number


def small(column: str, text: str) -> int:
    """A rank or a lane."""
    number = integer(column, text)
    if number > 999:
        raise _absurd(column, text, f"no board has so many {column}s")
    return number


def quantity(column: str, text: str) -> Quantity:
    try:
        value = parse(text)
    except ValueError as wrong:
        raise _bad(column, text, "a number, with its unit or without", f"{wrong}") from None
    if not math.isfinite(value.value):
        raise _absurd(column, text, "it is no finite number")
    return value


def in_unit(unit: str, *others: str) -> Callable[[str, str], float]:
    """A number in `unit`, or bare; units of the same dimension are turned into it."""

    def convert(column: str, text: str) -> float:
        value = quantity(column, text)
        if value.unit is None or value.unit in others:
            return value.value
        try:
            return value.in_unit(unit)
        except ValueError:
            raise _bad(
                column, text, f"a number in {unit}", f"{value.unit} is another unit"
            ) from None

    return convert


def bounded(
    inner: Callable[[str, str], Any], low: float, high: float, why: str
) -> Callable[[str, str], Any]:
    """`inner`, refused outside [low, high]."""

    def convert(column: str, text: str) -> Any:
        value = inner(column, text)
        number = value.value if isinstance(value, Quantity) else value
        if not low <= number <= high:
            raise _absurd(column, text, why)
        return value

    return convert


def dimension(column: str, text: str, *units: str) -> Quantity:
    """A quantity, not negative, whose unit (if any) measures the same as one of `units`."""
    value = quantity(column, text)
    if value.value < 0:
        raise _absurd(column, text, "it cannot be negative")
    if value.unit is not None and scale(value.unit)[1] not in {scale(u)[1] for u in units}:
        raise _bad(column, text, "a number in " + " or ".join(units))
    return value


def width(column: str, text: str) -> Quantity:
    """In UI, ps or taps; a share of the unit interval may be written in per cent."""
    value = dimension(column, text, "UI", "ps", "taps", "%")
    return Quantity(value.value / 100, "UI") if value.unit == "%" else value


def height(column: str, text: str) -> Quantity:
    return dimension(column, text, "mV", "taps")


def delay(column: str, text: str) -> Quantity:
    """A delay may be negative: a phase is measured from the clock."""
    value = quantity(column, text)
    if value.unit is not None and scale(value.unit)[1] not in ("tap", "s", "UI"):
        raise _bad(column, text, "a number of taps, ps or UI")
    return value


def window(column: str, text: str) -> str:
    for index, char in enumerate(text):
        if char not in "01":
            raise _bad(
                column,
                text,
                "one 1 (works) or 0 (does not) a tap",
                f"character {index + 1} is {char!r}",
            )
    return text


def result(column: str, text: str) -> Result:
    known = _RESULTS.get(text.lower())
    if known is None:
        raise _bad(column, text, "a result", spelling.nearest(text, _RESULTS))
    return known


_RESULTS = {str(result): result for result in Result}


def step(column: str, text: str) -> str:
    return text.lower()


def link_check(column: str, text: str) -> bool:
    """True where the link check failed."""
    if text.lower() in ("ok", "bad"):
        return text.lower() == "bad"
    raise _bad(column, text, "ok or bad", spelling.nearest(text, ("ok", "bad")))


def hex_word(column: str, text: str) -> tuple[int, int]:
    """A hex word and its printed width in bits."""
    digits = text[2:] if text[:2] in ("0x", "0X") else ""
    digits = digits.replace("_", "")
    if not digits or not digits.isascii() or not all(c in _HEX for c in digits):
        raise _bad(column, text, "a hex word", "hex words start with 0x")
    if len(digits) > 1024:
        raise _absurd(column, text, "no word is so wide")
    return int(digits, 16), 4 * len(digits)


_HEX = frozenset("0123456789abcdefABCDEF")


def address(column: str, text: str) -> int:
    number = hex_word(column, text)[0]
    if number >= 2**64:
        raise _absurd(column, text, "an address has at most 64 bits")
    return number


def ohms(column: str, text: str) -> float:
    """Ohms; infinite for an over-range reading, `0L` or `OL`."""
    if text.upper() in ("0L", "OL"):
        return math.inf
    value = quantity(column, text)
    if value.value < 0:
        raise _absurd(column, text, "a resistance cannot be negative")
    if value.unit is None:
        return value.value
    factor, base = scale(value.unit)
    if base not in ("ohm", ""):
        raise _bad(column, text, "a number of ohms, or 0L for over range")
    return value.value * factor


def trend(column: str, text: str) -> str:
    known = ("settled", "rising", "falling")
    if text.lower() in known:
        return text.lower()
    raise _bad(column, text, "a trend", spelling.nearest(text, known))


CONVERTERS: dict[Cell, Callable[[str, str], Any]] = {
    Cell.WORD: word,
    Cell.CHANNEL: channel,
    Cell.SMALL: small,
    Cell.LINE: data_line,
    Cell.FROM_ONE: counted,
    Cell.CELSIUS: bounded(
        in_unit("C", "°C", "degC"), -100, 300, "no test runs at such a temperature"
    ),
    Cell.STEP: step,
    Cell.RESULT: result,
    Cell.WIDTH: width,
    Cell.HEIGHT: height,
    Cell.WINDOW: window,
    Cell.TAPS: bounded(in_unit("tap"), 0, 1e9, "it cannot be negative"),
    Cell.DELAY: delay,
    Cell.PERCENT: bounded(in_unit("%"), 0, 100, "it is a share of VDDQ: 0 to 100 %"),
    Cell.WHOLE: integer,
    Cell.ADDRESS: address,
    Cell.HEX: hex_word,
    Cell.LINK_CHECK: link_check,
    Cell.OHMS: ohms,
    Cell.TREND: trend,
    Cell.VOLTS: bounded(in_unit("V"), 0, 100, "it is no injection voltage"),
    Cell.AMPS: bounded(in_unit("A"), 0, 1000, "it is no injection current"),
    Cell.RISE: bounded(
        in_unit("K", "C", "°C"), 0, 1000, "a part that warms rises by more than nothing"
    ),
}
"""One converter a kind of cell: from a column's name and its text to the value, or `Wrong`."""


def converter(table: str, column: str) -> Callable[[str, str], Any]:
    """The converter of a column. Raises KeyError for a column the table does not have."""
    return CONVERTERS[schema.by_name(table)[column].cell]
