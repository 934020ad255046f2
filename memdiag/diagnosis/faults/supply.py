"""A rail: graded over everything that hangs on it."""

from __future__ import annotations

from collections.abc import Iterator

from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF, whole
from memdiag.diagnosis.faults.mechanism import Effects, Location, Mechanism, Prior, Rails, Variant
from memdiag.diagnosis.rig_behaviour import Pmf
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause, Place


def _rails(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The rails that feed packages, and any other rail that was read or fed."""
    feeding = {r.name: board.sites_on_rail(r.name) for r in board.rails if r.feeds == "packages"}
    feeding = {
        n: sites for n, sites in feeding.items() if len(sites) > 1 or (sites and board.known)
    }
    for name, sites in feeding.items():
        yield Location(Place(rail=name), frozenset(s.ref for s in sites), 1 / len(feeding))
    read = dict.fromkeys(n.place.rail for n in evidence.nodes if n.place.rail is not None)
    for name in read:
        if name not in feeding:
            yield Location(Place(rail=name), frozenset(), 0.4)
    if not feeding and len(board.sites) > 1:
        yield Location(Place(), frozenset(s.ref for s in board.sites), 0.5)
        yield from locations.unknown_group(board, evidence)


def _far_ends(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Of each rail that feeds packages, those that look sick, where others of it do not."""
    feeding = [r.name for r in board.rails if r.feeds == "packages"]
    sick = locations.sick(evidence)
    for name in feeding:
        refs = frozenset(s.ref for s in board.sites_on_rail(name))
        if sick & refs and refs - sick:
            # one of about as many ways to part a rail as it has packages
            yield Location(Place(rail=name), sick & refs, 1 / len(feeding) / len(refs))


def _reading(place: Pmf, **rail: float) -> Effects:
    """What its packages do, and how its reading comes out."""
    return {**whole(place), ("rail", SELF): rail}


_PRIOR = Prior(
    "supply",
    0.12,
    "a rail, graded over all that hangs on it",
    "Judgement: field studies count devices, not the copper and regulators before them.",
)
_WHY = "{at}: several sites that share a rail are weak or gone together."

_LEAN = {
    **_reading({"disturbed": 0.25, "thin": 0.08}, low=0.04),
    ("whole", SELF): {"thin": 0.80, "disturbed": 0.17},
}
_LOW = {"thin": 0.66, "disturbed": 0.12, "dead": 0.08, "absent": 0.07}
_GONE = {
    **_reading({"absent": 0.92, "mute": 0.05, "dead": 0.02}, short=0.60, low=0.12),
    ("heat", SELF): {"here": 0.4},
}
_FAR_LOW = {"thin": 0.62, "dead": 0.28, "disturbed": 0.06}

MECHANISMS = (
    Mechanism(
        "supply",
        Cause.SUPPLY,
        _PRIOR,
        _rails,
        spill=0.5,
        stops=0.6,
        variants=(
            Variant("faint", 0.05, _reading({"disturbed": 0.22, "thin": 0.04}, low=0.03)),
            Variant("rippling", 0.13, _reading({"disturbed": 0.45, "thin": 0.08}, low=0.03)),
            Variant("lean", 0.08, _LEAN),
            Variant("shaking", 0.12, _reading({"disturbed": 0.76, "thin": 0.10}, low=0.04)),
            Variant("sagging", 0.14, _reading({"disturbed": 0.38, "thin": 0.40}, low=0.05)),
            Variant("low", 0.18, _reading(_LOW, low=0.14, short=0.03)),
            Variant("gone", 0.30, _GONE),
        ),
        why=_WHY,
        share=0.8,
        rails=Rails.ITS_OWN,
        of_many=True,
    ),
    # The same where only some of its packages tell: the voltage falls along the copper, and those
    # far from where it is fed suffer first. Never so far that one is silent and the next is well.
    Mechanism(
        "supply_far",
        Cause.SUPPLY,
        _PRIOR,
        _far_ends,
        spill=0.5,
        stops=0.6,
        variants=(
            Variant("shaking", 0.25, whole({"disturbed": 0.76, "thin": 0.16})),
            Variant("sagging", 0.40, _reading({"disturbed": 0.28, "thin": 0.60}, low=0.05)),
            Variant("low", 0.35, _reading(_FAR_LOW, low=0.14, short=0.03)),
        ),
        why=_WHY,
        share=0.2,
        rails=Rails.ITS_OWN,
        of_many=True,
    ),
)
