"""A rail: graded over everything that hangs on it."""

from __future__ import annotations

from collections.abc import Iterator
from math import comb
from statistics import NormalDist

from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import FOLLOWS, GONE, SELF, SICK, UNHEARD, mixed, whole
from memdiag.diagnosis.faults.mechanism import Effects, Location, Mechanism, Prior, Rails, Variant
from memdiag.diagnosis.rig_behaviour import ALONG, Pmf, Relation
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
        told = dict.fromkeys(
            tuple(s.ref for s in board.sites_on_channel(channel)) for channel in board.channels
        )
        for refs in told:
            if 1 < len(refs) < len(board.sites):
                yield Location(Place(group=refs), frozenset(refs), OF_CHANNEL / len(told))
        for location in locations.unknown_group(board, evidence):
            if location.sites not in map(frozenset, told):
                yield location


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


_F = Table("A rail")
READ_TOO = _F.practice(
    "read too", 0.4, "share of the prior for a rail that feeds none, but was read"
)
UNKNOWN = _F.practice("all of it", 0.5, "share of it for the whole board, where no rail is known")
OF_CHANNEL = _F.practice("of a channel", 0.25, "the same for rails that part as channels do")
LOW = _F.practice("low", 0.08, "share whose rail reads a few ohms, and sags")
DOWN = _F.practice("low, down", 0.08, "the same where what makes the rail does not start")
SHORT = _F.practice("short", 0.18, "share whose rail reads under an ohm")
OFF = _F.practice("off", 0.10, "share that feed nothing, though the ohms are well")
UNEVEN = _F.practice(
    "uneven", 0.25, "share of what a graded rail takes by which lanes differ: no even slope"
)
FAR_SCATTER = _F.practice("far scatter", 0.25, "log; the same where only the far end tells")

SAG = _F.practice("sag", 0.32, "share of an eye that the middle one takes")
SAG_PLAY = _F.practice("sag, play", 0.8, "log; how unlike the sags of boards are")
_FAR = _F.practice("far sag, log margin", -0.6, "the same where only the far end tells")
FAR_SAGS = effects.degrees(_FAR, 4)
GROWTH = (
    _F.practice("thin copper", 1.5, "times what it takes where the rail is fed, at the far end"),
    _F.practice("thinnest copper", 2.2, "the same where most is lost on the way"),
)
SILENT = _F.practice(
    "silent", 2.0, "eyes that a sag has to take before half of the packages do not answer"
)
SILENT_SPREAD = _F.practice("silent, spread", 0.25, "share of that by which packages differ")
ALIKE, COPPER, FAR = (
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


def _sagging(loss: float, unlike: float) -> Pmf:
    """The lanes of a package on a rail whose sag takes that share of an eye: closed where it takes
    all, and silent far beyond, where not even slow commands are understood. They differ by this
    share of the loss."""
    silent = NormalDist(SILENT, SILENT_SPREAD * SILENT).cdf(loss)
    return mixed([(1 - silent, effects.taken(loss, unlike)), (silent, UNHEARD)])


def _alike() -> Iterator[Variant]:
    """One sag for all."""
    sagging = 1 - LOW - DOWN - SHORT - OFF
    for loss, share in effects.ladder(SAG, SAG_PLAY, 11).items():
        effects_of = {**whole(_sagging(loss, effects.UNLIKE)), **_SAG_READS}
        yield Variant(f"sags by {loss:.0%}", share * sagging, effects_of)


def _graded() -> Iterator[Variant]:
    """A sag that grows along the copper. Width falls with voltage, so what is lost grows evenly."""
    for loss, share in effects.ladder(SAG, SAG_PLAY, 9).items():
        for growth in GROWTH:
            effects_of: dict[tuple[str, Relation], Pmf] = {}
            parts = [1 + (growth - 1) * at / (len(ALONG) - 1) for at in range(len(ALONG))]
            for part, relation in zip(parts, ALONG, strict=True):
                for (kind, _), pmf in whole(_sagging(part * loss, UNEVEN)).items():
                    effects_of[kind, relation] = pmf
            mean = sum(parts) / len(parts)  # of what is not one package's
            effects_of |= {**whole(_sagging(mean * loss, UNEVEN)), **_SAG_READS}
            name = f"sags by {loss:.0%} to {growth * loss:.0%}"
            yield Variant(name, share / len(GROWTH), effects_of)


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
            *_alike(),
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
        share=COPPER,
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
