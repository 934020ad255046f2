"""The controller: a PHY block or channel of it, or a line of its own way to memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec.structs import replace

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import DEAF, FOLLOWS, SELF, SICK, UNHEARD, mixed, whole
from memdiag.diagnosis.faults.mechanism import Location, Mechanism, Prior, Variant
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.evidence.same_counts import most_alike
from memdiag.model import LANE_LINES, Board, Cause, Channel, Place, Site
from memdiag.model.figures import Table

_F = Table("A controller block")
ALONE = _F.practice(
    "channel of one", 0.15, "share of the prior by channel, where each is one package's"
)
BY_CHANNEL = _F.practice("channel", 0.5, "the same of channels with several, beside blocks")
OF_ONE = _F.practice("block of one", 0.3, "how much rarer a block of one package is: its joints")
BY_LANE = _F.practice("lane of a block", 0.2, "share of a block's prior for single lanes of it")
BY_LINE = _F.practice(
    "line of all", 0.5, "share of a lane's prior, over all sites, for single lines"
)
ONE_BIT = _F.practice("one bit", 0.5, "share of a lane's prior for one bit of all lanes")
BLOCKS = _F.practice("blocks", 0.85, "share of blocks and channels; the others are lines of it")
STRIDES = _F.practice(
    "keeps a stride", 0.8, "share of a prior for a line whose errors keep a stride"
)


def _blocks(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Partitions, each lane of them, and channels."""
    # Where a channel serves one package alone, its failing is a joint more often than the
    # controller; a channel of several packages is a block of its own.
    alone = all(len(board.sites_on_channel(c)) == 1 for c in board.channels)
    by_channel = ALONE if alone else BY_CHANNEL if board.partitions else 1.0
    yield from _partitions(board, 1 - by_channel)
    if not board.known:
        yield from locations.unknown_group(board, evidence)
    for channel in board.channels:
        refs = frozenset(s.ref for s in board.sites_on_channel(channel))
        sites_here = [board.site(r) for r in refs]
        only = sites_here[0] if len(sites_here) == 1 else None
        site = only.ref if only is not None and only.named else None
        yield Location(Place(site=site, channel=channel), refs, by_channel / len(board.channels))


def _blocks_of_several(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Those of several packages: of one a lane that is lost is a joint's, and two lanes of two are
    as soon two joints'."""
    return (at for at in _blocks(board, evidence) if len(at.sites) > 2)


def _partitions(board: Board, whole_share: float) -> Iterator[Location]:
    """The partitions and their lanes, which have that share of the prior together."""
    partitions = board.partitions
    for name, sites in partitions.items():
        if not (len(partitions) > 1 or len(sites) < len(board.sites) or len(board.sites) == 1):
            continue  # it is the whole board, which is no block
        refs = frozenset(s.ref for s in sites)
        share = whole_share / len(partitions)
        if len(refs) == 1 and len(board.sites) > 1:
            share *= OF_ONE  # a block of one package fails more often by the package's joints
        yield Location(Place(partition=name), refs, (1 - BY_LANE) * share)
        lanes = sorted(set().union(*map(_lanes_of, sites)))
        for lane in lanes if len(lanes) > 1 else ():
            mine = frozenset(s.ref for s in sites if lane in _lanes_of(s))
            yield Location(Place(partition=name, lane=lane), mine, BY_LANE * share / len(lanes))


def _lanes_of(site: Site) -> set[int]:
    return {link.lane for link in site.links if link.lane is not None}


def _stripes(board: Board, evidence: Evidence) -> Iterator[Location]:
    """One lane or line position over every site that has it, where most of its lanes look odd, or
    some at each of the sites, and not merely gone; one bit of every lane, known or not; and a line
    whose errors keep a stride."""
    by_lane: dict[int, set[str]] = {}
    for site in board.sites:
        for link in site.links:
            if link.lane is not None:
                by_lane.setdefault(link.lane, set()).add(site.ref)
    suspects = locations.odd(evidence, ("place", "line"))
    for lane, sites in by_lane.items():
        here = [n for n in suspects if n.place.lane == lane and _may_be_a_lane(n)]
        here = _of_one_rate(here, evidence)
        at = {ref for n in here for ref in n.sites}
        most = at >= sites or _spares_few((n.place for n in here), board, evidence, lane=lane)
        if len(at) >= 2 and most:
            yield Location(Place(lane=lane), frozenset(sites), (1 - BY_LINE) / len(by_lane))
            for dq in {n.place.line for n in here if n.place.line is not None}:
                share = BY_LINE / (LANE_LINES * len(by_lane))
                yield Location(Place(lane=lane, dq=dq), frozenset(sites), share)
    yield from _one_bit(board, evidence, _of_one_rate(suspects, evidence))
    yield from _unknown_bit(board, evidence)
    for place in sorted(evidence.strides, key=lambda p: str(tuple(p))):
        ref = place.site or ""
        owner = board.site(ref)
        named = ref if owner is None or owner.named else None
        yield Location(replace(place, site=named), frozenset({ref}), STRIDES)


def _one_bit(board: Board, evidence: Evidence, suspects: Sequence[Node]) -> Iterator[Location]:
    """One bit of the word in all lanes of a channel, or of all channels, where two of them look odd
    there: what is serial in the controller hands the lanes the same bit."""
    sick = frozenset(ref for n in suspects if _may_be_a_lane(n) for ref in n.sites)
    equal, unnamed = {_lane(place) for place in evidence.equal}, _unnamed(evidence)
    for dq, named in _by_bit(suspects).items():
        (channel, *others) = {place.channel for place in named}
        of_all = frozenset(site.ref for site in board.sites)
        on = of_all if channel is None or others else _on(channel, board)
        at = None if others else channel
        # A list of errors that ends early names the bits of some lanes; those that err as often as
        # these are of them.
        as_often = not equal.isdisjoint(map(_lane, named))
        odd = [*named, *(unnamed if as_often else ())]
        # One lane of all sites is a place of its own.
        if len({place.lane for place in odd}) < 2 or not _spares_few(
            odd, board, evidence, channel=at
        ):
            continue
        for refs, place in ((on, Place(channel=at, dq=dq)), (of_all, Place(dq=dq))):
            # Of one package alone it is that package's own.
            if len(refs & sick) > 1 and (refs is on or on < of_all):
                yield Location(place, refs, ONE_BIT / LANE_LINES)


def _by_bit(suspects: Sequence[Node]) -> dict[int, list[Place]]:
    """The lanes in which a line looks odd, by its number: of lanes with a few such lines."""
    lanes: dict[tuple[tuple[str, ...], Place], set[int]] = {}
    for node in suspects:
        if node.place.line is not None:
            lane = node.sites, replace(node.place, site=None, dq=None)
            lanes.setdefault(lane, set()).add(node.place.line)
    where: dict[int, list[Place]] = {}
    for (_, place), lines in lanes.items():
        for dq in lines if len(lines) <= FEW_LINES else ():
            where.setdefault(dq, []).append(place)
    return where


def _of_one_rate(nodes: Sequence[Node], evidence: Evidence) -> list[Node]:
    """Those of them that may show one wrong bit: as far as their lanes were counted, they err
    equally often."""
    links = dict.fromkeys(n.place.link for n in nodes)
    counts = {link: evidence.counted[link] for link in links if link in evidence.counted}
    apart = counts.keys() - set(most_alike(counts))
    return [n for n in nodes if n.place.link not in apart]


def _unknown_bit(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The lanes of a channel, or of all, that erred equally often, where nothing tells which of
    their bits it was."""
    odd = _unnamed(evidence)
    channels = sorted({link.channel for link in odd}, key=str)
    scopes: list[Channel | None] = [*channels, *([None] if len(board.channels) > 1 else [])]
    for at in scopes:
        lanes = {(link.channel, link.lane) for link in odd if at in (None, link.channel)}
        refs = frozenset(site.ref for site in board.sites) if at is None else _on(at, board)
        if len(refs) > 1 < len(lanes) and _spares_few(odd, board, evidence, channel=at):
            yield Location(Place(channel=at), refs, ONE_BIT)


def _unnamed(evidence: Evidence) -> frozenset[Place]:
    """The lanes that err equally often and none of whose lines is named."""
    named = {n.place.link for n in evidence.nodes if n.kind == "line"}
    return frozenset(evidence.equal) - named


def _spares_few(
    odd: Iterable[Place],
    board: Board,
    evidence: Evidence,
    *,
    lane: int | None = None,
    channel: Channel | None = None,
) -> bool:
    """Whether two in three of the lanes there look odd, of those that were counted where any was:
    what hands all of them the same wrong bit spares few, while cells that are bad here and there
    share a position by chance."""
    every: set[_Lane] = {
        (link.channel, link.rank, link.lane)
        for site in board.sites
        for link in site.links
        if link.lane is not None and lane in (None, link.lane) and channel in (None, link.channel)
    }
    look = _covered(every, odd)
    known = _covered(every, evidence.counted) | look if evidence.counted else every
    return 3 * len(look) >= 2 * len(known)


_Lane = tuple[Channel | None, int | None, int | None]
"""(channel, rank, lane)"""


def _lane(place: Place) -> _Lane:
    return place.channel, place.rank, place.lane


def _covered(lanes: set[_Lane], places: Iterable[Place]) -> set[_Lane]:
    """Those of these lanes that rows of these places tell of."""
    at = set(map(_lane, places))
    return {
        (channel, rank, lane)
        for channel, rank, lane in lanes
        if any((channel, r, k) in at for r in (rank, None) for k in (lane, None))
    }


def _may_be_a_lane(node: Node) -> bool:
    """Whether a place that looks odd may be so by a lane or line of it, and not because its package
    is gone: of a single line its own words tell."""
    return node.kind == "line" or max(map(node.said, _LOOKS)) > node.said("absent") - BESIDE


def _on(channel: Channel, board: Board) -> frozenset[str]:
    return frozenset(site.ref for site in board.sites_on_channel(channel))


FEW_LINES = 2
"""More lines that are odd in a lane are no matter of one bit."""

_PRIOR = Prior(
    "controller",
    0.07,
    "a block or channel of the controller",
    "Judgement: the way to the memory fails too (Sridharan and others, ASPLOS'15).",
)
_WHY = "the controller, or the way to it: it fails whatever package sits there"

SCATTER = _F.practice("scatter", 0.3, "log; how unlike the lanes of a sick block are at least")
UNLIKE = _F.practice("unlike", 0.5, "share of the loss by which they differ beyond that")
DEAD = _F.practice("dead", 0.24, "share of blocks that work on no lane")
BROKEN = _F.practice("broken", 0.12, "share of those whose lanes fail each in its own way")
PARTLY = _F.practice("partly", 0.05, "share of that of blocks of which half of the lanes are lost")
SILENT = _F.practice("silent", 0.12, "share whose packages hear no commands; of unheard ones too")
_OFF = _F.each("dead,", {"dead": 0.93, "mute": 0.05}, "how the lanes of a dead block look")
_LOST = _F.each("broken,", {"dead": 0.70, "mute": 0.20}, "how the lanes of a broken block look")
_THIN = 1 - DEAD - BROKEN - 2 * SILENT
COMMON = _F.practice(
    "in common", 0.4, "share of thin blocks whose clock, reference or supply is ill: lanes alike"
)
THIN = effects.degrees(
    _F.practice("log margin", -0.75, "the middle of what the others lose"), 3, (1 - COMMON) * _THIN
)
TAKEN = _F.practice("taken in common", 0.4, "share of an eye that the middle one of those takes")
TAKEN_PLAY = _F.practice("taken, play", 0.6, "log; how unlike those are")

_STRIDE = {
    name: (
        _F.practice(f"stride, {name}", share, "share of the controller's wrong lines"),
        _F.each(f"stride, {name},", looks, "how the lanes and lines look that it takes"),
    )
    for name, share, looks in (
        # One line is wrong at one stride for all, so all lanes look alike: as a few bad cells, as a
        # line that is wrong at every so-manieth burst, as a thin eye, or one that has just enough.
        ("far apart", 0.50, {"array": 0.96}),
        ("close", 0.20, {"stuck": 0.92}),
        ("often", 0.12, {"22": 0.50, "33": 0.26, "45": 0.20}),
        ("seldom", 0.18, {"58": 0.92}),
    )
}

_LOOKS = frozenset(state for _, looks in _STRIDE.values() for state in looks)
BESIDE = _F.practice(
    "beside gone", 2.0, "log likelihood by which a lane may be less like it than a gone package"
)


def _in_common() -> Iterator[Variant]:
    """What takes the same of all lanes of a block: its clock, its reference, what feeds it."""
    for loss, share in effects.ladder(TAKEN, TAKEN_PLAY, 7).items():
        yield Variant(f"takes {loss:.0%}", COMMON * _THIN * share, whole(effects.taken(loss)))


MECHANISMS = (
    # The PHY block or a channel of the controller: fails whatever sits on it.
    Mechanism(
        "controller",
        Cause.CONTROLLER,
        _PRIOR,
        _blocks,
        spill=0.5,
        variants=(
            *effects.severities(THIN, SCATTER, unlike=UNLIKE),
            *_in_common(),
            Variant("dead", DEAD, whole(mixed([(1.0, _OFF), (1 - sum(_OFF.values()), SICK)]))),
            Variant(
                "broken", BROKEN, whole(mixed([(1.0, _LOST), (1 - sum(_LOST.values()), SICK)]))
            ),
            Variant("silent", SILENT, whole(DEAF)),
            Variant("unheard", SILENT, whole(UNHEARD)),
        ),
        why=_WHY,
        share=BLOCKS * (1 - PARTLY),
        history=history.of_controller,
        beyond_site=True,
        of_many=True,
    ),
    # Some of the lanes of a block, each lost or as good as ever.
    Mechanism(
        "controller_part",
        Cause.CONTROLLER,
        _PRIOR,
        _blocks_of_several,
        spill=0.5,
        variants=(Variant("half", 1.0, whole(mixed([(0.5, _LOST), (0.5, {"sound": 1.0})]))),),
        why=_WHY,
        share=BLOCKS * PARTLY,
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
        variants=tuple(
            Variant(
                f"stride, {name}",
                share,
                {
                    ("place", SELF): looks,
                    ("line", SELF): looks,
                    ("shape", SELF): {"striped": FOLLOWS},
                    ("rates", SELF): {"equal": FOLLOWS},
                },
            )
            for name, (share, looks) in _STRIDE.items()
        ),
        why=_WHY,
        share=1 - BLOCKS,
        history=history.of_controller,
        beyond_site=True,
        of_many=True,
    ),
)
