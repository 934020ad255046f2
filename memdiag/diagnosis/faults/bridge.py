"""Two data lines shorted: wrong only where they should differ."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import BESIDE, FOLLOWS, LANE, SELF, SHOWS
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Cause, Place
from memdiag.model.figures import Table

_F = Table("Two lines joined")
LEAST_JOINED = _F.practice("candidate from", -1.5, "log likelihood ratio of being joined")
PAIRS = _F.derived(
    "pairs", 14.0, "neighbouring balls in a lane of eight lines", "each line has three or four"
)


def _pairs(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Pairs of odd lines of a lane; of an odd lane whose lines are not known apart, 'a pair'."""
    pairs = PAIRS * locations.count_lanes(board, evidence)
    by_lane: dict[tuple[tuple[str, ...], Place], list[Node]] = {}
    for node in locations.odd(evidence, ("line",)):
        by_lane.setdefault((node.sites, node.place.link), []).append(node)
    for lines in by_lane.values():
        for a, b in combinations(lines, 2):
            one, two = a.place.line, b.place.line
            assert one is not None and two is not None
            bonus = (a.partner.get(two, 0.0) + b.partner.get(one, 0.0)) / 2
            if bonus < LEAST_JOINED:
                continue
            for ref in a.sites:
                at = locations.at_site(a.place, ref, board, (one, two))
                yield Location(at, frozenset({ref}), 1 / pairs, bonus)
    for place, site in locations.undetailed(board, evidence):
        yield Location(place, frozenset({site}), PAIRS / pairs)


_HARD = {
    ("place", SELF): {"joined": SHOWS},
    ("line", SELF): {"joined": SHOWS},
    ("line", LANE): BESIDE,
    ("shape", SELF): {"spread": FOLLOWS},
}

MECHANISMS = (
    Mechanism(
        "bridge",
        Cause.BRIDGE,
        Prior(
            "bridge",
            0.05,
            "two data lines joined",
            "Judgement: rarer than an open ball, and mostly left by earlier rework.",
        ),
        _pairs,
        spill=0.15,
        variants=(Variant("hard", 1.0, _HARD),),
        why="two data lines joined: wrong only where they were written unlike, never both",
        why_wide="two data lines of that lane joined: no row tells its lines apart",
        history=history.of_joint,
    ),
)
