"""Ohm readings and an injection judged without a dump: which rail, which package, what next.

A second set of readings, taken with packages off, joins the first under one posterior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from memdiag.diagnosis import cautions, hypotheses, search
from memdiag.diagnosis.judge import conclude
from memdiag.diagnosis.settings import Settings
from memdiag.evidence import rails
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Place, RailRow, Run
from memdiag.model.rails import RailReading, RailsReport
from memdiag.repair import rail_doubts

_PRIOR = {"normal": 0.77, "high": 0.03, "low": 0.12, "short": 0.08}


def check(
    runs: Sequence[Run], board: Board, *, volts: float = 1.0, settings: Settings | None = None
) -> RailsReport:
    """Judge the readings of the first run; later runs hold those taken with packages off.

    `volts`: what an injection would use.
    """
    first, settings = runs[0], settings or Settings()
    measured = measure(first, board)
    evidence = gather(measured)
    for later in runs[1:]:
        evidence.nodes += gather(measure(later, board)).nodes
    _attribute(evidence.nodes)
    case = hypotheses.build(first, board, evidence, settings)
    posterior = search.infer(case.model)
    judged = tuple(r for run in runs for r in _readings(run, board))
    verdict = rail_doubts.held(
        conclude(measured, evidence, case, posterior, settings, rails_only=True), runs, judged
    )
    before = {row.rail: row.ohms for row in first.rails}
    accounted = tuple(
        (row.rail, through)
        for run in runs[1:]
        for row in run.rails
        if row.rail in before
        and (through := rails.through_package(before[row.rail], row.ohms)) is not None
    )
    injections = tuple(_injections(judged, board, volts))
    told = cautions.for_readings(verdict.findings, board, injects=bool(injections))
    return RailsReport(verdict, judged, accounted, injections, told)


def _attribute(nodes: list[Node]) -> None:
    """What a rail drew that is gone with packages off, they drew: its first reading speaks of those
    packages then, and no longer of the rail itself."""
    first: dict[Place, Node] = {}
    for node in (n for n in nodes if n.kind == "rail"):
        before = first.setdefault(node.place, node)
        off = tuple(ref for ref in before.sites if ref not in node.sites)
        if off and before.sound_log_ratio < -CAME_BACK and node.sound_log_ratio == 0:
            before.sites, before.place = off, Place()


CAME_BACK = 2.0
"""Log likelihood ratio by which a reading was not normal that came back."""


def _readings(run: Run, board: Board) -> list[RailReading]:
    return [_reading(row, board, tuple(run.head.removed or ())) for row in run.rails]


def _reading(row: RailRow, board: Board, off: tuple[str, ...]) -> RailReading:
    rail = board.rail(row.rail)
    table = rails.reading_loglik(row.ohms, row.trend, rail)
    weights = {s: _PRIOR[s] * math.exp(v) for s, v in table.items()}
    total = sum(weights.values())
    chances = {s: w / total for s, w in weights.items()}
    least = rail.healthy_ohms_min if rail is not None else None
    return RailReading(row.rail, row.ohms, row.trend, off, chances, rail is not None, least)


def _injections(
    judged: Sequence[RailReading], board: Board, volts: float
) -> list[tuple[str, float, float, float, str | None]]:
    """An injection at each rail whose last reading is low: one that came back is left alone."""
    out = []
    for reading in {r.rail: r for r in judged}.values():
        if not reading.known or reading.chances["normal"] > 0.5:
            continue
        rail = board.rail(reading.rail)
        driven = rails.injection(reading.ohms, volts)
        if driven is not None:
            amps, watts = driven
            out.append((reading.rail, volts, amps, watts, rails.over_limits(volts, amps, rail)))
    return out
