"""An open strobe, clock or link-check ball: one lane, the package's others fine."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import SITE, whole
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause


def _lanes(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Every lane that looks odd or lies behind something odd; where the board knows no lanes,
    'a lane of it'."""
    lanes = locations.count_lanes(board)
    for place, site in locations.suspects(board, evidence):
        yield Location(place, frozenset({site}), (1 if place.lane is not None else 2) / lanes)


_OPEN = {**whole({"dead": 0.95, "thin": 0.04}), ("place", SITE): {"disturbed": 0.16, "thin": 0.01}}
_RAGGED = {**whole({"thin": 0.90, "dead": 0.04}), ("place", SITE): {"disturbed": 0.10}}

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
        stops=0.8,
        variants=(Variant("open", 0.75, _OPEN), Variant("ragged", 0.25, _RAGGED)),
        why=effects.JOINT,
        history=history.of_joint,
    ),
)
