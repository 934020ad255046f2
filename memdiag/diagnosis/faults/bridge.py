"""Two data lines shorted: wrong only where they should differ."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import BESIDE, FOLLOWS, LANE, SELF, SHOWS, mixed, whole
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model import LANE_LINES, Board, Cause, Place
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
    for node in locations.odd_lines(evidence):
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


def _across(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Channels of packages of two lanes, both odd: a line of each may be joined where the lanes
    meet. Which lines, no place says."""
    odd = locations.odd(evidence, ("place", "line"))
    ports = [(site, c) for site in board.sites for c in site.channels or (None,)]
    for site, channel in ports:
        lanes = {link.lane for link in site.links if link.channel == channel}
        seen = {
            n.place.lane
            for n in odd
            if n.sites == (site.ref,) and n.place.channel in (None, channel)
        }
        if len(lanes) == 2 and (lanes <= seen or None in seen):
            place = Place(site=site.ref if site.named else None, channel=channel)
            yield Location(place, frozenset({site.ref}), 1 / len(ports))


_APART = _F.practice("across lanes", 0.1, "share of bridges that join lines of two lanes")
_UNTRAINED = _F.practice(
    "untrained", 0.05, "share of bridges whose lane finds no setting and then reads rubbish"
)
_HARD = {
    ("place", SELF): {"joined": SHOWS},
    ("line", SELF): {"joined": SHOWS},
    ("line", LANE): BESIDE,
    ("shape", SELF): {"spread": FOLLOWS},
}
_ONE_OF_EACH = {
    **_HARD,
    ("line", SELF): mixed([(1 / LANE_LINES, {"joined": SHOWS}), (1 - 1 / LANE_LINES, BESIDE)]),
}
_LOST = Variant("lane lost", _UNTRAINED, whole({"dead": SHOWS}))
_PRIOR = Prior(
    "bridge",
    0.05,
    "two data lines joined",
    "Judgement: rarer than an open ball, and mostly left by earlier rework.",
)
_WHY = "two data lines joined: wrong only where they were written unlike, never both"

MECHANISMS = (
    Mechanism(
        "bridge",
        Cause.BRIDGE,
        _PRIOR,
        _pairs,
        spill=0.15,
        variants=(Variant("hard", 1 - _UNTRAINED, _HARD), _LOST),
        why=_WHY,
        why_wide="two data lines of that lane joined: no row tells its lines apart",
        share=1 - _APART,
        history=history.of_joint,
    ),
    # The same where the two lines are of two lanes.
    Mechanism(
        "bridge_across",
        Cause.BRIDGE,
        _PRIOR,
        _across,
        spill=0.15,
        variants=(Variant("hard", 1 - _UNTRAINED, _ONE_OF_EACH), _LOST),
        why=_WHY,
        why_wide="two data lines joined, one of each lane",
        share=_APART,
        history=history.of_joint,
    ),
)
