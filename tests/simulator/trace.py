"""What a fault left in a dump: the rows that differ from the twin's by more than nature's spread.

Visibility is computed, not thought up: the same board, rig and noise are run again without the
fault, and the printed rows are compared one by one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from tests.simulator.plant import Nature
from tests.simulator.rig import Rig
from tests.simulator.rows import Row

PAIR = 2
"""One lane that needs a second try happens on healthy boards; two warnings are a trace."""

SIGMAS = 3.0
"""A measured value must differ by so many natural standard deviations to count as a trace."""


BOARD_SPREAD = 0.06
"""Boards differ by so much (UI, standard deviation) in the width of a healthy eye: what strikes
every site alike must stand out from that too."""


FEW = 3
"""Healthy boards have a stray word or two; so many on one row, or in the log, are a trace."""


def trace(
    rows: Iterable[Row], twin: Iterable[Row], nature: Nature, rig: Rig, board_wide: bool = False
) -> list[Row]:
    """The rows of the dump that tell of the fault; rows only the twin has are added at the end."""
    spread = math.sqrt(
        nature.site_spread**2
        + nature.lane_spread**2
        + 2 * nature.dq_spread**2
        + rig.tap**2 / 4
        + (BOARD_SPREAD**2 if board_wide else 0.0)
    )
    other = {row.key: row for row in twin}
    found = []
    faint = 0
    for row in rows:
        match = other.pop(row.key, None)
        if match is None or _differs(row, match, nature, rig, spread):
            found.append(row)
            faint += match is not None and _only_warned(row, match, nature, rig, spread)
    found += other.values()
    words = sum(row.section == "errors" for row in found)
    if words < FEW and faint < PAIR and words + faint == len(found):
        return []
    return found


def _only_warned(a: Row, b: Row, nature: Nature, rig: Rig, spread: float) -> bool:
    """A pass that became marginal or took another try, with nothing measured to show for it."""
    results = {a.cells.get("result"), b.cells.get("result")}
    return results <= {"pass", "marginal"} and not _eye_differs(
        a.cells, b.cells, nature, rig, spread
    )


def _differs(a: Row, b: Row, nature: Nature, rig: Rig, spread: float) -> bool:
    one, two = a.cells, b.cells
    if a.section == "training":
        other = any(one.get(c) != two.get(c) for c in ("result", "tries"))
        return other or _eye_differs(one, two, nature, rig, spread)
    if a.section == "counts":
        return any(
            _count_differs(one.get(c), two.get(c)) for c in ("errors", "rose", "fell", "edc")
        )
    if a.section == "rails":
        low, high = sorted((one["ohms"], two["ohms"]))
        return bool(high > 1.15 * low)
    if a.section == "heat":
        return bool(one.get("hottest") != two.get("hottest"))
    if a.section == "values":
        return _volts_differ(one["value"], two["value"])
    return False  # error words are told apart by their keys


def _eye_differs(
    one: dict[str, Any], two: dict[str, Any], nature: Nature, rig: Rig, spread: float
) -> bool:
    unit = {"UI": 1.0, "ps": 1000 / rig.rate, "tap": 1 / rig.tap, None: 1.0}[rig.width]
    if "width" in one and "width" in two:
        return bool(abs(one["width"] - two["width"]) > SIGMAS * spread * unit)
    if "window" in one and "window" in two:
        taps = abs(one["window"].count("1") - two["window"].count("1"))
        return taps * rig.tap * rig.per_char > SIGMAS * spread
    if "height" in one and "height" in two:
        return bool(abs(one["height"] - two["height"]) > (SIGMAS * spread + 0.06) * nature.swing)
    return ("width" in one) != ("width" in two) or ("window" in one) != ("window" in two)


def _count_differs(a: float | None, b: float | None) -> bool:
    if a is None or b is None:
        return (a is None) != (b is None)
    return abs(a - b) >= FEW and abs(a - b) > SIGMAS * math.sqrt(min(a, b))


def _volts_differ(a: str, b: str) -> bool:
    if a == b or not a.endswith("V"):
        return False
    return abs(float(a[:-1]) - float(b[:-1])) > 0.025 * float(b[:-1])
