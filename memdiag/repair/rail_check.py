"""Ohm readings and an injection judged without a dump: which rail, which package, what next.

A second set of readings, taken with packages off, is a later run of the same case: what is said
is the board as it came, from all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from memdiag.diagnosis import cautions
from memdiag.diagnosis.settings import Settings
from memdiag.evidence import rails
from memdiag.evidence.nodes import READINGS
from memdiag.model import Board, RailRow, Run
from memdiag.model.rails import RailReading, RailsReport
from memdiag.repair import rail_doubts
from memdiag.repair.case.joint import infer
from memdiag.repair.case.judge import verdict_in, watch

_PRIOR = {"normal": 0.77, "high": 0.03, "low": 0.12, "short": 0.08}


def check(
    runs: Sequence[Run], board: Board, *, volts: float = 1.0, settings: Settings | None = None
) -> RailsReport:
    """Judge the readings of the first run; later runs hold those taken with packages off.

    `volts`: what an injection would use.
    """
    first, settings = runs[0], settings or Settings()
    watched = watch(runs, board, settings)
    joint = infer(watched, board, settings)
    judged = tuple(r for run in runs for r in _readings(run, board))
    # What to do next follows from the last readings.
    watched[0].evidence.nodes.extend(
        node for later in watched[1:] for node in later.evidence.nodes if node.kind in READINGS
    )
    verdict = rail_doubts.held(
        verdict_in(joint, watched, 0, settings, rails_only=True), runs, judged
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
