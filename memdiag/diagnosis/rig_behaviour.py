"""How a board and its rig behave beside a fault: what is heard next door, and what the boot does.

A package that a fault elsewhere reaches is in one of a few circumstances. The rig may warn of it,
which takes nothing from any eye and is one event of the package; or the fault pulls at it, by its
stub, clock, rail or heat, and takes the same share of all its eyes. How loud a rig is and what its
boot does after a failure are habits, the same for all faults of a run, so they are weighed once.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from functools import cache
from itertools import pairwise

import numpy as np

from memdiag.diagnosis.noisy_max import Levels
from memdiag.evidence.nodes import GRADES, LINK, STATES, Array
from memdiag.model.figures import Table

Pmf = Mapping[str, float]
"""State -> probability; what is missing to 1 is the node's lowest state."""

_F = Table("What neighbours show")


class Relation(IntEnum):
    """How a site stands to a fault elsewhere, from the loosest to its own."""

    NONE = 0
    BOOT = 1  # nothing but the boot sequence joins them
    PLACE = 2  # next to it
    RAIL = 3  # on a rail that not every site hangs on
    PARTITION = 4  # on the same PHY block
    CLAMSHELL = 5  # the package on the other side
    SITE = 6  # elsewhere on the fault's own package
    LANE = 7  # another data line of the fault's own lane
    SELF = 8


NEIGHBOURS = (
    Relation.BOOT,
    Relation.PLACE,
    Relation.RAIL,
    Relation.PARTITION,
    Relation.CLAMSHELL,
    Relation.SITE,
)
CLOSE: Mapping[Relation, float] = {
    near: _F.practice(f"closeness, {near.name.lower()}", value, "how much a warning reaches there")
    for near, value in zip(NEIGHBOURS, (0.30, 0.6, 0.7, 1.2, 1.6, 1.2), strict=True)
}
PULLED: Mapping[Relation, float] = {
    near: _F.practice(f"pulled, {near.name.lower()}", value, "chance that a fault takes margin")
    for near, value in zip(NEIGHBOURS, (0.01, 0.16, 0.22, 0.36, 0.55, 0.30), strict=True)
}

# name, share of rigs, how probably a fault makes it warn at closeness 1, and without any fault
_MOODS = tuple(
    (
        _F.practice(f"{name} rigs", share, "share of all rigs"),
        _F.practice(f"{name} rigs warn", warns, "chance of a warning at closeness 1"),
        _F.practice(f"{name} rigs warn idly", idly, "the same with no fault on the board"),
    )
    for name, share, warns, idly in (
        ("quiet", 0.44, 0.03, 0.002),
        ("heard", 0.32, 0.35, 0.004),
        ("loud", 0.17, 0.95, 0.01),
        ("nervous", 0.07, 0.97, 0.75),
    )
)
_BOARDS = (
    (
        _F.practice("boards that pull", 0.35, "share of boards whose packages pull at each other"),
        _F.practice("they pull", 2.2, "how much more than the average"),
    ),
    (0.65, _F.practice("others pull", 0.35, "how much of the average")),
)
MOODS: Array = np.log([a * b for a, _, _ in _MOODS for b, _ in _BOARDS])
"""(contexts,) log prior of each kind of rig on each kind of board."""

UNEXPLAINED = _F.practice("pulled idly", 2e-4, "a package pulled with no fault on the board")
THROUGHOUT = _F.practice("throughout", 0.45, "share of warnings that come in nearly every step")

# --- circumstances -----------------------------------------------------------------------------

_PULLS = (
    (0.60, _F.practice("pull", -0.13, "log margin of a common pull"), 0.06),
    (0.30, _F.practice("strong pull", -0.30, "of a strong one"), 0.10),
    (0.10, _F.practice("hardest pull", -0.60, "of a rare one: half an eye"), 0.15),
)
"""(share, log margin, scatter over the lines of the package)"""

VIEW = (0, 1, 2, 3, 3, 3)
"""Of each circumstance (none, a warning, one throughout, three pulls) the view of what was seen."""

ONE_WAY = _F.practice("one way", 0.2, "faults that take the margin of reads alone; of writes too")
WAYS = (1 - 2 * ONE_WAY, ONE_WAY, ONE_WAY)
"""Share of each `Way`: both, reads alone, writes alone."""

SPREAD_BY_PULL = 0.5


def shifted(margin: float, scatter: float) -> Pmf:
    """The states of a place that a fault takes margin from: a normal spread about it, in grades;
    what is beyond the last has no width at all."""
    centres = list(GRADES.values())
    edges = np.array([*((a + b) / 2 for a, b in pairwise(centres)), SHUT])
    below = 1 / (1 + np.exp(-1.702 * (edges - margin) / scatter))
    share = -np.diff(np.concatenate([[1.0], below, [0.0]]))
    return dict(zip((*GRADES, "dead"), share.tolist(), strict=True))


SHUT = -2.6
"""Log margin at which nothing of an eye is left."""

_IDLE: Mapping[str, Pmf] = {
    # With no fault at all: a soft error, an eye a little narrower. Not a dead lane.
    "place": {
        "90": _F.practice("idle 90 %", 0.02, "healthy lanes a tenth narrower than their peers"),
        "80": 2e-3,
        "70": 2e-4,
        "array": 2e-5,
        "58": 5e-6,
        "stuck": 1e-8,
        "joined": 1e-8,
        "dead": 1e-8,
        "mute": 1e-8,
        "absent": 1e-8,
    },
    "line": {
        "90": 0.03,
        "80": 4e-3,
        "70": 4e-4,
        "array": 5e-5,
        "58": 2e-5,
        "stuck": 2e-6,
        "joined": 2e-6,
        "dead": 2e-6,
    },
    "shape": {"spread": 0.02, "paired": 2e-4, "striped": 2e-4, "clustered": 0.01},
    "rail": {"high": 0.01, "low": 1e-3, "short": 3e-4},
    "volts": {"low": 3e-3, "none": 1e-3},
    "heat": {"here": 0.01},
}


def idle(kind: str) -> Pmf:
    """The states of a node of that kind with no fault on the board."""
    return _IDLE[kind]


def leak(kind: str) -> Array:
    """(circumstances, S) cumulative probabilities of a node that no fault strikes."""
    idle = cumulative(_IDLE[kind], kind)
    pulled = []
    for _, margin, scatter in _PULLS:
        pmf: Pmf = shifted(margin, scatter)
        if kind == "shape":
            pmf = {**_IDLE["shape"], "spread": SPREAD_BY_PULL}
        pulled.append(cumulative(pmf, kind) if kind in ("place", "line", "shape") else idle)
    return np.array([idle, idle, idle, *pulled])


def cumulative(pmf: Pmf, kind: str) -> Array:
    """(S,) cumulative probabilities, ones beyond the states of that kind of node."""
    states = STATES[kind]
    out = np.zeros(len(LINK))
    for state, p in pmf.items():
        out[states.index(state)] += p
    out[0] += 1.0 - out.sum()
    return np.minimum(np.cumsum(out), 1.0)


# --- levels ------------------------------------------------------------------------------------

LOUD, SOFT = 0.45, 0.10
"""A fault that disturbs its neighbours at least this much (`Mechanism.spill`) is loud, or soft."""
SOFTER = _F.practice("soft faults", 0.3, "how much of a loud fault's disturbance a soft one makes")

_LEVELS: tuple[tuple[Relation, bool], ...] = (
    (Relation.NONE, False),
    (Relation.BOOT, False),
    (Relation.PLACE, False),
    (Relation.RAIL, False),
    (Relation.BOOT, True),
    (Relation.PARTITION, False),
    (Relation.SITE, False),
    (Relation.PLACE, True),
    (Relation.RAIL, True),
    (Relation.CLAMSHELL, False),
    (Relation.SITE, True),
    (Relation.PARTITION, True),
    (Relation.CLAMSHELL, True),
)
"""(relation, whether the fault is a loud one), from the faintest: the level of several faults is
that of the strongest."""
_AT = {level: i for i, level in enumerate(_LEVELS)}


@cache
def levels(spill: float) -> Levels:
    """(Relation,) the level at which a fault of that loudness reaches a site of each relation."""
    loud = spill >= LOUD
    found = [
        0 if spill < SOFT or not near else _AT[min(near, Relation.SITE), loud] for near in Relation
    ]
    return np.array(found, np.int8)


def _chance() -> Array:
    """(contexts, levels, circumstances)"""
    kinds = [(warns, idly, pulls) for _, warns, idly in _MOODS for _, pulls in _BOARDS]
    out = np.zeros((len(kinds), len(_LEVELS), len(VIEW)))
    for c, (warns, idly, pulls) in enumerate(kinds):
        for d, (near, loud) in enumerate(_LEVELS):
            warned, pulled = idly, UNEXPLAINED
            if near is not Relation.NONE:
                scale = 1.0 if loud else SOFTER
                warned = max(idly, 1 - (1 - warns) ** (CLOSE[near] * scale))
                pulled = min(PULLED[near] * scale * pulls, 0.95)
            rest = 1 - pulled
            out[c, d, 0] = rest * (1 - warned)
            out[c, d, 1] = rest * warned * (1 - THROUGHOUT)
            out[c, d, 2] = rest * warned * THROUGHOUT
            out[c, d, 3:] = [pulled * share for share, _, _ in _PULLS]
    return out


CHANCE: Array = _chance()

# --- the boot ----------------------------------------------------------------------------------

# name, share of rigs; how probably later and earlier places are cut short after a failure, and
# places of any board with no failure at all
_BOOTS = tuple(
    tuple(
        _F.practice(f"boot {name}, {what}", value, says)
        for what, value, says in zip(
            ("share", "later", "earlier", "idle"),
            values,
            ("share of all rigs", "cut after a failure", "cut before it", "cut with no failure"),
            strict=True,
        )
    )
    for name, values in (
        ("goes on", (0.68, 0.02, 0.01, 0.004)),
        ("stops", (0.16, 0.93, 0.10, 0.004)),
        ("stops everywhere", (0.12, 0.95, 0.90, 0.004)),
        ("skips training", (0.04, 0.02, 0.01, 0.95)),
    )
)
BOOTS: Array = np.log([share for share, _, _, _ in _BOOTS])
CUT_SELF = _F.practice("cut itself", 0.55, "a failing channel whose own later steps are not run")
BEFORE, AFTER, OWN = 0, 1, 2
_STRENGTHS = (0.1, 0.35, 0.65, 1.0)
"""How surely the boot notices a fault (`Mechanism.stops`), in steps."""


def boot_level(where: int, stops: float) -> int:
    """The level of a place before, after or at a fault that the boot notices that surely."""
    strength = min(range(len(_STRENGTHS)), key=lambda i: abs(_STRENGTHS[i] - stops))
    return 1 + strength * 3 + where


def _boot_chance() -> Array:
    """(boots, levels, (ran, cut))"""
    out = np.zeros((len(_BOOTS), 1 + 3 * len(_STRENGTHS), 2))
    for c, (_, later, earlier, idle) in enumerate(_BOOTS):
        out[c, 0, 1] = idle
        for i, strength in enumerate(_STRENGTHS):
            for where, cut in ((BEFORE, earlier), (AFTER, later), (OWN, CUT_SELF)):
                out[c, 1 + 3 * i + where, 1] = max(idle, cut * strength)
    out[..., 0] = 1 - out[..., 1]
    return out


BOOT_CHANCE: Array = _boot_chance()
