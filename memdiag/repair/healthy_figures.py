"""What one good board shows: its eyes, the slope of its delays, its counts and its ohms.

Figures are kept by place, so that several dumps of one board become one set: their medians.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Literal, NamedTuple, TypeVar

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.evidence.measurements import Measured, Measurements, width_in_ui, width_of
from memdiag.model import FAILED, STEPS, Place, Result, Run, TrainingRow
from memdiag.model.quantities import Quantity, scale
from memdiag.stats import median, windows
from memdiag.stats.robust import Line, line

Detail = Literal["lane", "line", "channel"]
"""Of what an eye is: a whole lane, one data line, or a channel whose lanes nobody named."""

DETAILS: tuple[Detail, ...] = ("lane", "line", "channel")
"""As they are preferred where there are several."""


class EyeOf(NamedTuple):
    """Which eye: its kind, and where."""

    what: str
    unit: str
    step: str
    detail: Detail
    place: Place


class DelaysOf(NamedTuple):
    """Which delays lie on one line: those of a step along the lanes of a channel."""

    step: str
    point: str | None
    channel: Place


class Figures(Struct, frozen=True):
    """The figures of a dump or of a board. Eyes are in the unit of their kind, slopes in taps a
    lane; `counts` are the wrong bits and all bits of each place."""

    eyes: Mapping[EyeOf, float] = field(default_factory=dict)
    slopes: Mapping[DelaysOf, Line] = field(default_factory=dict)
    ohms: Mapping[str, float] = field(default_factory=dict)
    counts: Mapping[Place, tuple[int, int]] = field(default_factory=dict)


def of_dump(measured: Measurements) -> Figures:
    """The figures of a dump of a board that is well; rows of links that it does not have are
    nobody's."""
    run, board = measured.run, measured.board
    groups = [group for group in measured if any(board.links(group.place))]
    rails = {rail.name for rail in board.rails}
    eyes = _eyes(groups, run.head.rate)
    return Figures(eyes, _slopes(groups), _ohms(run, rails), _counts(groups))


def of_board(dumps: Sequence[Figures]) -> Figures:
    """The figures of a board, of which there may be several dumps."""
    if len(dumps) == 1:
        return dumps[0]
    counts: dict[Place, tuple[int, int]] = {}
    for dump in dumps:
        for place, (errors, bits) in dump.counts.items():
            before = counts.get(place, (0, 0))
            counts[place] = (before[0] + errors, before[1] + bits)
    slopes = {
        key: Line(median([s.slope for s in found]), median([s.error for s in found]))
        for key, found in _gathered(dump.slopes for dump in dumps).items()
    }
    return Figures(
        {key: median(found) for key, found in _gathered(dump.eyes for dump in dumps).items()},
        slopes,
        {key: median(found) for key, found in _gathered(dump.ohms for dump in dumps).items()},
        counts,
    )


K = TypeVar("K")
V = TypeVar("V")


def _gathered(several: Iterable[Mapping[K, V]]) -> dict[K, list[V]]:
    found: dict[K, list[V]] = {}
    for each in several:
        for key, value in each.items():
            found.setdefault(key, []).append(value)
    return found


# -- eyes ---------------------------------------------------------------------------------------


def _eyes(groups: Sequence[Measured], rate: float | None) -> dict[EyeOf, float]:
    """The best candidate of the last attempt that worked; of several set points the narrowest, for
    what a lane is worth is what it shows at the hardest one."""
    best: dict[tuple[EyeOf, str | None], float] = {}
    for group in groups:
        for row in _last(group.training):
            for key, value in _eyes_of(row, group.place, rate):
                best[key, row.point] = max(value, best.get((key, row.point), 0.0))
    narrowest: dict[EyeOf, float] = {}
    for (key, _), value in best.items():
        narrowest[key] = min(value, narrowest.get(key, math.inf))
    return narrowest


def _last(training: Iterable[TrainingRow]) -> list[TrainingRow]:
    """The rows of the last attempt of each step, those left out that found nothing that works."""
    latest: dict[tuple[str, str | None, int | None], list[TrainingRow]] = {}
    for row in training:
        if row.result is Result.NOT_RUN or row.step not in STEPS:
            continue
        rows = latest.setdefault((row.step, row.point, row.place.line), [])
        if rows and (row.attempt or 0) > (rows[-1].attempt or 0):
            rows.clear()
        if not rows or (row.attempt or 0) == (rows[-1].attempt or 0):
            rows.append(row)
    return [row for rows in latest.values() for row in rows if row.result not in FAILED]


def _eyes_of(row: TrainingRow, at: Place, rate: float | None) -> Iterator[tuple[EyeOf, float]]:
    if row.step == "level":
        return  # half a clock wide on any board: no margin of the data
    detail: Detail = "channel" if at.lane is None else "lane"
    if row.place.line is not None:
        detail = "line"
    place = replace(at, dq=row.place.line)
    for what, quantity, base in (("width", _width(row, rate), "s"), ("height", row.height, "V")):
        figure = None if quantity is None else _in_kind(quantity, base)
        if figure is not None:
            yield EyeOf(what, figure[1], row.step, detail, place), figure[0]


def _width(row: TrainingRow, rate: float | None) -> Quantity | None:
    """A sweep in which every tap works tells of a delay line that does not move, and an eye wider
    than the bit of a mistake: neither is an eye."""
    if row.window is not None and windows.measure(row.window).full:
        return None
    width = width_of(row)
    return None if (width_in_ui(width, rate) or 0.0) > 1 else width


def _in_kind(quantity: Quantity, base: str) -> tuple[float, str] | None:
    """The figure and its unit: UI or taps as printed (a bare number is in taps), else the `base`.
    None where it is no eye: a step that passes with an eye of nothing did not measure it."""
    if quantity.value <= 0:
        return None
    unit = scale(quantity.unit or "tap")[1]
    return (quantity.value, unit) if unit in _AS_IS else (quantity.in_unit(base), base)


_AS_IS = frozenset({"UI", "tap"})


# -- delays, ohms, counts -----------------------------------------------------------------------


def _slopes(groups: Sequence[Measured]) -> dict[DelaysOf, Line]:
    """The line through the chosen delays of each channel's lanes, in the order of their numbers.
    Of a lane with several rows the widest candidate's, of several lines their median."""
    chosen: dict[tuple[DelaysOf, int], dict[int | None, TrainingRow]] = {}
    for group in groups:
        at, lane = group.place, group.place.lane
        if lane is None:
            continue
        for row in _last(group.training):
            if row.delay is not None and _is_in_taps(row.delay):
                key = DelaysOf(row.step, row.point, Place(None, at.channel, at.rank))
                lines = chosen.setdefault((key, lane), {})
                before = lines.get(row.place.line)
                if before is None or _how_wide(row) >= _how_wide(before):
                    lines[row.place.line] = row
    points: dict[DelaysOf, list[tuple[float, float]]] = {}
    for (key, lane), rows in chosen.items():
        taps = median([row.delay.value for row in rows.values() if row.delay is not None])
        points.setdefault(key, []).append((float(lane), taps))
    fitted = ((key, line(found)) for key, found in points.items())
    return {key: found for key, found in fitted if found is not None}


def _is_in_taps(delay: Quantity) -> bool:
    return delay.unit is None or scale(delay.unit)[1] == "tap"


def _how_wide(row: TrainingRow) -> float:
    width = width_of(row)
    return -1.0 if width is None else width.value


def _ohms(run: Run, rails: Collection[str]) -> dict[str, float]:
    """The readings of the board's rails with everything fitted, the meter at rest."""
    if run.head.removed:
        return {}
    found: dict[str, list[float]] = {}
    for row in run.rails:
        still = row.trend in (None, "settled")
        if row.rail in rails and still and 0 < row.ohms < math.inf:
            found.setdefault(row.rail, []).append(row.ohms)
    return {rail: median(ohms) for rail, ohms in found.items()}


def _counts(groups: Sequence[Measured]) -> dict[Place, tuple[int, int]]:
    """Wrong bits and all bits by the finest places that were counted, so that none counts twice."""
    found: dict[Place, tuple[int, int]] = {}
    for group in groups:
        errors, bits = group.totals["errors"], group.totals["bits"]
        if bits and errors is not None and errors <= bits:
            found[group.place] = (errors, bits)
    wide = {p for p in found if any(p != other and p.covers(other) for other in found)}
    return {place: counted for place, counted in found.items() if place not in wide}
