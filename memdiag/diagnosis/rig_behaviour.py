"""How rigs behave: how loudly a fault is heard next door, and what the boot does after one.

A rig has one temper for all faults of a run, so the tempers are weighed once a run and not once a
fault. The figures are judgement, not measurement; docs/priors.md says where each comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum


class Near(IntEnum):
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
    disturbs: Mapping[Near, float]
    cuts: Mapping[Near, float]
    skipped: float = 0.0


_MOODS = {
    # Strength falls from clamshell to boot order. In `loud` every other site warns: a test boot
    # with a package off does that on some rigs (common practice, no source).
    "quiet": (
        0.40,
        {
            Near.CLAMSHELL: 0.08,
            Near.PARTITION: 0.04,
            Near.RAIL: 0.012,
            Near.PLACE: 0.02,
            Near.AFTER: 0.006,
            Near.BEFORE: 0.004,
        },
    ),
    "heard": (
        0.34,
        {
            Near.CLAMSHELL: 0.65,
            Near.PARTITION: 0.55,
            Near.RAIL: 0.30,
            Near.PLACE: 0.28,
            Near.AFTER: 0.16,
            Near.BEFORE: 0.10,
        },
    ),
    "loud": (
        0.16,
        {
            Near.CLAMSHELL: 0.93,
            Near.PARTITION: 0.90,
            Near.RAIL: 0.84,
            Near.PLACE: 0.84,
            Near.AFTER: 0.80,
            Near.BEFORE: 0.75,
        },
    ),
    "blaring": (
        0.10,
        {
            Near.CLAMSHELL: 0.985,
            Near.PARTITION: 0.985,
            Near.RAIL: 0.98,
            Near.PLACE: 0.98,
            Near.AFTER: 0.97,
            Near.BEFORE: 0.97,
        },
    ),
}
_BOOTS = {
    "goes on": (0.68, {Near.AFTER: 0.02, Near.BEFORE: 0.01}, 0.0),
    "stops": (0.16, {Near.AFTER: 0.93, Near.BEFORE: 0.10}, 0.0),
    "stops everywhere": (0.12, {Near.AFTER: 0.95, Near.BEFORE: 0.90}, 0.0),
    "skips training": (0.04, {Near.AFTER: 0.02, Near.BEFORE: 0.01}, 0.95),
}
RIGS: tuple[Rig, ...] = tuple(
    Rig(mood, boot, p * q, disturbs, cuts, skipped)
    for mood, (p, disturbs) in _MOODS.items()
    for boot, (q, cuts, skipped) in _BOOTS.items()
)
