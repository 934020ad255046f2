"""Effects that several mechanisms have in common."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from statistics import NormalDist

from memdiag.diagnosis.faults.mechanism import Effects, Variant
from memdiag.diagnosis.rig_behaviour import SHUT, Pmf, Relation, shifted
from memdiag.evidence.nodes import GRADES
from memdiag.model.figures import Table

SELF, LANE, RAIL = Relation.SELF, Relation.LANE, Relation.RAIL

_F = Table("Any fault")
SHOWS = _F.practice("shows", 0.96, "share of places of a total fault that look it")
FOLLOWS = _F.practice("follows", 0.93, "the same of what follows from it: addresses, ohms, warmth")
PLAY = _F.practice("play of severities", 0.7, "log; how unlike the severities of one fault are")
SICK = shifted(
    _F.practice("sick, log margin", -0.8, "of lanes that work badly beside some that do not work"),
    _F.practice("sick, scatter", 0.5, "log; how unlike those are"),
)
SCATTER = _F.practice("taken, scatter", 0.05, "share of an eye by which lanes differ at all")
UNLIKE = _F.practice(
    "taken, unlike", 0.15, "share of what is taken of all lanes by which they differ beyond that"
)
BESIDE: Pmf = {"90": _F.practice("beside", 0.03, "other lines of its lane that lose a tenth")}
GONE, DEAF, UNHEARD = (
    _F.each(f"{name},", shares, says)
    for name, shares, says in (
        (
            "gone",
            {"absent": 0.955, "mute": 0.03, "dead": 0.01},
            "how the lanes of a package that is not there look",
        ),
        (
            "deaf",
            {"mute": 0.93, "dead": 0.03, "absent": 0.02},
            "how those look that hear no commands",
        ),
        (
            "unheard",
            {"absent": 0.88, "mute": 0.08, "dead": 0.02},
            "the same on rigs that print no answer and nobody there alike",
        ),
    )
)

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
        ("shape", SELF): {"spread": FOLLOWS},
    }


def mixed(parts: Iterable[tuple[float, Pmf]]) -> Pmf:
    """A mixture of state distributions, each with its share."""
    out: dict[str, float] = {}
    for share, pmf in parts:
        for state, p in pmf.items():
            out[state] = out.get(state, 0.0) + share * p
    return out


def degrees(middle: float, points: int, share: float = 1.0) -> dict[float, float]:
    """As many severities (log margins) of equal shares as points, spread log-normally about the
    middle one; `share` is what they have together."""
    normal = NormalDist(math.log(-middle), PLAY)
    return {-math.exp(normal.inv_cdf((i + 0.5) / points)): share / points for i in range(points)}


def ladder(middle: float, play: float, points: int) -> dict[float, float]:
    """Severities in even steps of their logs from two deviations below the middle one to as many
    above, each with its share: a log-normal spread whose ends are told as finely as its middle."""
    steps = [4 * i / (points - 1) - 2 for i in range(points)]
    weight = [math.exp(-z * z / 2) for z in steps]
    return {
        middle * math.exp(play * z): w / sum(weight) for z, w in zip(steps, weight, strict=True)
    }


def taken(loss: float, unlike: float = UNLIKE) -> Pmf:
    """The states of a lane that a fault takes this share of its eye from, as of all its lanes, more
    than all of it where it goes on beyond: a normal spread about it, in shares of an eye, wider by
    `unlike` of what it takes."""
    spread = NormalDist(loss, math.hypot(SCATTER, unlike * loss))
    edges = [1 - math.exp((a + b) / 2) for a, b in pairwise(GRADES.values())]
    below = [0.0, *map(spread.cdf, (*edges, 1 - math.exp(SHUT))), 1.0]
    return dict(zip((*GRADES, "dead"), (b - a for a, b in pairwise(below)), strict=True))


def severities(
    shares: Mapping[float, float],
    scatter: float,
    reach: float = 1.0,
    more: Effects | None = None,
    unlike: float = 0.0,
) -> Iterator[Variant]:
    """A variant a severity (log margin), shared by all that the fault covers, with a scatter over
    its lanes: so much for all severities, and this share (`unlike`) of the severity itself;
    `reach` is the share of those lanes that suffer at all."""
    for margin, share in shares.items():
        taken = shifted(margin, math.hypot(scatter, unlike * margin))
        place = mixed([(reach, taken), (1 - reach, {"sound": 1.0})])
        name = f"{margin:.2f} on {reach:.0%}"
        yield Variant(name, share, {**whole(place), **(more or {})})
