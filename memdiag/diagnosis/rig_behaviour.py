"""How a board and its rig behave beside a fault: what is heard next door, and what the boot does.

A package that a fault elsewhere reaches is in one of a few circumstances. The rig may warn of it,
which takes nothing from any eye and is one event of the package; or the fault pulls at it, by its
stub, clock, rail or heat, and takes the same share of all its eyes. How loud a rig is and what its
boot does after a failure are habits, the same for all faults of a run, so they are weighed once.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from functools import cache, reduce
from itertools import pairwise

import numpy as np

from memdiag.diagnosis.board_joins import BOARDS
from memdiag.diagnosis.noisy_max import Levels
from memdiag.diagnosis.rig_moods import IDLY, MOODS, Warned
from memdiag.evidence.nodes import GRADES, LINK, PULLS, STATES, THROUGHOUT, VIEWS, Array
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
    # of what a fault grades along the copper: where it is fed, by quarters of the way, far out
    FED = 9
    QUARTER = 10
    HALF_WAY = 11
    THREE_QUARTERS = 12
    FAR_END = 13
    # all lanes of what a row of several tells of
    WHOLE = 14


ALONG = (
    Relation.FED,
    Relation.QUARTER,
    Relation.HALF_WAY,
    Relation.THREE_QUARTERS,
    Relation.FAR_END,
)
NEIGHBOURS = (
    Relation.BOOT,
    Relation.PLACE,
    Relation.RAIL,
    Relation.PARTITION,
    Relation.CLAMSHELL,
    Relation.SITE,
)
CLOSE, PULLED = (
    {
        near: _F.practice(f"{name}, {near.name.lower()}", value, says)
        for near, value in zip(NEIGHBOURS, values, strict=True)
    }
    for name, values, says in (
        ("closeness", (0.30, 0.6, 0.7, 1.2, 1.6, 1.2), "how much a warning reaches there"),
        ("pulled", (0.01, 0.16, 0.22, 0.36, 0.55, 0.12), "chance that a fault takes margin there"),
    )
)


CONTEXTS: Array = np.log([mood.share * board.share for mood in MOODS for board in BOARDS])
"""(contexts,) log prior of each kind of rig on each kind of board."""

UNEXPLAINED = _F.practice("pulled idly", 1e-5, "a package pulled with no fault on the board")
THROUGHOUT_IDLY = _F.practice(
    "throughout, idly", 0.02, "the same with no fault on the board, on rigs that are not nervous"
)


# --- circumstances -----------------------------------------------------------------------------

_STRONG = {
    near: _F.practice(f"strong pulls, {near.name.lower()}", share, says)
    for near, share, says in (
        (Relation.BOOT, 0.04, "share of the pulls there; this share of them are the hardest"),
        (Relation.PLACE, 0.06, "heat and crosstalk take little"),
        (Relation.RAIL, 0.12, "a dip"),
        (Relation.PARTITION, 0.25, "a clock, a reference"),
        (Relation.CLAMSHELL, 0.40, "a stub, a termination that is gone"),
        (Relation.SITE, 0.25, "the rest of its own package"),
    )
}
_UNLIKE = _F.practice(
    "pull, scatter", 0.33, "share of a pull by which the lines of a package differ"
)
_PULLS = tuple(
    (margin, -_UNLIKE * margin)
    for margin in (
        _F.practice("pull", -0.10, "log margin of a common pull"),
        _F.practice("strong pull", -0.24, "of a strong one"),
        _F.practice("hardest pull", -0.55, "of a rare one: half an eye"),
    )
)
"""(log margin, scatter over the lines of the package)"""


def _hard(near: Relation, felt: float) -> Array:
    """(pulls,) the share of each in what a fault pulls there that is felt so much."""
    strong = _STRONG[near] * felt
    return np.array([1 - strong, strong * (1 - strong), strong**2])


_SELDOM = {Warned.SOMETIMES: 1 - THROUGHOUT_IDLY, Warned.THROUGHOUT: THROUGHOUT_IDLY}

VIEW = (0, 1, 2, THROUGHOUT, len(VIEWS), *(view for view in PULLS for _ in _PULLS))
"""Of each circumstance (none, a warning in some steps, in most, throughout, one of each place by
itself; in each view of a pull, three of them) the view of what was seen."""

ONE_WAY = _F.practice("one way", 0.2, "faults that take the margin of reads alone; of writes too")
WAYS = (1 - 2 * ONE_WAY, ONE_WAY, ONE_WAY)
"""Share of each `Way`: both, reads alone, writes alone."""

SPREAD_BY_BURSTS = _F.practice("errors of bursts", 0.9, "share of those whose errors are all over")


def shifted(margin: float, scatter: float) -> Pmf:
    """The states of a place that a fault takes margin from: a normal spread about it, in grades;
    what is beyond the last has no width at all."""
    centres = list(GRADES.values())
    edges = np.array([*((a + b) / 2 for a, b in pairwise(centres)), SHUT])
    below = 1 / (1 + np.exp(-1.702 * (edges - margin) / scatter))
    share = -np.diff(np.concatenate([[1.0], below, [0.0]]))
    return dict(zip((*GRADES, "dead"), share.tolist(), strict=True))


SHUT = _F.practice("shut", -2.6, "log margin at which nothing of an eye is left")

# With no fault at all: a soft error, an eye a little narrower. Not a dead lane.
_OF_LANE = _F.each(
    "idle",
    {"90": 0.01, "80": 2e-4, "70": 1e-5, "58": 1e-6, "array": 1e-5},
    "share of healthy lanes that look so by chance: so much of an eye left, or an error",
)
_FINER = _F.practice("idle line", 4.0, "how much oftener a data line, seen by itself, looks so")
_LOST = _F.practice("idle lost", 1e-8, "share of healthy lanes that look lost by chance")
_LINE_LOST = _F.practice("idle lost, line", 1e-7, "the same of data lines")
_IDLE: Mapping[str, Pmf] = {
    "place": {**_OF_LANE, **dict.fromkeys(("stuck", "joined", "dead", "mute", "absent"), _LOST)},
    "line": {
        **{state: _FINER * p for state, p in _OF_LANE.items()},
        **dict.fromkeys(("stuck", "joined", "dead"), _LINE_LOST),
    },
    **{
        kind: _F.each(f"idle {kind},", shares, "share of such readings of a sound board")
        for kind, shares in {
            "shape": {"spread": 0.02, "paired": 2e-4, "striped": 2e-4, "clustered": 0.01},
            "rates": {"equal": 1e-4},
            "rail": {"high": 0.01, "low": 1e-4, "short": 5e-5},
            "volts": {"low": 3e-3, "none": 1e-3},
            "heat": {"here": 0.01},
        }.items()
    },
}


def idle(kind: str) -> Pmf:
    """The states of a node of that kind with no fault on the board."""
    return _IDLE[kind]


def leak(kind: str) -> Array:
    """(circumstances, S) cumulative probabilities of a node that no fault strikes."""
    idle = cumulative(_IDLE[kind], kind)
    graded = kind in ("place", "line")
    pulls = [cumulative(shifted(*pull), kind) if graded else idle for pull in _PULLS]
    if kind == "shape":
        shaken = [cumulative({**_IDLE["shape"], "spread": SPREAD_BY_BURSTS}, kind)] * len(_PULLS)
    else:
        shaken = pulls
    rest = [idle] * (len(VIEW) - len(PULLS) * len(_PULLS))
    return np.array(
        rest + [row for view in PULLS for row in (shaken if VIEWS[view].shaken else pulls)]
    )


def of_all_lanes(pmf: Pmf) -> Pmf:
    """The states of a row that tells of several lanes, all of which a fault puts in these. One dead
    lane of them leaves the others right; where all are, training may say that they are dead, and a
    count is one of rubbish throughout, as if nothing were heard."""
    dead = pmf.get("dead", 0.0)
    return {**pmf, "dead": dead / 2, "mute": pmf.get("mute", 0.0) + dead / 2}


def cumulative(pmf: Pmf, kind: str) -> Array:
    """(S,) cumulative probabilities, ones beyond the states of that kind of node."""
    states = STATES[kind]
    out = np.zeros(len(LINK))
    for state, p in pmf.items():
        out[states.index(state)] += p
    out[0] += 1.0 - out.sum()
    return np.minimum(np.cumsum(out), 1.0)


# --- levels ------------------------------------------------------------------------------------

LOUD = _F.practice("loud from", 0.45, "how much a fault disturbs others (`spill`) to count as loud")
SOFT = _F.practice("soft from", 0.10, "the same to disturb them at all")
HEARD = _F.practice(
    "heard from", 0.5, "how surely it fails a step (`stops`) to be warned of as one"
)
MOST_PULLED = _F.practice("pulled at most", 0.95, "chance that a fault next door takes margin")
SOFTER = _F.practice("soft faults", 0.3, "how much of a loud fault's disturbance a soft one makes")

_LOUDNESS = ((SOFTER, SOFTER), (1.0, SOFTER), (1.0, 1.0))
"""Of a soft fault, one that fails steps and takes little margin elsewhere, and a loud one: how much
the rig warns because of it, and how much it pulls."""

_LEVELS: tuple[tuple[Relation, int], ...] = (
    (Relation.NONE, 0),
    *sorted(
        ((near, loud) for near in NEIGHBOURS for loud in range(len(_LOUDNESS))),
        key=lambda at: CLOSE[at[0]] * _LOUDNESS[at[1]][0] + 3 * PULLED[at[0]] * _LOUDNESS[at[1]][1],
    ),
)
"""(relation, loudness of the fault), from the faintest: the level of several faults is that of the
strongest."""
_AT = {level: i for i, level in enumerate(_LEVELS)}


@cache
def levels(spill: float, stops: float) -> Levels:
    """(Relation,) the level at which such a fault reaches a site of each relation."""
    silent = spill < SOFT and stops < HEARD
    loud = 2 if spill >= LOUD else int(stops >= HEARD)
    found = [0 if silent or not near else _AT[min(near, Relation.SITE), loud] for near in Relation]
    return np.array(found, np.int8)


def _outer(*shares: Array) -> Array:
    """(product of their lengths,) the shares of what is independent, the last the quickest."""
    return np.asarray(reduce(np.multiply.outer, shares).reshape(-1))


def _chance() -> Array:
    """(contexts, levels, circumstances)"""
    kinds = [(mood, board) for mood in MOODS for board in BOARDS]
    out = np.zeros((len(kinds), len(_LEVELS), len(VIEW)))
    for c, (mood, board) in enumerate(kinds):
        for d, (near, loud) in enumerate(_LEVELS):
            warned, pulled, hard = mood.idly, UNEXPLAINED, _hard(Relation.PARTITION, 1.0)
            ways = mood.ways
            if near is not Relation.NONE:
                heard, felt = _LOUDNESS[loud]
                warned = max(mood.idly, 1 - (1 - mood.warns) ** (CLOSE[near] * heard))
                of_block = near in (Relation.PARTITION, Relation.CLAMSHELL)
                least = max(board.least, board.block if of_block else 0.0)
                pulled = min(max(PULLED[near] * board.pull, least) * felt, MOST_PULLED)
                hard = _hard(near, felt)
                if of_block and board.hard:
                    hard = np.array([(1 - board.hard) / 2, board.hard, (1 - board.hard) / 2])
            elif mood.idly <= IDLY:
                ways = _SELDOM
            out[c, d, 0] = (1 - pulled) * (1 - warned)
            for way, share in ways.items():
                out[c, d, way] = (1 - pulled) * warned * share
            told = np.array([1 - warned, warned])
            burst = np.array([1 - board.bursts, board.bursts])
            out[c, d, VIEW.index(PULLS[0]) :] = pulled * _outer(told, burst, hard)
    return out


CHANCE: Array = _chance()

# --- the boot ----------------------------------------------------------------------------------

_STOP, _STOP_ALL, _SKIP = (
    _F.practice(f"boots that {name}", share, "share of all rigs; the others go on")
    for name, share in (("stop", 0.16), ("stop everywhere", 0.12), ("skip training", 0.04))
)
_CUT = _F.practice("cut after it", 0.94, "places after a failure that are not run where boots stop")
_CUT_TOO = _F.practice("cut before it", 0.10, "places before it, for steps yet to come")
_CUT_ALL = _F.practice("cut everywhere", 0.90, "the same where a boot stops everywhere")
_CUT_ODDLY = _F.practice("cut oddly", 0.01, "the same, and those after it, where it goes on")
_CUT_IDLY = _F.practice("cut idly", 0.001, "places cut short with no failure on the board")
_SKIPPED = _F.practice("skipped", 0.95, "the same of boots that skip training")
_BOOTS = (
    (1 - _STOP - _STOP_ALL - _SKIP, _CUT_ODDLY, _CUT_ODDLY, _CUT_IDLY),
    (_STOP, _CUT, _CUT_TOO, _CUT_IDLY),
    (_STOP_ALL, _CUT, _CUT_ALL, _CUT_IDLY),
    (_SKIP, _CUT_ODDLY, _CUT_ODDLY, _SKIPPED),
)
"""(share of rigs; how probably later and earlier places are cut short after a failure, and places
of any board with no failure at all)"""
BOOTS: Array = np.log([share for share, _, _, _ in _BOOTS])
CUT_SELF = _F.practice("cut itself", 0.55, "a failing channel whose own later steps are not run")
BEFORE, AFTER, OWN = 0, 1, 2
_STRENGTHS = (1 / 10, 1 / 3, 2 / 3, 1.0)
"""How surely the boot notices a fault (`Variant.stops`), in steps."""


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
