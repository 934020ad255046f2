"""A short inside a package: it lies across its rails, and whoever shares them sags. With the
supply pulled down it mostly does not answer at all."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import RAIL, SELF, whole
from memdiag.diagnosis.faults.mechanism import Effects, Location, Mechanism, Prior, Rails, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause

_GONE, _ALIVE = 0.75, 0.25

_PRIOR = Prior(
    "shorted",
    0.06,
    "a package with a short inside, lying across its rails; only where rails were measured",
    "Judgement: rarer than a package that is merely gone; no published count.",
)
_PULLS: Effects = {
    ("place", RAIL): {"disturbed": 0.38, "thin": 0.22, "absent": 0.14},
    ("rail", SELF): {"low": 0.64, "short": 0.10},
    ("heat", SELF): {"here": 0.92},
}


def _gone(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Packages, where rails were read or fed. One no training row speaks of is not called gone."""
    heard = _heard(evidence)
    return (at for at in _packages(board, evidence) if at.sites <= heard)


def _alive(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The same. One no training row speaks of has the whole of the prior, for it is not gone."""
    heard = _heard(evidence)
    for at in _packages(board, evidence):
        yield at if at.sites <= heard else at._replace(share=at.share / _ALIVE)


def _packages(board: Board, evidence: Evidence) -> Iterator[Location]:
    if any(n.kind in ("rail", "heat") for n in evidence.nodes):
        yield from locations.sites(board, evidence)


def _heard(evidence: Evidence) -> frozenset[str]:
    return frozenset(ref for n in evidence.nodes if n.kind == "place" for ref in n.sites)


MECHANISMS = (
    Mechanism(
        "shorted_gone",
        Cause.MISSING,
        _PRIOR,
        _gone,
        spill=0.9,
        stops=1.0,
        variants=(
            Variant("low", 1.0, {**whole({"absent": 0.93, "mute": 0.04, "dead": 0.02}), **_PULLS}),
        ),
        why=effects.GONE,
        share=_GONE,
        history=history.of_package,
        rails=Rails.OF_ITS_SITES,
    ),
    Mechanism(
        "shorted_alive",
        Cause.WEAK,
        _PRIOR,
        _alive,
        spill=0.7,
        stops=0.6,
        variants=(
            Variant(
                "low", 1.0, {**whole({"thin": 0.55, "dead": 0.15, "disturbed": 0.10}), **_PULLS}
            ),
        ),
        why=effects.WEAK,
        share=_ALIVE,
        history=history.of_package,
        rails=Rails.OF_ITS_SITES,
    ),
)
