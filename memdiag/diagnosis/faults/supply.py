"""A rail: graded over everything that hangs on it."""

from __future__ import annotations

from collections.abc import Iterator
from math import comb

from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import FOLLOWS, GONE, SELF, SICK, mixed, whole
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
            yield Location(Place(rail=name), frozenset(), READ_TOO)
    if not feeding and len(board.sites) > 1:
        yield Location(Place(), frozenset(s.ref for s in board.sites), UNKNOWN)
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
READ_TOO = _F.practice(
    "read too", 0.4, "share of the prior for a rail that feeds none, but was read"
)
UNKNOWN = _F.practice("all of it", 0.5, "share of it for the whole board, where no rail is known")
LOW = _F.practice("low", 0.08, "share whose rail reads a few ohms, and sags")
DOWN = _F.practice("low, down", 0.08, "the same where what makes the rail does not start")
SHORT = _F.practice("short", 0.18, "share whose rail reads under an ohm")
OFF = _F.practice("off", 0.10, "share that feed nothing, though the ohms are well")
SCATTER = _F.practice("scatter", 0.07, "log; how unlike the lanes on one rail are beyond their own")
UNLIKE = _F.practice("unlike", 0.12, "share of a sag by which they differ beyond that")
FAR_SCATTER = _F.practice("far scatter", 0.25, "the same where only the far end tells")

_ALIKE = _F.practice("sag, log margin", -0.33, "the middle of what it takes from all alike")
_GRADED = _F.practice("graded sag, log margin", -0.75, "the same at the far end of a graded one")
_FAR = _F.practice("far sag, log margin", -0.6, "the same where only the far end tells")
BRINK = _F.each(
    "to the brink,",
    {"-1.1": 0.04, "-1.4": 0.03, "-2.0": 0.03},
    "share of all that sag to where the next millivolt ends it, by log margin",
)
SAGS = {
    **effects.degrees(_ALIKE, 6, 1 - LOW - DOWN - SHORT - OFF - sum(BRINK.values())),
    **{float(margin): share for margin, share in BRINK.items()},
}
GRADED = effects.degrees(_GRADED, 4)
FAR_SAGS = effects.degrees(_FAR, 4)
_PARTS = {
    near: _F.practice(f"sag at {near.name.lower()}", part, "share of the far end's sag there")
    for near, part in ((NEAR_END, 0.15), (MIDDLE, 0.5), (FAR_END, 1.0))
}
_PARTS[SELF] = sum(_PARTS.values()) / len(_PARTS)
ALIKE, ALONG, FAR = (
    _F.practice(f"rails that {name}", share, "share of all faults of a rail")
    for name, share in (("sag alike", 0.70), ("sag along the copper", 0.22), ("part", 0.08))
)
STAYS = _F.practice("stays low", 0.98, "share of low and shorted rails whose next reading is alike")


def _reads(ohms: Pmf, volts: Pmf) -> Effects:
    """How the rail reads, to ground with the board off and under load."""
    return {("rail", SELF): ohms, ("volts", SELF): volts}


LEAKS = _F.practice("sags, reads low", 0.25, "share of sagging rails with a leak to ground")
OPENS = _F.practice("sags, reads high", 0.30, "share of them whose path to the packages is open")
DIPS = _F.practice("dips", 0.6, "share of sagging or low rails that are low under load")
_SAG_READS = _reads({"low": LEAKS, "high": OPENS}, {"low": DIPS})
_LOW_READS = _reads(
    {"low": STAYS},
    {"low": DIPS, "none": _F.practice("low, no volts", 0.3, "share of low rails with nothing")},
)
_SHORT_READS = _reads({"short": STAYS}, {"none": FOLLOWS})
_OFF_READS = _reads(
    {"high": _F.practice("off, reads high", 0.5, "share of such rails that read high")},
    {"none": FOLLOWS},
)


def _graded() -> Iterator[Variant]:
    """A sag that grows along the copper: little where it is fed, all of it far out."""
    for margin, share in GRADED.items():
        effects_of: dict[tuple[str, Relation], Pmf] = {}
        for near, part in _PARTS.items():
            place = shifted(part * margin, SCATTER)
            effects_of |= {(kind, near): place for kind in ("place", "line")}
            effects_of["shape", near] = {"spread": FOLLOWS}
        yield Variant(f"{margin:.2f} at the far end", share, {**effects_of, **_SAG_READS})


def _along(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Each rail that feeds packages, from either end: nobody knows where it is fed."""
    feeding = [r.name for r in board.rails if r.feeds == "packages"]
    for name in feeding:
        refs = tuple(s.ref for s in board.sites_on_rail(name))
        if len(refs) >= LEAST_GRADED:
            for along in (refs, refs[::-1]):
                share = 1 / len(feeding) / 2
                yield Location(Place(rail=name), frozenset(refs), share, along=along)


LEAST_GRADED = 2
"""Fewer packages show no growth along the copper."""

_GONE = whole(GONE)
_THIN = _F.practice("low, thin", 0.6, "share of lanes on a low rail that are thin, not gone")
_SAGGING = whole(mixed([(_THIN, SICK), (1 - _THIN, GONE)]))
_WARM = {("heat", SELF): {"here": _F.practice("warm", 0.4, "share of shorts found by warmth")}}

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
        variants=(
            *effects.severities(SAGS, SCATTER, more=_SAG_READS, unlike=UNLIKE),
            Variant("low", LOW, {**_SAGGING, **_LOW_READS}),
            Variant("low, down", DOWN, {**_GONE, **_LOW_READS}),
            Variant("short", SHORT, {**_GONE, **_SHORT_READS, **_WARM}),
            Variant("off", OFF, {**_GONE, **_OFF_READS}),
        ),
        why=_WHY,
        share=ALIKE,
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
        variants=tuple(_graded()),
        why=_WHY,
        share=ALONG,
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
        variants=tuple(effects.severities(FAR_SAGS, FAR_SCATTER, more=_SAG_READS)),
        why=_WHY,
        share=FAR,
        rails=Rails.ITS_OWN,
        of_many=True,
    ),
)
