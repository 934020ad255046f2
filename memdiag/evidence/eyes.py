"""Eye widths and heights of a run, each against what is healthy, as evidence at its place."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from memdiag.evidence import error_counts, margins
from memdiag.evidence.covered import Cover
from memdiag.evidence.gathered import ThinEye
from memdiag.evidence.measurements import Measurements, width_of
from memdiag.evidence.nodes import Array, Node, Way, of_line
from memdiag.evidence.training_steps import KIND, WAYS, Limits, is_habit
from memdiag.model import FAILED, Place, Quote, Result, TrainingRow
from memdiag.model.figures import Table
from memdiag.stats.windows import measure

_F = Table("Eyes of a run")

MIN_LISTED = 4
"""With fewer lanes in a list of error words, none of them can be called usual."""

THIN = _F.practice("thin", 0.7, "share of a healthy width under which no eye leaves a shop")
"""Eyes of sound lanes lie within a tenth or two of each other."""

RUBBISH = _F.practice(
    "rubbish", 0.05, "share of wrong bits from which a lane reads what none drives"
)
"""Which way that goes, its rig chooses once, by how it terminates, so many such lanes say little
more of it than three."""

EYE_WEIGHT = _F.practice("weight of an eye", 0.75, "read and write share a driver and a supply")
"""Together they say less than twice as much."""

ONE_PASS = _F.practice("one pass", 0.5, "weight of no address failing twice where none did at all")
"""The test may have gone over the memory once."""

Kind = tuple[str, str, str, str | None, str]
"""(what, unit, step, point, level of detail)"""


class Eye(Struct, frozen=True):
    """The best candidate's figure of one step: value in the unit of its kind."""

    value: float
    line: int
    at_least: bool
    holes: int
    dq: int | None
    shown: str
    marginal: bool = False
    failed: bool = False
    grain: float = 0.0
    """What each edge was rounded to, in the same unit."""


class Peers:
    """Healthy widths and heights of this run, by step, unit, set point and level of detail.

    A width is held against the best of its kind; where the profile has a baseline, every lane
    against its own figure there first, so that lanes which differ by design do not look ill.
    """

    def __init__(self, measured: Measurements, thin_ui: float | None) -> None:
        self.measured = measured
        self.thin_ui = thin_ui
        self._outcomes: dict[tuple[str, Result | None, float], Array | None] = {}
        exposed: dict[object, list[tuple[int, int]]] = {}
        listed: list[int] = []
        giving_up = rubbish = 0
        pools: dict[Kind, list[float]] = {}
        grains: dict[Kind, float] = {}
        warned: dict[tuple[str | None, str], list[Result]] = {}
        self.eyes = {m.place: best_eyes(m.training, m.place) for m in measured}
        for m in measured:
            errors, seen = m.whole["errors"], m.whole["bits"]
            if errors is not None and seen:
                exposed.setdefault(level(m.place), []).append((errors, seen))
            if m.place.lane is not None:
                listed.append(m.tally.rows if m.tally is not None else 0)
            for step, result in m.results.items():
                warned.setdefault((m.place.site, step), []).append(result)
            giving_up += any(is_habit(r.step, r.result) for r in m.training)
            rubbish += (errors or 0) > RUBBISH * (seen or 0) > 0
            for kind, figures in self.eyes[m.place].items():
                usual = self.usual(kind, m.place)
                pools.setdefault(kind, []).extend(f.value / usual for f in figures)
                grain = max((f.grain / usual for f in figures), default=0.0)
                grains[kind] = max(grain, grains.get(kind, 0.0))
        self._together = {
            at: len(results)
            for at, results in warned.items()
            if len(set(results)) == 1 and at[0] is not None
        }
        self.habit = min(1.0, 3.0 / max(giving_up, 1))
        self.pull = min(1.0, 3.0 / max(rubbish, 1))
        self.longest = max(listed, default=0)
        twice = any(m.tally is not None and m.tally.rows > m.tally.cells > 0 for m in measured)
        self.again = 1.0 if twice else ONE_PASS
        self.alike = {at: error_counts.common(lanes) for at, lanes in exposed.items()}
        self.listed_common = len(listed) >= MIN_LISTED and float(statistics.median(listed)) >= 1
        self._found = {
            kind: margins.reference(pool, self._floor(kind), grains[kind])
            for kind, pool in pools.items()
        }
        # Nothing but zeros in a pool: the margins of that kind were never measured.
        self._unmeasured = {k for k, pool in pools.items() if len(pool) > 1 and not any(pool)}

    def outcome(self, step: str, result: Result | None, share: float) -> Array | None:
        """(R, views, S) log likelihood of how a step ended, under each of the limits the rig may
        keep; None where it says nothing."""
        asked = (step, result, share)
        if asked not in self._outcomes:
            tables = [limits.outcome(*asked) for _, limits, _ in self.kept]
            known = [table for table in tables if table is not None]
            self._outcomes[asked] = np.array(known) if known else None
        return self._outcomes[asked]

    def share(self, place: Place, step: str) -> float:
        """A place's share of the warning that a step of its package gave or did not give."""
        return 1.0 / self._together.get((place.site, step), 1)

    def usual(self, kind: Kind, place: Place) -> float:
        """What the baseline has for that lane, 1 where there is none."""
        baseline = self.measured.board.baseline
        healthy = baseline.eye(kind[0], kind[1], kind[2], place.lane) if baseline else None
        return healthy.centre if healthy is not None else 1.0

    def cover(self, place: Place) -> Cover:
        """How many lanes a place covers, and how many of them one package."""
        if place.lane is not None:
            return Cover()
        counts = Counter(site.ref for site, _ in self.measured.board.links(place))
        if not counts:
            return Cover()
        return Cover(counts.total(), max(counts.values()))

    def margin(self, eye: Eye, kind: Kind, place: Place) -> float | None:
        """Log of the eye against its healthy peers; None where nothing is healthy, or no eye."""
        healthy = self.of(kind)
        if healthy is None or eye.value <= 0:
            return None
        return math.log(eye.value / self.usual(kind, place) / healthy.reference)

    def thin(self) -> Iterator[ThinEye]:
        """The eyes under `THIN` of the healthy ones of their kind, in the order of the places."""
        for place, kinds in self.eyes.items():
            for kind, figures in kinds.items():
                healthy = self.of(kind)
                for eye in figures if healthy is not None else ():
                    margin = self.margin(eye, kind, place)
                    share = math.exp(margin) if margin is not None else 0.0
                    if share < THIN and not eye.at_least:
                        at = replace(place, dq=eye.dq)
                        yield ThinEye(at, str(kind[2]), eye.shown, share, eye.line)

    def _floor(self, kind: Kind) -> float:
        limit = self.thin_ui or margins.ABSOLUTE_THIN_UI
        if self.usual(kind, Place()) != 1.0:
            return 0.0
        if kind[1] == "UI":
            return limit
        if kind[1] == "s" and self.measured.run.head.rate:
            return limit / self.measured.run.head.rate
        return 0.0

    def of(self, kind: Kind) -> margins.Peers | None:
        return None if kind in self._unmeasured else self._found.get(kind)

    # --- what the whole run says -----------------------------------------------------------------

    def limits(self, shift: float) -> Limits:
        """The rig's limits, from its data steps with an eye beside their result, where the healthy
        width lies so much (log) above the reference."""
        return Limits(
            ((margin - shift, eye.marginal) for margin, eye in self._ended if not eye.failed),
            ((margin - shift, eye.failed) for margin, eye in self._ended if eye.value > 0),
        )

    @cached_property
    def _ended(self) -> list[tuple[float, Eye]]:
        """The log margins of the eyes of data steps."""
        return [
            (margin, eye)
            for place, kinds in self.eyes.items()
            for kind, figures in kinds.items()
            if KIND.get(kind[2]) == "data" and kind[0] == "width"
            for eye in figures
            if (margin := self.margin(eye, kind, place)) is not None
        ]

    @cached_property
    def shifts(self) -> tuple[tuple[float, float], ...]:
        """How far the best of the run may lie below what is healthy, as `margins.shifts`."""
        ratios, play = [], margins.HEALTHY_PLAY
        baseline = self.measured.board.baseline
        for kind, healthy in self._found.items():
            if healthy is None or kind in self._unmeasured or kind[0] != "width":
                continue
            learnt = baseline.eye(kind[0], kind[1], kind[2], None) if baseline else None
            usual = margins.HEALTHY_UI
            if learnt is not None:
                usual, play = 1.0, max(learnt.spread, margins.FIGURE_PLAY)
            elif kind[1] == "s" and self.measured.run.head.rate:
                usual /= self.measured.run.head.rate
            elif kind[1] != "UI":
                continue
            ratios.append(math.log(healthy.reference / usual))
        if not any(self._found.values()):
            return ((0.0, 1.0),)
        found = margins.shifts(statistics.median(ratios) if ratios else None, play)
        return found if found[0][1] < SURE or self._most_suffer() else ((0.0, 1.0),)

    @cached_property
    def kept(self) -> tuple[tuple[float, Limits, float], ...]:
        """What board and rig may keep for the whole run and nobody knows: how far the reference is
        down, where the rig has its limits, and how probable the two are together."""
        at = [(shift, self.limits(shift), p) for shift, p in self.shifts]
        if len(at) == 1 and self._some_marginal():
            shift, limits, _ = at[0]
            return tuple((shift, kept, p) for kept, p in limits.kept())
        total = sum(p * limits.fits for _, limits, p in at)
        return tuple((shift, limits, p * limits.fits / total) for shift, limits, p in at)

    def _some_marginal(self) -> bool:
        return any(r is Result.MARGINAL for m in self.measured for r in m.results.values())

    def _most_suffer(self) -> bool:
        """Whether most places have a step that is not well, or errors."""
        suffer = [
            any(r not in (Result.PASS, Result.NOT_RUN) for r in m.results.values())
            or bool(m.totals["errors"])
            for m in self.measured
        ]
        return 2 * sum(suffer) > len(suffer)


SURE = _F.practice("sure", 0.6, "share of the best reference from which others count seldom")
"""With the reference this surely where the best are, another one counts only where most suffer."""


def level(place: Place) -> tuple[bool, ...]:
    """How detailed a place is: counts are compared with counts of the same detail."""
    return tuple(part is not None for part in place.link)


def best_eyes(training: Iterable[TrainingRow], place: Place) -> dict[Kind, list[Eye]]:
    """Eye figures by kind; the best candidate of the last attempt of each. A scan prints a window
    for every candidate: most are empty on a healthy lane, so only the best one counts."""
    latest: dict[tuple[object, ...], int] = {}
    found: dict[tuple[Kind, int | None], Eye] = {}
    detail = "channel" if place.lane is None else "lane"
    frozen: dict[tuple[object, ...], int] = {}
    for row in training:
        if row.step == "level" or row.result is Result.NOT_RUN:
            continue
        if row.window is not None and measure(row.window).full:
            frozen[row.step, row.point, row.place.line] = row.attempt or 0
        for what in ("width", "height"):
            eye = _eye(row, what)
            if eye is None:
                continue
            unit, figure = eye
            depth = "line" if row.place.line is not None else detail
            at = ((what, unit, row.step, row.point, depth), row.place.line)
            attempt = row.attempt or 0
            if attempt < latest.get(at, -1):
                continue
            old = found.get(at)
            if attempt > latest.get(at, -1) or old is None or figure.value > old.value:
                found[at] = figure
            latest[at] = attempt
    out: dict[Kind, list[Eye]] = {}
    for (kind, dq), figure in found.items():
        what, unit, step, point, _ = kind
        full = frozen.get((step, point, dq), -1)
        if (what, unit) == ("width", "tap") and full >= latest[kind, dq]:
            continue  # where a delay line does not move, no window of the step is an eye
        out.setdefault(kind, []).append(figure)
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
    at_least, holes, grain = False, 0, 0.0
    if what == "width" and row.width is None and unit == "tap":
        # A spread is the lesser of the two sides: it is rounded for both edges at once.
        grain = 2.0 if row.window is None else row.taps or 1.0
    if what == "width" and row.window is not None:
        window = measure(row.window, row.taps or 1.0)
        at_least, holes = window.lower_limit, window.holes
        if window.full:
            return None  # a delay line that does not move, not an eye
    if value == 0 and row.result in (Result.PASS, None) and row.window is None:
        return None  # a passing step without an eye was not measured
    marginal = row.result is Result.MARGINAL
    line = row.position.line
    failed = row.result in FAILED
    shown = str(quantity)
    return unit, Eye(value, line, at_least, holes, row.place.line, shown, marginal, failed, grain)


def add_widths(at: Place, place: Node, line: Callable[[int], Node], peers: Peers) -> None:
    """The widths and heights of a place, at it or at its data lines."""
    shifts = [shift for shift, _, _ in peers.kept]
    for kind, figures in peers.eyes[at].items():
        healthy = peers.of(kind)
        if healthy is None:
            continue
        for eye in figures:
            if kind[0] == "height" and eye.failed and not eye.value:
                continue  # a step that found nothing has no eye: its width has said so
            value = eye.value / peers.usual(kind, at)
            known = margins.width_logliks(
                value, healthy, shifts, at_least=eye.at_least, failed=eye.failed
            )
            if known is None:
                continue
            target = place if eye.dq is None else line(eye.dq)
            way = WAYS.get(kind[2], Way.ANY)
            seen = known[:, None, :]
            target.add(seen if eye.dq is None else of_line(seen), EYE_WEIGHT, way)
            ratio = value / healthy.reference
            if ratio < 0.8 or eye.holes:
                holes = f", {eye.holes} hole(s) in it" if eye.holes else ""
                says = f"{kind[2]} eye {kind[0]} {eye.shown}{holes}: {ratio:.0%} of its peers'"
                target.quotes.append(Quote(eye.line, says))
