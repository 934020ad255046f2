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

from msgspec import Struct
from msgspec.structs import replace

from memdiag.evidence.measurements import Measurements
from memdiag.model import Place
from memdiag.model.quantities import parse, show_rate
from memdiag.stats.dual_dirac import Edge, Point, bottom, fit, q_of, tail


class Bathtub(Struct, frozen=True):
    """The scan of one place. Figures are in `unit` (`UI`, `s` or `tap`).

    `measured` is the width of the error-free run of points, first to last, None where every
    point had errors; it is a lower limit where `open_left` or `open_right` says that the scan
    ended before the eye did. `width` is what is left at the rate `target`, at least 0; it, `rj`
    and `dj` are None where they cannot be had: `why` says what is wanting. `dj` needs the unit
    interval. `line` is the first line of the scan. `unread` rows gave no usable delay or count.
    """

    place: Place
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
    def where(self) -> str:
        at = self.place.words("ch")
        if self.point is not None:
            at += f" at {self.point}"
        return at.strip() or "the board"

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


_At = tuple[Place, str | None]
"""A place and a set point."""


class _Scan(Struct):
    counted: dict[float, tuple[int, int]]
    line: int


def eyes(measured: Measurements, target: float) -> tuple[Bathtub, ...]:
    """Every delay scan of a run, in the order of their first lines, with the eye's width at the
    error rate `target` (0 < target < 0.5, else ValueError).

    Counts of several tests and attempts at one delay are added up. A bare number is in taps.
    Delays of one place in unlike units are scans of their own.
    """
    if not 0 < target < 0.5:
        raise ValueError(f"a target rate lies between 0 and one half, not at {target:g}")
    scans: dict[tuple[_At, str], _Scan] = {}
    unread: dict[_At, list[int]] = {}
    for group in measured.groups.values():
        for row in group.swept:
            at = (replace(group.place, dq=row.place.dq), row.point)
            delay = _delay(row.extra["delay"])
            if delay is None or not row.bits or row.errors is None or row.errors > row.bits:
                unread.setdefault(at, []).append(row.position.line)
                continue
            value, unit = delay
            scan = scans.setdefault((at, unit), _Scan({}, row.position.line))
            errors, bits = scan.counted.get(value, (0, 0))
            scan.counted[value] = (errors + row.errors, bits + row.bits)
    rate = measured.run.head.rate
    out = [
        _bathtub(at, unit, scan, target, _interval(unit, rate), len(unread.pop(at, ())))
        for (at, unit), scan in scans.items()
    ]
    why = "no delay of the scan can be read"
    out += [
        Bathtub(
            *at, "tap", target, None, None, None, None, (), lines[0], unread=len(lines), why=why
        )
        for at, lines in unread.items()
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
    at: _At, unit: str, scan: _Scan, target: float, interval: float | None, unread: int
) -> Bathtub:
    points = tuple(Point(d, e, n) for d, (e, n) in sorted(scan.counted.items()))
    first, last = bottom(points)
    clean = points[first].errors == 0
    measured = points[last].delay - points[first].delay if clean else None
    # The bottom of a closed eye belongs to both flanks at once, so to neither line.
    left = fit(tail(points, range(first - 1, -1, -1)), -1)
    right = fit(tail(points, range(last + 1, len(points))), 1)
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
        *at,
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
