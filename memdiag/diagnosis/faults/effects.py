"""Effects that several mechanisms have in common, and the reasons they give alike."""

from __future__ import annotations

from memdiag.diagnosis.faults.mechanism import Effects
from memdiag.diagnosis.rig_behaviour import Pmf, Relation

SELF, LANE, SITE, RAIL = Relation.SELF, Relation.LANE, Relation.SITE, Relation.RAIL

GONE = "{at} answers on none of its channels, while what it does not share works."
WEAK = "{at} answers and is bad in itself: its own lanes or cells fail against its peers."
JOINT = (
    "Only {at} fails and what lies beside it on the same package works: a ball or line, not the "
    "whole package."
)

_OF_LINE = {"absent": "dead", "mute": "dead", "line": "thin", "joined": "thin"}
"""The state of a data line where its whole lane is in a state that lines do not have."""


def whole(place: Pmf) -> Effects:
    """A fault that takes whole lanes: their data lines follow, and addresses are of all kinds."""
    line: dict[str, float] = {}
    for state, p in place.items():
        name = _OF_LINE.get(state, state)
        line[name] = line.get(name, 0.0) + p
    return {
        ("place", SELF): place,
        ("line", SELF): line,
        ("line", LANE): line,
        ("shape", SELF): {"spread": 0.93},
    }
