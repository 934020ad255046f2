"""A short inside a package: it lies across its rails, and whoever shares them sags. With the
supply pulled down it mostly does not answer at all."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import FOLLOWS, GONE, RAIL, SELF, SICK, mixed, whole
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Rails, Variant
from memdiag.diagnosis.rig_behaviour import Pmf, shifted
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause
from memdiag.model.figures import Table

_PRIOR = Prior(
    "shorted",
    0.06,
    "a package with a short inside, lying across its rails",
    "Judgement: rarer than a package that is merely gone; no published count.",
)
_F = Table("A package with a short inside")
_ALIVE = _F.practice("alive", 0.25, "share of such packages that answer all the same")
_SHORT = _F.practice("under an ohm", 0.14, "share of such packages that read under an ohm")
_SAG = _F.practice("pulls", 0.6, "share of its neighbours on the rail that sag with it")
_DRAGS = _F.practice("drags", 0.14, "share of them that do not answer either")
_NEXT = mixed(
    [
        (
            _SAG,
            shifted(
                _F.practice("pull, log margin", -0.4, "what sags loses"),
                _F.practice("pull, scatter", 0.3, "log; how unlike those are"),
            ),
        ),
        (_DRAGS, {"absent": 1.0}),
        (1 - _DRAGS - _SAG, {"sound": 1.0}),
    ]
)
_DEAD = _F.practice("dead", 0.2, "share of the lanes of those that answer which do not work")
_LAME = mixed([(1 - _DEAD, SICK), (_DEAD, {"dead": 1.0})])
_VOLTS = _F.each("volts,", {"low": 0.4, "none": 0.3}, "what its rails have under load")


def _variants(place: Pmf) -> tuple[Variant, ...]:
    """By what its rails read."""
    return tuple(
        Variant(
            state,
            share,
            {
                **whole(place),
                ("place", RAIL): _NEXT,
                ("rail", SELF): {state: FOLLOWS},
                ("volts", SELF): _VOLTS,
                ("heat", SELF): {"here": FOLLOWS},
            },
        )
        for state, share in (("low", 1 - _SHORT), ("short", _SHORT))
    )


def _alive(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Packages, each. One no training row speaks of has the whole of the prior, for nobody knows
    whether it is gone."""
    heard = frozenset(ref for n in evidence.nodes if n.kind == "place" for ref in n.sites)
    for at in locations.sites(board, evidence):
        yield at if at.sites <= heard else at._replace(share=at.share / _ALIVE)


def _gone(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Packages that a training row speaks of: another is not called gone."""
    heard = frozenset(ref for n in evidence.nodes if n.kind == "place" for ref in n.sites)
    return (at for at in locations.sites(board, evidence) if at.sites <= heard)


MECHANISMS = (
    Mechanism(
        "shorted_gone",
        Cause.MISSING,
        _PRIOR,
        _gone,
        spill=0.9,
        variants=_variants(GONE),
        why="a package that does not answer and draws its rail down",
        share=1 - _ALIVE,
        history=history.of_package,
        rails=Rails.OF_ITS_SITES,
    ),
    Mechanism(
        "shorted_alive",
        Cause.WEAK,
        _PRIOR,
        _alive,
        spill=0.7,
        variants=_variants(_LAME),
        why="a package that draws its rail down",
        share=_ALIVE,
        history=history.of_package,
        rails=Rails.OF_ITS_SITES,
    ),
)
