"""How rigs behave: how loudly a fault is heard next door, and what the boot does after one.

A rig has one temper for all faults of a run, so the tempers are weighed once a run and not once a
fault. The figures are judgement, not measurement; docs/settings.md says where each comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

Pmf = Mapping[str, float]
"""State -> probability; what is missing to 1 is the node's lowest state."""


class Relation(IntEnum):
    """How a node stands to a fault, from unrelated to the fault's own place."""

    NONE = 0
    BEFORE = 1  # another site, earlier in the boot sequence
    AFTER = 2  # another site, later in it
    PLACE = 3  # next to it
    RAIL = 4  # on a rail that not every site hangs on
    PARTITION = 5  # on the same PHY block
    CLAMSHELL = 6  # the package on the other side
    SITE = 7  # elsewhere on the fault's own site
    LANE = 8  # another data line of the fault's own lane
    SELF = 9


@dataclass(frozen=True, slots=True)
class Rig:
    """How the rig behaves, the same for every fault of a run: how loudly a fault is heard next
    door, and what the boot does after a failing channel."""

    mood: str
    boot: str
    prior: float
    disturbs: Mapping[Relation, float]
    cuts: Mapping[Relation, float]
    skipped: float = 0.0

    def cut(self, near: Relation) -> float:
        """Probability that the steps of a place are cut short after a failure of that relation."""
        return CUT_SELF if near >= Relation.SITE else self.cuts.get(near, 0.0)

    def disturbance(self, node: str, near: Relation, spill: float) -> Pmf:
        """The states of a node that a fault of that relation merely disturbs."""
        # Its own package is at least as near as a clamshell partner.
        at = Relation.CLAMSHELL if near in (Relation.SITE, Relation.LANE) else near
        p = self.disturbs.get(at, 0.0) * spill
        return {state: share * p for state, share in _DISTURBED.get(node, {}).items()}

    def leak(self, node: str) -> Pmf:
        """The states of a node with no fault at all."""
        if node == "boot":
            return {"cut": max(self.skipped, LEAK["boot"]["cut"])}
        return LEAK[node]


CUT_SELF = 0.55
"""The rest of a failing channel's own steps are not run in about half of all rigs."""

_DISTURBED: Mapping[str, Pmf] = {
    "place": {"disturbed": 0.8, "stray": 0.2},
    "line": {"disturbed": 0.5},
    "shape": {"spread": 0.5},
}
"""Kind of node -> the states it is in where a disturbance is heard."""

LEAK: Mapping[str, Pmf] = {
    # With no fault at all: a stray marginal, a soft error. Not a dead lane, nor a rate of errors.
    "place": {
        "stray": 0.02,
        "disturbed": 2e-5,
        "array": 2e-6,
        "thin": 2e-6,
        "line": 1e-8,
        "joined": 1e-8,
        "dead": 1e-8,
        "mute": 1e-8,
        "absent": 1e-8,
    },
    "whole": {"stray": 0.01, "disturbed": 2e-4, "thin": 1e-5},
    "line": {
        "stray": 0.02,
        "disturbed": 1e-4,
        "array": 5e-5,
        "thin": 1e-5,
        "open": 2e-6,
        "joined": 2e-6,
        "dead": 2e-6,
    },
    "shape": {"spread": 0.02, "paired": 2e-4, "striped": 2e-4, "clustered": 0.01},
    "rail": {"low": 1e-3, "short": 3e-4},
    "heat": {"here": 0.01},
    "boot": {"cut": 0.004},
}


_MOODS = {
    # Strength falls from clamshell to boot order. In `loud` every other site warns: a test boot
    # with a package off does that on some rigs (common practice, no source).
    "quiet": (
        0.40,
        {
            Relation.CLAMSHELL: 0.08,
            Relation.PARTITION: 0.04,
            Relation.RAIL: 0.012,
            Relation.PLACE: 0.02,
            Relation.AFTER: 0.006,
            Relation.BEFORE: 0.004,
        },
    ),
    "heard": (
        0.34,
        {
            Relation.CLAMSHELL: 0.65,
            Relation.PARTITION: 0.55,
            Relation.RAIL: 0.30,
            Relation.PLACE: 0.28,
            Relation.AFTER: 0.16,
            Relation.BEFORE: 0.10,
        },
    ),
    "loud": (
        0.16,
        {
            Relation.CLAMSHELL: 0.93,
            Relation.PARTITION: 0.90,
            Relation.RAIL: 0.84,
            Relation.PLACE: 0.84,
            Relation.AFTER: 0.80,
            Relation.BEFORE: 0.75,
        },
    ),
    "blaring": (
        0.10,
        {
            Relation.CLAMSHELL: 0.985,
            Relation.PARTITION: 0.985,
            Relation.RAIL: 0.98,
            Relation.PLACE: 0.98,
            Relation.AFTER: 0.97,
            Relation.BEFORE: 0.97,
        },
    ),
}
_BOOTS = {
    "goes on": (0.68, {Relation.AFTER: 0.02, Relation.BEFORE: 0.01}, 0.0),
    "stops": (0.16, {Relation.AFTER: 0.93, Relation.BEFORE: 0.10}, 0.0),
    "stops everywhere": (0.12, {Relation.AFTER: 0.95, Relation.BEFORE: 0.90}, 0.0),
    "skips training": (0.04, {Relation.AFTER: 0.02, Relation.BEFORE: 0.01}, 0.95),
}
RIGS: tuple[Rig, ...] = tuple(
    Rig(mood, boot, p * q, disturbs, cuts, skipped)
    for mood, (p, disturbs) in _MOODS.items()
    for boot, (q, cuts, skipped) in _BOOTS.items()
)
