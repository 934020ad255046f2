"""A rail: graded over everything that hangs on it."""

from __future__ import annotations

from collections.abc import Iterator
from math import comb

from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import SELF, mixed, whole
from memdiag.diagnosis.faults.mechanism import Effects, Location, Mechanism, Prior, Rails, Variant
from memdiag.diagnosis.rig_behaviour import Pmf, Relation, shifted
from memdiag.evidence.gathered import Evidence
from memdiag.model import Board, Cause, Place
from memdiag.model.figures import Table


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
            # one of the ways to part a rail; copper does not take any few of them together
            ways = min(comb(len(refs), len(sick & refs)), len(refs) ** 2)
            yield Location(Place(rail=name), sick & refs, 1 / len(feeding) / ways)


NEAR_END, MIDDLE, FAR_END = Relation.NEAR_END, Relation.MIDDLE, Relation.FAR_END
_F = Table("A rail")
SAGS = _F.shares(
    "sag, log margin",
    {-0.13: 0.12, -0.25: 0.18, -0.45: 0.19, -0.8: 0.13},
    "share of rail faults that sag so far, all alike",
)
GRADED = _F.shares(
    "graded sag, log margin",
    {-0.3: 0.25, -0.6: 0.30, -1.1: 0.25, -2.2: 0.20},
    "share of those that sag more the farther along the copper, by the far end",
)
LOW = _F.practice("low", 0.10, "share whose rail reads a few ohms")
SHORT = _F.practice("short", 0.18, "share whose rail reads under an ohm")
OFF = _F.practice("off", 0.10, "share that feed nothing, though the ohms are well")
SCATTER = _F.practice("scatter", 0.13, "log; how unlike the lanes on one rail are")
FAR_SCATTER = _F.practice("far scatter", 0.25, "the same where only the far end tells")


def _reads(ohms: Pmf, volts: Pmf) -> Effects:
    """How the rail reads, to ground with the board off and under load."""
    return {("rail", SELF): ohms, ("volts", SELF): volts}


LEAKS = _F.practice("sags, reads low", 0.25, "share of sagging rails with a leak to ground")
OPENS = _F.practice("sags, reads high", 0.30, "share of them whose path to the packages is open")
_SAG_READS = _reads({"low": LEAKS, "high": OPENS}, {"low": 0.6})


_LOW_READS = _reads({"low": 0.98}, {"low": 0.6, "none": 0.3})


def _graded() -> Iterator[Variant]:
    """A sag that grows along the copper: little where it is fed, all of it far out."""
    for margin, share in GRADED.items():
        effects_of: dict[tuple[str, Relation], Pmf] = {}
        for near, part in ((NEAR_END, 0.15), (MIDDLE, 0.5), (FAR_END, 1.0), (SELF, 0.6)):
            place = shifted(part * margin, SCATTER)
            effects_of |= {(kind, near): place for kind in ("place", "line")}
            effects_of["shape", near] = {"spread": 0.93}
        yield Variant(f"{margin:g} at the far end", share, {**effects_of, **_SAG_READS})


def _along(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Each rail that feeds packages, from either end: nobody knows where it is fed."""
    feeding = [r.name for r in board.rails if r.feeds == "packages"]
    for name in feeding:
        refs = tuple(s.ref for s in board.sites_on_rail(name))
        if len(refs) >= LEAST_GRADED:
            for along in (refs, refs[::-1]):
                share = 1 / len(feeding) / 2
                yield Location(Place(rail=name), frozenset(refs), share, along=along)


LEAST_GRADED = 3
"""Fewer packages show no growth along the copper."""

_DOWN = whole({"absent": 0.92, "mute": 0.05, "dead": 0.02})
_SAGGING = whole(mixed([(0.6, shifted(-0.8, 0.4)), (0.4, {"absent": 0.9, "mute": 0.05})]))

_PRIOR = Prior(
    "supply",
    0.12,
    "a rail, graded over all that hangs on it",
    "Judgement: field studies count devices, not the copper and regulators before them.",
)
_WHY = "a rail: what hangs on it is weak or gone together"

MECHANISMS = (
    Mechanism(
        "supply",
        Cause.SUPPLY,
        _PRIOR,
        _rails,
        spill=0.5,
        stops=0.6,
        variants=(
            *effects.severities(SAGS, SCATTER, more=_SAG_READS),
            Variant("low", LOW, {**_SAGGING, **_LOW_READS}),
            Variant(
                "short",
                SHORT,
                {**_DOWN, **_reads({"short": 0.98}, {"none": 0.95}), ("heat", SELF): {"here": 0.4}},
            ),
            Variant(
                "off",
                OFF,
                {**_DOWN, **_reads({"low": 0.05, "high": 0.5}, {"none": 0.9, "low": 0.05})},
            ),
        ),
        why=_WHY,
        share=0.70,
        rails=Rails.ITS_OWN,
        of_many=True,
    ),
    # The same where the voltage falls along the copper, so that those far out suffer most.
    Mechanism(
        "supply_along",
        Cause.SUPPLY,
        _PRIOR,
        _along,
        spill=0.5,
        stops=0.6,
        variants=tuple(_graded()),
        why=_WHY,
        share=0.22,
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
        variants=tuple(
            effects.severities(
                {-0.3: 0.3, -0.55: 0.35, -1.0: 0.25, -1.8: 0.1}, FAR_SCATTER, more=_SAG_READS
            )
        ),
        why=_WHY,
        share=0.08,
        rails=Rails.ITS_OWN,
        of_many=True,
    ),
)
