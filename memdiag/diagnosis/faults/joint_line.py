"""An open data ball: one line of eight."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import LANE, SELF, SITE
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.model import LANE_LINES, Board, Cause


def _lines(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Data lines that look odd; of an odd lane whose lines are not known apart, 'a line of it'."""
    lines = LANE_LINES * locations.count_lanes(board)
    for node in locations.odd(evidence, ("line",)):
        for ref in node.sites:
            at = locations.at_site(node.place, ref, board)
            yield Location(at, frozenset({ref}), 1 / lines)
    for place, site in locations.undetailed(board, evidence):
        yield Location(place, frozenset({site}), LANE_LINES / lines)


MECHANISMS = (
    Mechanism(
        "joint_line",
        Cause.JOINT,
        Prior(
            "joint_line",
            0.09,
            "an open data ball: one line",
            "Judgement: of all signals data lines have the most balls; drop, heat cycles and "
            "earlier rework open them.",
        ),
        _lines,
        spill=0.15,
        stops=0.5,
        variants=(
            Variant(
                "open",
                0.75,
                {
                    ("place", SELF): {"line": 0.93, "thin": 0.04, "dead": 0.01},
                    ("line", SELF): {"open": 0.95, "thin": 0.04},
                    ("line", LANE): {"disturbed": 0.03},
                    ("place", SITE): {"disturbed": 0.07},
                    ("shape", SELF): {"spread": 0.93},
                },
            ),
            Variant(
                "ragged",
                0.25,
                {
                    ("place", SELF): {"thin": 0.55, "line": 0.30, "disturbed": 0.10},
                    ("line", SELF): {"thin": 0.75, "open": 0.20},
                    ("line", LANE): {"disturbed": 0.03},
                    ("shape", SELF): {"spread": 0.93},
                },
            ),
        ),
        why=effects.JOINT,
        history=history.of_joint,
    ),
)
