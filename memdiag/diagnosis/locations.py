"""Where each kind of fault could sit on this board: one generator a kind of seat."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from memdiag.diagnosis.fault_catalogue import Kind
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.verdict import Cause

ODD = -0.7
"""A place whose sound state is this much (log) less likely than its best is worth a candidate."""

PAIR_ODD = 1.5
"""A pair of lines is a candidate bridge from this log likelihood ratio of being joined up."""

Seat = tuple[Place, frozenset[str], float, float]


def _site_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    for site in board.sites:
        yield _place_of(site.ref, board), frozenset({site.ref}), 1 / len(board.sites), 0.0


def _place_of(ref: str, board: Board) -> Place:
    """A site, or where the dump named none, the channel and lane that stand for it."""
    site = board.site(ref)
    if site is None or site.named:
        return Place(site=ref)
    link = site.links[0] if site.links else None
    if link is None:
        return Place()
    lanes = {k.lane for k in site.links}
    return Place(channel=link.channel, lane=lanes.pop() if len(lanes) == 1 else None)


def _shorted_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Packages, where rails were read or fed. One no training row speaks of is not called gone."""
    if not any(n.kind in ("rail", "heat") for n in evidence.nodes):
        return
    heard = {ref for n in evidence.nodes if n.kind == "place" for ref in n.sites}
    for place, sites, share, bonus in _site_seats(kind, board, evidence):
        if sites <= heard:
            yield place, sites, share, bonus
        elif kind.cause is Cause.WEAK:
            yield place, sites, 4 * share, bonus  # the whole of the prior they share


def _port_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    ports = [(s, c) for s in board.sites for c in (s.channels or (None,))]
    for site, channel in ports:
        where = _place_of(site.ref, board)
        if site.named:
            where = Place(site=site.ref, channel=channel)
        yield where, frozenset({site.ref}), 1 / len(ports), 0.0


def _count_lanes(board: Board) -> int:
    return max(1, sum(max(1, len(s.links)) for s in board.sites))


def _lane_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Every lane that looks odd or lies behind something odd; where the board knows no lanes,
    'a lane of it'."""
    lanes = _count_lanes(board)
    for place, site in _suspects(board, evidence):
        yield place, frozenset({site}), (1 if place.lane is not None else 2) / lanes, 0.0


def _suspects(board: Board, evidence: Evidence) -> Iterator[tuple[Place, str]]:
    """(place, site) of the lanes that look odd or lie behind an odd channel, site or board row."""
    told: set[tuple[str, Place]] = set()
    for node in odd(evidence, ("place", "line")):
        for ref in node.sites:
            site = board.site(ref)
            if site is None:
                continue
            seen = node.place
            any_rank = seen.rank is not None or not board.known
            named = ref if site.named else None
            mine = [
                Place(named, k.channel, seen.rank if any_rank else k.rank, k.lane)
                for _, k in board.links(replace(seen, site=ref, dq=None))
            ] or [replace(seen.link, site=named)]
            for at in dict.fromkeys(mine):
                if (ref, at) not in told:
                    told.add((ref, at))
                    yield at, ref


def _at(ref: str, board: Board, node: Node, dq: int | tuple[int, int] | None = None) -> Place:
    site = board.site(ref)
    named = site is None or site.named
    return replace(node.place, site=ref if named else None, dq=dq)


def _line_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Data lines that look odd; of an odd lane whose lines are not known apart, 'a line of it'."""
    lines = 8 * _count_lanes(board)
    detailed = set()
    for node in evidence.nodes:
        if node.kind != "line":
            continue
        detailed |= {(ref, node.place.channel, node.place.lane) for ref in node.sites}
        if node.sound_log_ratio < ODD:
            for ref in node.sites:
                yield _at(ref, board, node, node.place.dq), frozenset({ref}), 1 / lines, 0.0
    for place, site in _suspects(board, evidence):
        if (site, place.channel, place.lane) not in detailed:
            yield place, frozenset({site}), 8 / lines, 0.0


def _pair_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    pairs = 14 * _count_lanes(board)  # neighbouring balls: each line has three or four
    by_lane: dict[tuple[object, ...], list[Node]] = {}
    for node in odd(evidence, ("line",)):
        by_lane.setdefault((node.sites, node.place.link), []).append(node)
    for lines in by_lane.values():
        for a, b in combinations(lines, 2):
            one, two = a.place.line, b.place.line
            assert one is not None and two is not None
            bonus = (a.partner.get(two, 0.0) + b.partner.get(one, 0.0)) / 2
            if bonus < -PAIR_ODD:
                continue
            for ref in a.sites:
                yield _at(ref, board, a, (one, two)), frozenset({ref}), 1 / pairs, bonus
    detailed = {
        (ref, n.place.channel, n.place.lane)
        for n in evidence.nodes
        if n.kind == "line"
        for ref in n.sites
    }
    for place, site in _suspects(board, evidence):
        if (site, place.channel, place.lane) not in detailed:
            yield place, frozenset({site}), 14 / pairs, 0.0


def _rail_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """The rails that feed packages, and any other rail that was read or fed."""
    feeding = {r.name: board.sites_on_rail(r.name) for r in board.rails if r.feeds == "packages"}
    feeding = {
        n: sites for n, sites in feeding.items() if len(sites) > 1 or (sites and board.known)
    }
    for name, sites in feeding.items():
        yield Place(rail=name), frozenset(s.ref for s in sites), 1 / len(feeding), 0.0
    read = dict.fromkeys(n.place.rail for n in evidence.nodes if n.place.rail is not None)
    for name in read:
        if name not in feeding:
            yield Place(rail=name), frozenset(), 0.4, 0.0
    if not feeding and len(board.sites) > 1:
        yield Place(), frozenset(s.ref for s in board.sites), 0.5, 0.0
        yield from _unknown_group(board, evidence)


def _unknown_group(board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Without a profile nobody knows which sites share a rail or a block, but some do: the sites
    that look worse than disturbed may be such a group. One grouping of many, so a small share."""
    sick = _sick(evidence)
    if 2 <= len(sick) < len(board.sites):
        yield Place(), sick, 0.5 / len(board.sites), 0.0


def _sick(evidence: Evidence) -> frozenset[str]:
    """The sites that look worse than disturbed."""
    return frozenset(
        ref
        for n in evidence.nodes
        if n.kind == "place" and len(n.sites) == 1 and max(n.vector()[:3]) < ODD
        for ref in n.sites
    )


def _rail_far_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Of each rail that feeds packages, those that look sick, where others of it do not."""
    feeding = [r.name for r in board.rails if r.feeds == "packages"]
    sick = _sick(evidence)
    for name in feeding:
        refs = frozenset(s.ref for s in board.sites_on_rail(name))
        if sick & refs and refs - sick:
            # one of about as many ways to part a rail as it has packages
            yield Place(rail=name), sick & refs, 1 / len(feeding) / len(refs), 0.0


def _phy_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    partitions = board.partitions
    channels = board.channels
    # Where a channel serves one package alone, its failing is a joint more often than the
    # controller; a channel of several packages is a block of its own.
    alone = all(sum(c in s.channels for s in board.sites) == 1 for c in channels)
    by_channel = 0.15 if alone else 0.5 if partitions else 1.0
    for name, sites in partitions.items():
        if len(partitions) > 1 or len(sites) < len(board.sites) or len(board.sites) == 1:
            refs = frozenset(s.ref for s in sites)
            share = (1 - by_channel) / len(partitions)
            if len(refs) == 1 and len(board.sites) > 1:
                share *= 0.3  # a block of one package fails more often by the package's joints
            yield Place(partition=name), refs, 0.8 * share, 0.0
            lanes = sorted({k.lane for s in sites for k in s.links if k.lane is not None})
            for lane in lanes if len(lanes) > 1 else ():
                mine = frozenset(s.ref for s in sites if any(k.lane == lane for k in s.links))
                yield Place(partition=name, lane=lane), mine, 0.2 * share / len(lanes), 0.0
    if not board.known:
        yield from _unknown_group(board, evidence)
    for channel in channels:
        refs = frozenset(s.ref for s in board.sites if channel in s.channels)
        sites_here = [board.site(r) for r in refs]
        only = sites_here[0] if len(sites_here) == 1 else None
        site = only.ref if only is not None and only.named else None
        yield Place(site=site, channel=channel), refs, by_channel / len(channels), 0.0


def _stripe_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """One lane or line position over every site that has it, where at least two of them look
    odd there; and a line whose errors keep a stride."""
    by_lane: dict[int, set[str]] = {}
    for site in board.sites:
        for link in site.links:
            if link.lane is not None:
                by_lane.setdefault(link.lane, set()).add(site.ref)
    suspects = odd(evidence, ("place", "line"))
    for lane, sites in by_lane.items():
        here = [n for n in suspects if n.place.lane == lane]
        if len({ref for n in here for ref in n.sites}) >= 2 and len(sites) >= 2:
            yield Place(lane=lane), frozenset(sites), 0.5 / len(by_lane), 0.0
            for dq in {n.place.line for n in here if n.place.line is not None}:
                yield Place(lane=lane, dq=dq), frozenset(sites), 0.5 / (8 * len(by_lane)), 0.0
    for place in sorted(evidence.strides, key=lambda p: str(tuple(p))):
        ref = place.site or ""
        owner = board.site(ref)
        named = ref if owner is None or owner.named else None
        yield replace(place, site=named), frozenset({ref}), 0.8, 0.0


def _board_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    if board.sites:
        yield Place(), frozenset(s.ref for s in board.sites), 1.0, 0.0


SEATS = {
    "site": _site_seats,
    "shorted": _shorted_seats,
    "port": _port_seats,
    "lane": _lane_seats,
    "line": _line_seats,
    "pair": _pair_seats,
    "rail": _rail_seats,
    "rail_far": _rail_far_seats,
    "phy": _phy_seats,
    "stripe": _stripe_seats,
    "board": _board_seats,
}


def odd(evidence: Evidence, kinds: Sequence[str]) -> list[Node]:
    return [n for n in evidence.nodes if n.kind in kinds and n.sound_log_ratio < ODD]
