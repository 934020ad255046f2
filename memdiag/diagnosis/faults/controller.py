"""The controller: a PHY block or channel of it, or a line of its own way to memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import SELF, mixed, whole
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.diagnosis.rig_behaviour import shifted
from memdiag.evidence.gathered import Evidence
from memdiag.model import LANE_LINES, Board, Cause, Place, Site
from memdiag.model.figures import Table


def _blocks(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Partitions, each lane of them, and channels."""
    # Where a channel serves one package alone, its failing is a joint more often than the
    # controller; a channel of several packages is a block of its own.
    alone = all(len(board.sites_on_channel(c)) == 1 for c in board.channels)
    by_channel = 0.15 if alone else 0.5 if board.partitions else 1.0
    yield from _partitions(board, 1 - by_channel)
    if not board.known:
        yield from locations.unknown_group(board, evidence)
    for channel in board.channels:
        refs = frozenset(s.ref for s in board.sites_on_channel(channel))
        sites_here = [board.site(r) for r in refs]
        only = sites_here[0] if len(sites_here) == 1 else None
        site = only.ref if only is not None and only.named else None
        yield Location(Place(site=site, channel=channel), refs, by_channel / len(board.channels))


def _partitions(board: Board, whole_share: float) -> Iterator[Location]:
    """The partitions and their lanes, which have that share of the prior together."""
    partitions = board.partitions
    for name, sites in partitions.items():
        if not (len(partitions) > 1 or len(sites) < len(board.sites) or len(board.sites) == 1):
            continue  # it is the whole board, which is no block
        refs = frozenset(s.ref for s in sites)
        share = whole_share / len(partitions)
        if len(refs) == 1 and len(board.sites) > 1:
            share *= 0.3  # a block of one package fails more often by the package's joints
        yield Location(Place(partition=name), refs, 0.8 * share)
        lanes = sorted(set().union(*map(_lanes_of, sites)))
        for lane in lanes if len(lanes) > 1 else ():
            mine = frozenset(s.ref for s in sites if lane in _lanes_of(s))
            yield Location(Place(partition=name, lane=lane), mine, 0.2 * share / len(lanes))


def _lanes_of(site: Site) -> set[int]:
    return {link.lane for link in site.links if link.lane is not None}


def _stripes(board: Board, evidence: Evidence) -> Iterator[Location]:
    """One lane or line position over every site that has it, where at least two of them look
    odd there; and a line whose errors keep a stride."""
    by_lane: dict[int, set[str]] = {}
    for site in board.sites:
        for link in site.links:
            if link.lane is not None:
                by_lane.setdefault(link.lane, set()).add(site.ref)
    suspects = locations.odd(evidence, ("place", "line"))
    for lane, sites in by_lane.items():
        here = [n for n in suspects if n.place.lane == lane]
        if len({ref for n in here for ref in n.sites}) >= 2 and len(sites) >= 2:
            yield Location(Place(lane=lane), frozenset(sites), 0.5 / len(by_lane))
            for dq in {n.place.line for n in here if n.place.line is not None}:
                share = 0.5 / (LANE_LINES * len(by_lane))
                yield Location(Place(lane=lane, dq=dq), frozenset(sites), share)
    for place in sorted(evidence.strides, key=lambda p: str(tuple(p))):
        ref = place.site or ""
        owner = board.site(ref)
        named = ref if owner is None or owner.named else None
        yield Location(replace(place, site=named), frozenset({ref}), 0.8)


_PRIOR = Prior(
    "controller",
    0.07,
    "a block or channel of the controller",
    "Judgement: the way to the memory fails too (Sridharan and others, ASPLOS'15).",
)
_WHY = "the controller, or the way to it: it fails whatever package sits there"

_F = Table("A controller block")
THIN = _F.shares(
    "log margin", {-0.4: 0.12, -0.8: 0.16, -1.4: 0.12}, "share of blocks that lose so much"
)
SCATTER = _F.practice("scatter", 0.45, "log; the lanes of a sick block fail in different degrees")
DEAD = _F.practice("dead", 0.36, "share of blocks that work on no lane")
_SOME = (0.1, shifted(-1.2, 0.6))

_STRIDE = {
    ("place", SELF): {"array": 0.62, "80": 0.15, "stuck": 0.12},
    ("line", SELF): {"array": 0.50, "stuck": 0.25, "45": 0.20},
    ("shape", SELF): {"striped": 0.93},
}

MECHANISMS = (
    # The PHY block or a channel of the controller: fails whatever sits on it.
    Mechanism(
        "controller",
        Cause.CONTROLLER,
        _PRIOR,
        _blocks,
        spill=0.40,
        stops=0.7,
        variants=(
            *effects.severities(THIN, SCATTER),
            Variant("dead", DEAD, whole(mixed([(0.9, {"dead": 0.78, "mute": 0.22}), _SOME]))),
            Variant("silent", 0.12, whole({"mute": 0.84, "absent": 0.08, "dead": 0.06})),
            Variant("unheard", 0.12, whole({"absent": 0.84, "mute": 0.10, "dead": 0.04})),
        ),
        why=_WHY,
        share=0.85,
        history=history.of_controller,
        beyond_site=True,
        of_many=True,
    ),
    # The controller's own way to memory: the same bit wrong at an almost constant stride.
    Mechanism(
        "controller_line",
        Cause.CONTROLLER,
        _PRIOR,
        _stripes,
        spill=0.05,
        stops=0.05,
        variants=(Variant("stride", 1.0, _STRIDE),),
        why=_WHY,
        share=0.15,
        history=history.of_controller,
        beyond_site=True,
        of_many=True,
    ),
)
