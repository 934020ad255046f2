"""An open data ball: one line of eight."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import BESIDE, FOLLOWS, LANE, SELF, SHOWS, degrees, mixed
from memdiag.diagnosis.faults.mechanism import Effects, Location, Mechanism, Prior, Variant
from memdiag.diagnosis.rig_behaviour import Pmf, shifted
from memdiag.evidence.gathered import Evidence
from memdiag.model import LANE_LINES, Board, Cause
from memdiag.model.figures import Table


def _lines(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Data lines that look odd; of an odd lane whose lines are not known apart, 'a line of it'."""
    lines = LANE_LINES * locations.count_lanes(board, evidence)
    for node in locations.odd_lines(evidence):
        for ref in node.sites:
            at = locations.at_site(node.place, ref, board)
            yield Location(at, frozenset({ref}), 1 / lines)
    for place, site in locations.undetailed(board, evidence):
        yield Location(place, frozenset({site}), LANE_LINES / lines)


_F = Table("A data ball")
OPEN = _F.practice("open", 0.72, "share of such joints that are open; the others are ragged")
RAGGED = degrees(
    _F.practice("ragged, log margin", -0.95, "the middle of what those lose"), 4, 1 - OPEN
)
SCATTER = _F.practice("scatter", 0.15, "log; from step to step of one line")
SEEN = _F.practice("lane follows", 0.8, "a lane's eye is that of its worst line, as rigs print it")


def _seen(margin: float) -> Pmf:
    """The lane of a ragged line."""
    return mixed([(SEEN, shifted(margin, SCATTER)), (1 - SEEN, {"sound": 1.0})])


def _effects(line: Pmf, place: Pmf) -> Effects:
    return {
        ("place", SELF): place,
        ("line", SELF): line,
        ("line", LANE): BESIDE,
        ("shape", SELF): {"spread": FOLLOWS},
    }


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
        variants=(
            Variant("open", OPEN, _effects({"stuck": SHOWS}, {"stuck": SHOWS})),
            *(
                Variant(f"{margin:.2f}", share, _effects(shifted(margin, SCATTER), _seen(margin)))
                for margin, share in RAGGED.items()
            ),
        ),
        why="an open data ball: one line, while its seven neighbours work",
        why_wide="an open or ragged data ball somewhere on that lane: no row tells its lines apart",
        history=history.of_joint,
    ),
)
