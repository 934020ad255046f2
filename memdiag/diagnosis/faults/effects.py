"""Effects that several mechanisms have in common."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from memdiag.diagnosis.faults.mechanism import Effects, Variant
from memdiag.diagnosis.rig_behaviour import Pmf, Relation, shifted

SELF, LANE, RAIL = Relation.SELF, Relation.LANE, Relation.RAIL

_OF_LINE = {"absent": "dead", "mute": "dead"}
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


def mixed(parts: Iterable[tuple[float, Pmf]]) -> Pmf:
    """A mixture of state distributions, each with its share."""
    out: dict[str, float] = {}
    for share, pmf in parts:
        for state, p in pmf.items():
            out[state] = out.get(state, 0.0) + share * p
    return out


def severities(
    shares: Mapping[float, float], scatter: float, reach: float = 1.0, more: Effects | None = None
) -> Iterator[Variant]:
    """A variant a severity (log margin), shared by all that the fault covers, with a scatter over
    its lanes; `reach` is the share of those lanes that suffer at all."""
    for margin, share in shares.items():
        place = mixed([(reach, shifted(margin, scatter)), (1 - reach, {"sound": 1.0})])
        name = f"{margin:g} on {reach:.0%}"
        yield Variant(name, share, {**whole(place), **(more or {})})
