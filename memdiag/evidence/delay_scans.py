"""Error counts against the sampling delay -> the eye, extrapolated to a rate nobody waits for.

Count rows that carry a `delay` are a scan: the test was run at one sampling point after another.
On each flank of the eye the error rate falls as the tail of a bell, rate = erfc(Q / sqrt 2) / 2,
so that Q is a straight line over the delay. Its slope is one over the random jitter of that edge
(rms), its zero crossing the place of the edge under deterministic jitter: the dual-Dirac model
(the same reduction is printed in Agilent's J-BERT N4903B user guide, "Output Timing"). What lies
between the two lines at the target rate is the eye's width there.

    RJ = mean of the two sigmas    DJ = unit interval - distance of the zero crossings
    TJ(rate) = DJ + 2 Q(rate) RJ = unit interval - width(rate)

The rate is errors per bit compared. The factor one half takes a transition in every other bit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from memdiag.evidence.table import settle, swept
from memdiag.model.board import Board
from memdiag.model.quantities import parse, show_rate
from memdiag.model.records import Channel, Run

MOST = 0.1
"""Points above this rate belong to the deterministic part of the edge, not to its tail."""

LEAST_POINTS = 2
"""A line needs two points."""

MODEL_SPREAD = 0.05
"""Standard deviation in Q of a point whatever its count: no edge is an exact bell."""


def q_of(rate: float) -> float:
    """Q of an error rate: rate = erfc(Q / sqrt 2) / 2. Raises ValueError outside (0, 1)."""
    from scipy.special import ndtri

    if not 0 < rate < 1:
        raise ValueError(f"an error rate lies between 0 and 1, not at {rate:g}")
    return -float(ndtri(rate))


def rate_of(q: float) -> float:
    """The error rate at Q: erfc(Q / sqrt 2) / 2."""
    return 0.5 * math.erfc(q / math.sqrt(2))


def crest(rate: float, density: float = 0.5) -> float:
    """Peak-to-peak over rms of random jitter at an error rate: twice the Q of it. `density` is
    the share of bits with a transition, one half in balanced data, 1 in a clock."""
    return 2 * q_of(rate * 0.5 / density)


@dataclass(frozen=True, slots=True)
class Point:
    """What was counted at one delay."""

    delay: float
    errors: int
    bits: int

    @property
    def rate(self) -> float:
        return self.errors / self.bits


@dataclass(frozen=True, slots=True)
class Edge:
    """One flank: where its line crosses Q = 0, and the rms of its random jitter."""

    zero: float
    sigma: float

    def at(self, q: float, outward: int) -> float:
        """The delay where the rate is that of `q`; `outward` is -1 on the left flank, 1 right."""
        return self.zero - outward * q * self.sigma


@dataclass(frozen=True, slots=True)
class Bathtub:
    """The scan of one place. Figures are in `unit` (`UI`, `s` or `tap`).

    `measured` is the width of the error-free run of points, first to last, None where every
    point had errors; it is a lower limit where `open_left` or `open_right` says that the scan
    ended before the eye did. `width` is what is left at the rate `target`, at least 0; it, `rj`
    and `dj` are None where they cannot be had: `why` says what is wanting. `dj` needs the unit
    interval. `line` is the first line of the scan. `unread` rows gave no usable delay or count.
    """

    site: str | None
    channel: Channel | None
    rank: int | None
    lane: int | None
    dq: int | None
    point: str | None
    unit: str
    target: float
    width: float | None
    measured: float | None
    rj: float | None
    dj: float | None
    points: tuple[Point, ...]
    line: int
    left: Edge | None = None
    right: Edge | None = None
    open_left: bool = False
    open_right: bool = False
    unread: int = 0
    why: str | None = None

    @property
    def tj(self) -> float | None:
        """Total jitter at the target rate; None without the unit interval."""
        if self.dj is None or self.rj is None:
            return None
        return self.dj + crest(self.target) * self.rj

    @property
    def where(self) -> str:
        parts = [self.site or ""]
        for word, value in (
            ("ch", self.channel),
            ("rank", self.rank or None),
            ("lane", self.lane),
            ("dq", self.dq),
        ):
            if value is not None:
                parts.append(f"{word} {value}")
        if self.point is not None:
            parts.append(f"at {self.point}")
        return " ".join(p for p in parts if p) or "the board"

    def sentence(self) -> str:
        """The scan in one sentence, for a page."""
        if self.width is None:
            text = f"{self.where}: no eye width at {show_rate(self.target)}: {self.why}"
        elif self.width == 0:
            text = f"{self.where}: no eye is left at {show_rate(self.target)}"
        else:
            text = (
                f"{self.where}: eye {_show(self.width, self.unit)} wide at "
                f"{show_rate(self.target)}, extrapolated"
            )
        if self.measured is not None:
            least = "at least " if self.open_left or self.open_right else ""
            text += f"; error-free over {least}{_show(self.measured, self.unit)}"
        if self.rj is not None:
            text += f"; random jitter {_show(self.rj, self.unit)} rms"
        if self.dj is not None:
            text += f", deterministic {_show(self.dj, self.unit)}"
        if self.unread:
            text += f"; {self.unread} row(s) of it have no delay or count that can be used"
        return text


def _show(value: float, unit: str) -> str:
    if unit == "s":
        return f"{value * 1e12:.3g} ps"
    return f"{value:.3g} UI" if unit == "UI" else f"{value:.3g} taps"


_Place = tuple[str | None, Channel | None, int | None, int | None, int | None, str | None]


@dataclass(slots=True)
class _Scan:
    counted: dict[float, tuple[int, int]]
    line: int


def eyes(run: Run, board: Board, target: float) -> tuple[Bathtub, ...]:
    """Every delay scan of a run, in the order of their first lines, with the eye's width at the
    error rate `target` (0 < target < 0.5, else ValueError).

    Counts of several tests and attempts at one delay are added up. A bare number is in taps.
    Delays of one place in unlike units are scans of their own.
    """
    if not 0 < target < 0.5:
        raise ValueError(f"a target rate lies between 0 and one half, not at {target:g}")
    scans: dict[tuple[_Place, str], _Scan] = {}
    unread: dict[_Place, list[int]] = {}
    for row in run.counts:
        if not swept(row):
            continue
        s = settle(row.scope, board)
        place: _Place = (s.site, s.channel, s.rank, s.lane, row.scope.dq, row.point)
        delay = _delay(row.extra["delay"])
        if delay is None or not row.bits or row.errors is None or row.errors > row.bits:
            unread.setdefault(place, []).append(row.position.line)
            continue
        value, unit = delay
        scan = scans.setdefault((place, unit), _Scan({}, row.position.line))
        errors, bits = scan.counted.get(value, (0, 0))
        scan.counted[value] = (errors + row.errors, bits + row.bits)
    out = [
        _bathtub(
            place, unit, scan, target, _interval(unit, run.head.rate), len(unread.pop(place, ()))
        )
        for (place, unit), scan in scans.items()
    ]
    out += [
        Bathtub(
            *place,
            "tap",
            target,
            None,
            None,
            None,
            None,
            (),
            lines[0],
            unread=len(lines),
            why="no delay of the scan can be read",
        )
        for place, lines in unread.items()
    ]
    return tuple(sorted(out, key=lambda b: b.line))


def _delay(text: str) -> tuple[float, str] | None:
    """The delay and its unit, None where it is no delay."""
    try:
        quantity = parse(text)
        if quantity.unit is None:
            return quantity.value, "tap"
        if quantity.unit in ("UI", "ui"):
            return quantity.value, "UI"
        if quantity.unit in ("tap", "taps", "step", "steps"):
            return quantity.value, "tap"
        if quantity.unit == "%":
            return quantity.value / 100, "UI"
        return quantity.in_unit("s"), "s"
    except ValueError:
        return None


def _interval(unit: str, rate: float | None) -> float | None:
    """The unit interval in that unit, where it is known."""
    if unit == "UI":
        return 1.0
    return 1.0 / rate if unit == "s" and rate else None


def _bathtub(
    place: _Place, unit: str, scan: _Scan, target: float, interval: float | None, unread: int
) -> Bathtub:
    points = tuple(Point(d, e, n) for d, (e, n) in sorted(scan.counted.items()))
    first, last = bottom(points)
    clean = points[first].errors == 0
    measured = points[last].delay - points[first].delay if clean else None
    # The bottom of a closed eye belongs to both flanks at once, so to neither line.
    left = fit(_tail(points, range(first - 1, -1, -1)), -1)
    right = fit(_tail(points, range(last + 1, len(points))), 1)
    open_left, open_right = first == 0 and clean, last == len(points) - 1 and clean
    width = rj = dj = why = None
    if left is None or right is None:
        side = "left" if left is None else "right"
        if left is None and right is None:
            side = "left or the right"
        why = f"too few counts with errors on the {side} flank: step the delay finer there"
        if (left is None and open_left) or (right is None and open_right):
            why = "the scan ends before the eye does: sweep further"
    else:
        q = q_of(target)
        width = max(0.0, right.at(q, 1) - left.at(q, -1))
        rj = (left.sigma + right.sigma) / 2
        if interval is not None:
            dj = interval - (right.zero - left.zero)
    return Bathtub(
        *place,
        unit,
        target,
        width,
        measured,
        rj,
        dj,
        points,
        scan.line,
        left,
        right,
        open_left,
        open_right,
        unread,
        why,
    )


def bottom(points: Sequence[Point]) -> tuple[int, int]:
    """First and last index of the longest error-free run, else of the point of least rate."""
    best: tuple[int, int] | None = None
    start: int | None = None
    for i, point in enumerate(points):
        if point.errors:
            start = None
            continue
        start = i if start is None else start
        if best is None or point.delay - points[start].delay > (
            points[best[1]].delay - points[best[0]].delay
        ):
            best = (start, i)
    if best is not None:
        return best
    least = min(range(len(points)), key=lambda i: points[i].rate)
    return least, least


def _tail(points: Sequence[Point], outward: Iterable[int]) -> list[Point]:
    """The points of one flank, from the bottom of the eye outwards, up to the first whose rate
    is no longer that of a tail. A clean point among them is skipped: it has no Q."""
    found = []
    for i in outward:
        if points[i].rate > MOST:
            break
        if points[i].errors:
            found.append(points[i])
    return found


def fit(points: Sequence[Point], outward: int) -> Edge | None:
    """The line through a flank in Q space, each point weighed by what its count is worth.

    `outward` is -1 for the left flank, where Q rises with the delay, 1 for the right. None with
    fewer than two delays, or where the line leans the wrong way.
    """
    if len({p.delay for p in points}) < LEAST_POINTS:
        return None
    sums = [0.0] * 5
    for p in points:
        q = q_of(p.rate)
        bell = math.exp(-0.5 * q * q) / math.sqrt(2 * math.pi)
        variance = p.rate * (1 - p.rate) / p.bits / (bell * bell) + MODEL_SPREAD**2
        for i, term in enumerate((1.0, p.delay, q, p.delay * p.delay, p.delay * q)):
            sums[i] += term / variance
    weight, x, y, xx, xy = sums
    spread = xx - x * x / weight
    slope = (xy - x * y / weight) / spread
    if slope * -outward <= 0:
        return None
    return Edge((x - y / slope) / weight, 1 / abs(slope))
