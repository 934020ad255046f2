"""How long to run to show that an error rate is low enough, and what a finished run shows."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from memdiag import stats
from memdiag.model import LANE_LINES, Place, quantities
from memdiag.model.soak import SoakPlan, SoakProof, SoakStep

if TYPE_CHECKING:
    from memdiag.model import Board

MORE = 3
"""The plan also says what is needed where one, two or three more errors are seen."""


def plan(
    rate: float,
    confidence: float,
    *,
    errors: int = 0,
    sided: int = 1,
    scope: str = "lane",
    lines: int = LANE_LINES,
    line_rate: float | None = None,
    share: float = 1.0,
) -> SoakPlan:
    """Bits and time to show a rate below `rate`, with `errors` seen and up to MORE more.

    `line_rate` is bit/s a data line, `share` the part of the time in which bits are compared.
    Raises ValueError for figures out of their range.
    """
    if errors < 0 or lines < 1 or not 0 < share <= 1 or (line_rate is not None and line_rate <= 0):
        raise ValueError("errors are not negative, lines and rates above zero, a share at most 1")
    steps = []
    for seen in range(errors, errors + MORE + 1):
        bits = stats.bits_needed(rate, confidence, seen, sided)
        steps.append(SoakStep(seen, bits, seconds(bits, lines, line_rate, share)))
    each = None
    if lines > LANE_LINES:
        each = seconds(steps[0].bits, LANE_LINES, line_rate, share)
    return SoakPlan(rate, confidence, sided, scope, lines, line_rate, share, tuple(steps), each)


def seconds(bits: float, lines: int, line_rate: float | None, share: float = 1.0) -> float | None:
    """How long that many bits take over that many data lines; None without a line rate."""
    return None if line_rate is None else bits / (lines * line_rate * share)


def proof(
    bits: int, errors: int, confidence: float, *, scope: str = "lane", lines: int = LANE_LINES
) -> SoakProof:
    """What a finished run shows. Raises ValueError for more errors than bits, or no bits."""
    if bits < 1:
        raise ValueError("a run without bits compared shows nothing")
    below = stats.proven_rate(bits, errors, confidence, sided=1)
    low, high = stats.binomial_limits(errors, bits, confidence, sided=2)
    return SoakProof(bits, errors, confidence, below, low, high, scope, lines)


def lines_in(board: Board, site: str | None = None) -> int:
    """The data lines of one site of a board, or of all of it.

    Raises ValueError for a site the board does not have, or one whose lanes are not known.
    """
    from memdiag.repair.alignment import lines_of

    if site is None:
        sites = [s.ref for s in board.sites if s.links]
    elif (found := board.site(site)) is not None and found.links:
        sites = [site]
    else:
        known = ", ".join(s.ref for s in board.sites)
        raise ValueError(f"{board.name or 'the board'} has no site {site} with lanes: {known}")
    return lines_of([Place(site=ref) for ref in sites], board)


# --- what people type ---------------------------------------------------------------------------

_BITS = re.compile(r"([0-9.,_]+(?:[eE][+-]?[0-9]+)?)\s*([kMGTP]?)(?:b|bits?)?", re.ASCII)
_TIME = re.compile(r"([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(s|sec|min|h|d|days?)", re.ASCII)
_TIMES = {"s": 1, "sec": 1, "min": 60, "h": 3600, "d": 86400, "day": 86400, "days": 86400}
_PREFIX = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9, "T": 10**12, "P": 10**15}


# Wider than any bench needs, and narrow enough that no sum of them is endless.
_CONFIDENCES = (0.01, 0.999999999)
_RATES = (1e-30, 0.5)
_LINE_RATES = (1.0, 1e15)
_MOST_BITS = 1e30
_MOST_SECONDS = 1e10
_LEAST_SHARE = 1e-6


def parse_confidence(text: str) -> float:
    """`0.95`, `95`, `95%` or `95 %`. Raises ValueError where it is no confidence."""
    bare = text.strip().removesuffix("%").strip()
    try:
        value = float(bare)
    except ValueError:
        raise ValueError(f"{text!r} is no confidence: write 0.95 or 95%") from None
    if "%" in text or value > 1:
        value /= 100
    if not _CONFIDENCES[0] <= value <= _CONFIDENCES[1]:
        raise ValueError(f"a confidence is 1 % to 99.9999999 %, not {text!r}")
    return value


def parse_rate(text: str) -> float:
    """An error rate, `1e-12`. Raises ValueError unless it is 1e-30 to 0.5."""
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{text!r} is no error rate: write 1e-12") from None
    if not _RATES[0] <= value <= _RATES[1]:
        raise ValueError(f"an error rate to show is 1e-30 to 0.5, not {text!r}")
    return value


def parse_line_rate(text: str) -> float:
    """`14.0Gbit/s`, `3200 MT/s`: bit/s a data line. Raises ValueError."""
    try:
        value = quantities.parse(text).in_unit("bit/s")
    except ValueError:
        raise ValueError(f"{text!r} is no line rate: write 14.0Gbit/s") from None
    if not _LINE_RATES[0] <= value <= _LINE_RATES[1]:
        raise ValueError(f"a line rate is 1 bit/s to 1e15 bit/s, not {text!r}")
    return value


def parse_bits(text: str) -> int:
    """`2e12`, `2Tbit`, `1,000,000`. Raises ValueError."""
    found = _BITS.fullmatch(text.strip())
    try:
        if found is None:
            raise ValueError
        value = float(found[1].replace(",", "").replace("_", "")) * _PREFIX[found[2]]
    except ValueError:
        raise ValueError(f"{text!r} is no number of bits: write 2e12 or 2Tbit") from None
    if value > _MOST_BITS:
        raise ValueError(f"nobody runs more than 1e30 bits, as {text!r} says")
    return round(value)


def parse_time(text: str) -> float:
    """`40min`, `2 h`, `90s`: seconds. Raises ValueError."""
    found = _TIME.fullmatch(text.strip())
    try:
        if found is None:
            raise ValueError
        value = float(found[1]) * _TIMES[found[2]]
    except ValueError:
        raise ValueError(f"{text!r} is no duration: write 90s, 40min or 2h") from None
    if value > _MOST_SECONDS:
        raise ValueError(f"nobody runs longer than 1e10 s, as {text!r} says")
    return value


def parse_share(text: str) -> float:
    """`40%` or `0.4`. Raises ValueError unless it is 1e-6 to 1."""
    try:
        bare = text.strip()
        value = float(bare.removesuffix("%")) / (100 if bare.endswith("%") else 1)
    except ValueError:
        raise ValueError(f"{text!r} is no share: write 40% or 0.4") from None
    if not _LEAST_SHARE <= value <= 1:
        raise ValueError(f"a share is 0.0001 % to 100 %, not {text!r}")
    return value
