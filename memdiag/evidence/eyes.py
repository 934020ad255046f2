"""Eye widths and heights of a run, each against its peers, as evidence at its place."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from memdiag.evidence import common_shift, error_counts, margins
from memdiag.evidence.gathered import ThinEye
from memdiag.evidence.measurements import Measurements, width_of
from memdiag.evidence.nodes import LINE_OF, Node
from memdiag.model import FAILED, Place, Quote, Result, TrainingRow
from memdiag.stats.windows import measure

MIN_LISTED = 4
"""With fewer lanes in a list of error words, none of them can be called usual."""


THIN = 0.7
"""An eye narrower than this share of its healthy peers' does not go out of a shop (common practice,
no source): eyes of sound lanes lie within a tenth or two of each other."""


@dataclass
class Peers:
    """Healthy widths and heights of this run, by step, unit, set point and level of detail."""

    measured: Measurements
    thin_ui: float | None

    def cover(self, place: Place) -> error_counts.Cover:
        """How many lanes a place covers, and how many of them one package."""
        if place.lane is not None:
            return error_counts.Cover()
        counts = Counter(site.ref for site, _ in self.measured.board.links(place))
        if not counts:
            return error_counts.Cover()
        return error_counts.Cover(counts.total(), max(counts.values()))

    def __post_init__(self) -> None:
        exposed: dict[object, list[tuple[int, int]]] = {}
        listed: list[int] = []
        giving_up = 0
        pools: dict[tuple[object, ...], list[float]] = {}
        found: dict[tuple[object, ...], list[tuple[Place, Eye]]] = {}
        self.eyes = {m.place: best_eyes(m.training, m.place) for m in self.measured}
        for m in self.measured:
            errors, seen = m.whole["errors"], m.whole["bits"]
            if errors is not None and seen:
                exposed.setdefault(level(m.place), []).append((errors, seen))
            if m.place.lane is not None:
                listed.append(m.tally.rows if m.tally is not None else 0)
            giving_up += any(r.result in FAILED and r.step != "id" for r in m.training)
            for kind, figures in self.eyes[m.place].items():
                pools.setdefault(kind, []).extend(f.value for f in figures)
                found.setdefault(kind, []).extend((m.place, f) for f in figures)
        self.habit = min(1.0, 3.0 / max(giving_up, 1))
        self.background = {at: error_counts.background(lanes) for at, lanes in exposed.items()}
        self.listed_common = len(listed) >= MIN_LISTED and float(np.median(listed)) >= 1
        self._found = {
            kind: margins.reference(pool, self._floor(kind)) for kind, pool in pools.items()
        }
        # Nothing but zeros in a pool: the margins of that kind were never measured.
        self._unmeasured = {k for k, pool in pools.items() if len(pool) > 1 and not any(pool)}
        self.shifts = {kind: self._shifts(kind, those) for kind, those in found.items()}

    def _shifts(
        self, kind: tuple[object, ...], found: Iterable[tuple[Place, Eye]]
    ) -> Mapping[tuple[Place, int | None], common_shift.Shift]:
        healthy = self.of(kind)
        if healthy is None:
            return {}
        return common_shift.find(
            (
                (key, eye.dq, math.log(eye.value / healthy.reference))
                for key, eye in found
                if eye.value > 0 and not eye.at_least
            ),
            healthy,
        )

    def shared(self) -> Iterator[tuple[Place, dict[str, float], float, str]]:
        """The shared factors: place, log likelihood, weight and words. The kinds of figure at a
        place repeat one measurement more than they add to it."""
        at: dict[Place, dict[tuple[object, ...], float]] = {}
        for kind, found in self.shifts.items():
            for shift in found.values():
                at.setdefault(shift.at, {})[kind] = shift.log
        for key, logs in at.items():
            for kind, log in logs.items():
                healthy = self.of(kind)
                assert healthy is not None
                width = math.exp(log) * healthy.reference
                table = margins.width_loglik(width, healthy, shared=True)
                if table is not None:
                    says = f"{kind[2]} eye {kind[0]}s: all at {math.exp(log):.0%} of their peers'"
                    yield key, table, 1 / math.sqrt(len(logs)), says

    def thin(self) -> Iterator[ThinEye]:
        """The eyes under `THIN` of the healthy ones of their kind, in the order of the places."""
        for place, kinds in self.eyes.items():
            for kind, figures in kinds.items():
                healthy = self.of(kind)
                for eye in figures if healthy is not None else ():
                    share = eye.value / healthy.reference if healthy is not None else 1.0
                    if share < THIN and not eye.at_least:
                        at = replace(place, dq=eye.dq)
                        yield ThinEye(at, str(kind[2]), eye.shown, share, eye.line)

    def _floor(self, kind: tuple[object, ...]) -> float:
        unit = kind[1]
        limit = self.thin_ui or margins.ABSOLUTE_THIN_UI
        if unit == "UI":
            return limit
        if unit == "s" and self.measured.run.head.rate:
            return limit / self.measured.run.head.rate
        return 0.0

    def of(self, kind: tuple[object, ...]) -> margins.Peers | None:
        return None if kind in self._unmeasured else self._found.get(kind)


def level(place: Place) -> tuple[bool, ...]:
    """How detailed a place is: counts are compared with counts of the same detail."""
    return tuple(part is not None for part in place.link)


@dataclass(frozen=True, slots=True)
class Eye:
    """The best candidate's figure of one step: value in the unit of its kind."""

    value: float
    line: int
    at_least: bool
    holes: int
    dq: int | None
    shown: str


def best_eyes(training: Iterable[TrainingRow], place: Place) -> dict[tuple[object, ...], list[Eye]]:
    """Eye figures by kind `(what, unit, step, point, detail)`; the best candidate of the last
    attempt of each. A scan prints a window for every candidate: most are empty on a healthy
    lane, so only the best one counts."""
    latest: dict[tuple[object, ...], int] = {}
    found: dict[tuple[object, ...], Eye] = {}
    detail = "channel" if place.lane is None else "lane"
    for row in training:
        if row.step == "level" or row.result is Result.NOT_RUN:
            continue
        for what in ("width", "height"):
            eye = _eye(row, what)
            if eye is None:
                continue
            unit, figure = eye
            level = "line" if row.place.line is not None else detail
            kind = (what, unit, row.step, row.point, level)
            at = (*kind, row.place.line)
            attempt = row.attempt or 0
            if attempt < latest.get(at, -1):
                continue
            old = found.get(at)
            if attempt > latest.get(at, -1) or old is None or figure.value > old.value:
                found[at] = figure
            latest[at] = attempt
    out: dict[tuple[object, ...], list[Eye]] = {}
    for (*kind_of, _), figure in found.items():
        out.setdefault(tuple(kind_of), []).append(figure)
    return out


def _eye(row: TrainingRow, what: str) -> tuple[str, Eye] | None:
    quantity = width_of(row) if what == "width" else row.height
    if quantity is None or quantity.value < 0:
        return None
    unit, value = quantity.unit or "tap", quantity.value
    if unit not in ("UI", "tap", "%"):
        base = "V" if what == "height" else "s"
        try:
            value, unit = quantity.in_unit(base), base
        except ValueError:
            return None
    at_least, holes = False, 0
    if what == "width" and row.window is not None:
        window = measure(row.window, row.taps or 1.0)
        at_least, holes = window.lower_limit, window.holes
        if window.full:
            return None  # a delay line that does not move, not an eye
    if value == 0 and row.result in (Result.PASS, None) and row.window is None:
        return None  # a passing step without an eye was not measured
    return unit, Eye(value, row.position.line, at_least, holes, row.place.line, str(quantity))


EYE_WEIGHT = 0.75
"""Read and write eyes share a driver and a supply: together they say less than twice as much."""


def add_widths(at: Place, place: Node, line: Callable[[int], Node], peers: Peers) -> None:
    for kind, figures in peers.eyes[at].items():
        healthy = peers.of(kind)
        if healthy is None:
            continue
        for eye in figures:
            shift = peers.shifts[kind].get((at, eye.dq))
            if shift is None:
                table = margins.width_loglik(eye.value, healthy, at_least=eye.at_least)
            else:
                table = margins.beside_shift(common_shift.apart(eye.value, shift), healthy)
            if table is None:
                continue
            target = place
            if eye.dq is not None:
                target = line(eye.dq)
                table = {state: table[LINE_OF[state]] for state in target.states}
            target.add(table, EYE_WEIGHT)
            ratio = eye.value / healthy.reference
            if ratio < 0.8 or eye.holes:
                holes = f", {eye.holes} hole(s) in it" if eye.holes else ""
                says = f"{kind[2]} eye {kind[0]} {eye.shown}{holes}: {ratio:.0%} of its peers'"
                target.quotes.append(Quote(eye.line, says))
