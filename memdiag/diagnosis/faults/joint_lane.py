"""An open strobe, clock or link-check ball: one lane, the package's others fine."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause
from memdiag.model.figures import Table


def _lanes(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Every lane that looks odd or lies behind something odd; where the board knows no lanes,
    'a lane of it'."""
    lanes = locations.count_lanes(board, evidence)
    for place, site in locations.suspects(board, evidence):
        yield Location(place, frozenset({site}), (1 if place.lane is not None else 2) / lanes)


_F = Table("A strobe, clock or link-check ball")
OPEN = _F.practice("open", 0.72, "share of such joints that are open; the others are ragged")
CHECK = _F.practice("check", 0.08, "share of them that carry the link check: data lines are well")
RAGGED = effects.degrees(
    _F.practice("ragged, log margin", -0.85, "the middle of what those lose"), 3, 1 - OPEN - CHECK
)
SCATTER = _F.practice("scatter", 0.10, "log; the lines of one lane sink together")

MECHANISMS = (
    Mechanism(
        "joint_lane",
        Cause.JOINT,
        Prior(
            "joint_lane",
            0.07,
            "an open strobe, clock or link-check ball: one lane",
            "Judgement: fewer such balls than data balls; sockets, and the studies with them, "
            "have none.",
        ),
        _lanes,
        spill=0.30,
        variants=(
            Variant("open", OPEN, effects.whole({"dead": effects.SHOWS})),
            Variant("check", CHECK, {("place", effects.SELF): {"dead": effects.SHOWS}}),
            *effects.severities(RAGGED, SCATTER),
        ),
        why="a strobe, clock or link-check ball: that lane hangs on it, and no other",
        history=history.of_joint,
    ),
)
