"""The words everything shares, imported from here: places, records and runs, boards, verdicts.

What one question needs is in a module of its own, so that no other pays for it: `comparison`,
`rails` and `soak` (results of a repair), `schema` and `table` (columns), `error_log` (numpy),
`quantities`, `spelling` and `words` (reading and showing them), `problems`.
"""

from __future__ import annotations

from memdiag.model.board import AddressField, Board, Link, Rail, Site
from memdiag.model.place import LANE_LINES, WHOLE_BOARD, Channel, Place
from memdiag.model.records import (
    ENDED,
    FAILED,
    MEMORIES,
    STEPS,
    CountRow,
    ErrorRow,
    Head,
    HeatRow,
    RailRow,
    Result,
    Row,
    Run,
    RunLine,
    Source,
    TrainingRow,
    ValueRow,
)
from memdiag.model.verdict import (
    HEATS,
    WANTS_WORK,
    Action,
    Cause,
    Finding,
    Quote,
    Summary,
    Verdict,
    Work,
)

__all__ = [
    "ENDED",
    "FAILED",
    "HEATS",
    "LANE_LINES",
    "MEMORIES",
    "STEPS",
    "WANTS_WORK",
    "WHOLE_BOARD",
    "Action",
    "AddressField",
    "Board",
    "Cause",
    "Channel",
    "CountRow",
    "ErrorRow",
    "Finding",
    "Head",
    "HeatRow",
    "Link",
    "Place",
    "Quote",
    "Rail",
    "RailRow",
    "Result",
    "Row",
    "Run",
    "RunLine",
    "Site",
    "Source",
    "Summary",
    "TrainingRow",
    "ValueRow",
    "Verdict",
    "Work",
]
