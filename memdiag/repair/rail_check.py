"""Ohm readings and an injection judged without a dump: which rail, which package, what next.

The readings are put in the dump format and read like any dump, so that there is one way in and
one posterior; a second set of readings, taken with packages off, joins the first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from memdiag.diagnosis import cautions, hypotheses, noisy_max
from memdiag.diagnosis.judge import conclude
from memdiag.diagnosis.settings import Settings
from memdiag.evidence import rails
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.model.board import Board, Rail, Site
from memdiag.model.rails import RailReading, RailsReport
from memdiag.model.records import RailRow, Run
from memdiag.reading.load import load


def _somewhere(
    board: Board, readings: Sequence[str], warm: Sequence[str], off: Sequence[str]
) -> Board:
    """Without a profile: the rails that were read, and on all of them the packages that were
    named, or some package."""
    names = tuple(dict.fromkeys(r.partition("=")[0] for r in readings))
    named = tuple(Site(ref, rails=names) for ref in dict.fromkeys((*warm, *off)))
    sites = (*named, Site("a package", rails=names, named=False))
    return replace(board, sites=sites, rails=tuple(Rail(name) for name in names), known=True)


_PRIOR = {"normal": 0.80, "low": 0.12, "short": 0.08}


def dump_text(
    readings: Sequence[str], board: Board | None, warm: Sequence[str] = (), off: Sequence[str] = ()
) -> str:
    """The readings (`RAIL=OHMS[:TREND]`) and warm places (`RAIL:PLACE`) as a dump of format 1."""
    name = board.name if board is not None and board.name else "-"
    lines = ["bench-dump 1", "[run]", f"board  {name}", f"removed  {' '.join(off) or '-'}"]
    lines += ["[rails]", "rail ohms trend"]
    for reading in readings:
        rail, _, rest = reading.partition("=")
        ohms, _, trend = rest.partition(":")
        lines.append(f"{rail or '-'} {ohms or '-'} {trend or '-'}")
    if warm:
        lines += ["[heat]", "rail hottest"]
        for place in warm:
            rail, _, hottest = place.partition(":")
            lines.append(f"{rail} {hottest}")
    return "\n".join([*lines, f"[end] {len(readings) + len(warm)}", ""])


def check(
    readings: Sequence[str],
    board: Board,
    *,
    after: Sequence[str] = (),
    off: Sequence[str] = (),
    warm: Sequence[str] = (),
    volts: float = 1.0,
    shop: Settings | None = None,
) -> RailsReport:
    """Judge readings; `after` are taken with the packages at `off` taken off the board.

    Raises load.Unreadable where no reading can be read.
    """
    shop = shop or Settings()
    if not board.sites:
        board = _somewhere(board, readings, [w.partition(":")[2] for w in warm], off)
    (first,) = load(dump_text(readings, board, warm), board=board)
    runs = [first]
    if after:
        runs += load(dump_text(after, board, off=off), board=board)
    measured = measure(first, board)
    evidence = gather(measured)
    for later in runs[1:]:
        evidence.nodes += gather(measure(later, board)).nodes
    case = hypotheses.build(first, board, evidence, shop)
    posterior = noisy_max.infer(case.model)
    verdict = conclude(measured, evidence, case, posterior, shop, rails_only=True)
    judged = tuple(r for run in runs for r in _readings(run, board))
    before = {row.rail: row.ohms for row in first.rails}
    accounted = tuple(
        (row.rail, through)
        for run in runs[1:]
        for row in run.rails
        if row.rail in before
        and (through := rails.through_package(before[row.rail], row.ohms)) is not None
    )
    injections = tuple(_injections(first, judged, board, volts))
    told = (cautions.OHMS, cautions.INJECT, cautions.QUALIFIED)
    return RailsReport(verdict, judged, accounted, injections, told)


def _readings(run: Run, board: Board) -> list[RailReading]:
    return [_reading(row, board, tuple(run.head.removed or ())) for row in run.rails]


def _reading(row: RailRow, board: Board, off: tuple[str, ...]) -> RailReading:
    table = rails.reading_loglik(row.ohms, row.trend, board.rail(row.rail))
    weights = {s: _PRIOR[s] * math.exp(v) for s, v in table.items()}
    total = sum(weights.values())
    return RailReading(
        row.rail, row.ohms, row.trend, off, {s: w / total for s, w in weights.items()}
    )


def _injections(
    run: Run, judged: Sequence[RailReading], board: Board, volts: float
) -> list[tuple[str, float, float, float, str | None]]:
    out = []
    for reading in judged:
        if reading.without or reading.chances["normal"] > 0.5:
            continue
        rail = board.rail(reading.rail)
        driven = rails.injection(reading.ohms, volts)
        if driven is not None:
            amps, watts = driven
            out.append((reading.rail, volts, amps, watts, rails.over_limits(volts, amps, rail)))
    return out
