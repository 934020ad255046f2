"""Ohm readings judged as the command does it."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.diagnosis.settings import Settings
from memdiag.model import Board
from memdiag.model.rails import RailsReport
from memdiag.reading import typed_readings
from memdiag.repair import rail_check


def check(
    readings: Sequence[str],
    board: Board,
    *,
    volts: float = 1.0,
    settings: Settings | None = None,
    **more: Sequence[str],
) -> RailsReport:
    """The report of these readings; `more` as in `typed_readings.runs`."""
    at, runs = typed_readings.runs(readings, board, **more)
    return rail_check.check(runs, at, volts=volts, settings=settings)
