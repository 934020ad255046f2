"""Delays along the lanes of a channel: a steady slope is the board, a step out of it is told.

Lanes far from the controller come later by design (fly-by routing), so delays follow a line. One
that steps out of it by far more than the others scatter says something of the delay line or of the
way there, and nothing of the lane's health: its eye may be as wide as ever, only elsewhere. So it
is no evidence of a fault, and a note with its line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from memdiag.evidence.coverage import DATA_STEPS
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measured, Measurements
from memdiag.model import Place, Result, TrainingRow
from memdiag.stats import robust
from memdiag.stats.outliers import median

FEWEST_LANES = 6
"""With fewer lanes a line through them follows each of them too closely."""

FAR = 6.0
"""Standard deviations of the other lanes (by their MAD) from which on a delay steps out of line:
of normal delays one in 5e8 lies so far. Common practice is 3.5 for one; here every lane is
asked."""

LEAST_STEP = 2.0
"""Taps: delays are whole taps, and two sweeps of one eye differ by one."""


class _Delay(Struct, frozen=True):
    place: Place
    taps: float
    line: int


def delays(measured: Measurements, evidence: Evidence) -> None:
    """A note on each lane whose delay steps out of the line of its channel."""
    series: dict[tuple[Place, str, str | None, str | None], list[_Delay]] = {}
    for group in measured:
        if group.place.lane is None:
            continue
        at = replace(group.place, site=None, lane=None)
        for (step, point, candidate), row in _chosen(group).items():
            assert row.delay is not None
            found = _Delay(group.place, row.delay.value, row.position.line)
            series.setdefault((at, step, point, candidate), []).append(found)
    for (_, step, *_), lanes in series.items():
        evidence.notes += [_note(step, *odd) for odd in _out_of_line(lanes)]


def _chosen(group: Measured) -> dict[tuple[str, str | None, str | None], TrainingRow]:
    """The last row of each data step with a delay in taps that works: the rig prints the best one
    again at the end. Delays of other candidates (bitslips) start elsewhere."""
    last: dict[tuple[str, str | None], TrainingRow] = {}
    for row in group.training:
        if row.step in DATA_STEPS and _tells(row):
            last[row.step, row.point] = row
    return {(*at, row.candidate): row for at, row in last.items()}


def _tells(row: TrainingRow) -> bool:
    """Whether it has a delay in taps that works, of a whole lane."""
    in_taps = row.delay is not None and row.delay.unit in (None, "tap", "taps")
    return in_taps and row.place.dq is None and row.result in (*_WORKS, None)


_WORKS = (Result.PASS, Result.MARGINAL)


def _out_of_line(lanes: Sequence[_Delay]) -> Iterator[tuple[_Delay, float, float]]:
    """The lanes whose delay lies far from the line through all, how far, and how far the others
    scatter about it."""
    if len(lanes) < FEWEST_LANES:
        return
    points = [(float(each.place.lane or 0), each.taps) for each in lanes]
    fitted = robust.line(points)
    if fitted is None:
        return
    level = median([y - fitted.slope * x for x, y in points])
    off = [y - fitted.slope * x - level for x, y in points]
    scatter = math.hypot(robust.deviation(off), robust.STEP_ERROR)
    for each, away in zip(lanes, off, strict=True):
        if abs(away) > max(FAR * scatter, LEAST_STEP):
            yield each, away, scatter


def _note(step: str, at: _Delay, away: float, scatter: float) -> str:
    side = "later" if away > 0 else "earlier"
    where = at.place.words("ch").strip()
    return (
        f"line {at.line}: the {step} delay of {where} is {abs(away):.0f} taps {side} than the "
        f"other lanes lead to expect (they scatter by {scatter:.1f}): that is about its delay "
        "line or its way on the board, and says nothing of how wide its eye is"
    )
