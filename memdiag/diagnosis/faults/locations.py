"""Where faults can sit on a board, as far as several mechanisms ask it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import comb

from msgspec.structs import replace

from memdiag.diagnosis.faults.mechanism import Location
from memdiag.evidence.build import ALIKE
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model import LANE_LINES, Board, Place
from memdiag.model.figures import Table
from memdiag.model.in_short import natural

_F = Table("Where faults are looked for")
ODD = _F.practice(
    "odd", -0.7, "log ratio of the sound state to the best, under which a node is odd"
)
_UNKNOWN = _F.practice("unknown group", 0.5, "share of a prior for sites that look sick together")
_SCATTERED = _F.practice("scattered group", 0.1, "the same where they are not in a row")


def odd(evidence: Evidence, kinds: Sequence[str]) -> list[Node]:
    """The nodes of those kinds that do not look sound."""
    return [n for n in evidence.nodes if n.kind in kinds and n.sound_log_ratio < ODD]


# --- packages and channels ------------------------------------------------------------------


def whole_board(board: Board, evidence: Evidence) -> Iterator[Location]:
    if board.sites:
        yield Location(Place(), frozenset(s.ref for s in board.sites), 1.0)


def sites(board: Board, evidence: Evidence) -> Iterator[Location]:
    for site in board.sites:
        yield Location(_place_of(site.ref, board), frozenset({site.ref}), 1 / len(board.sites))


def ports(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The channels of each package."""
    every = [(s, c) for s in board.sites for c in (s.channels or (None,))]
    for site, channel in every:
        where = Place(site=site.ref, channel=channel) if site.named else _place_of(site.ref, board)
        yield Location(where, frozenset({site.ref}), 1 / len(every))


def erring_sites(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The packages that any error was counted or listed of. What is wrong behind a good link leaves
    margins and steps alone: without errors it has no trace, and could only ever be called in to
    explain why an eye is whole."""
    return (at for at in sites(board, evidence) if not at.sites.isdisjoint(evidence.erring))


def erring_ports(board: Board, evidence: Evidence) -> Iterator[Location]:
    """The channels of those packages."""
    return (at for at in ports(board, evidence) if not at.sites.isdisjoint(evidence.erring))


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


def sick(evidence: Evidence) -> frozenset[str]:
    """The sites that look worse than disturbed."""
    return frozenset(
        ref
        for n in evidence.nodes
        if n.kind == "place" and len(n.sites) == 1 and n.hurt < ODD
        for ref in n.sites
    )


def unknown_group(board: Board, evidence: Evidence) -> Iterator[Location]:
    """Without a profile nobody knows which sites share a rail or a block, but some do: the sites
    that look worse than disturbed may be such a group, or those of them that lie in a row. One
    grouping of many, so a small share: what belongs together is mostly numbered in a row, else it
    is any one of the ways to choose as many.
    """
    group, n = sick(evidence), len(board.sites)
    refs = sorted((site.ref for site in board.sites), key=natural)
    rows: list[list[str]] = [[]]
    for ref in refs:
        if ref in group:
            rows[-1].append(ref)
        elif rows[-1]:
            rows.append([])
    for some in [row for row in rows if 2 <= len(row) < n]:
        yield Location(Place(group=tuple(some)), frozenset(some), _UNKNOWN / n)
    every = [ref for ref in refs if ref in group]
    if 2 <= len(every) < n and every not in rows:
        at = [refs.index(ref) for ref in every]
        # Any two are a step apart: that is no row of them.
        even = len(every) > 2 and len({b - a for a, b in pairwise(at)}) == 1
        share = 1 / n if even else _SCATTERED / min(comb(n, len(every)), n**2)
        yield Location(Place(group=tuple(every)), group, _UNKNOWN * share)


# --- lanes and lines ------------------------------------------------------------------------


def count_lanes(board: Board, evidence: Evidence) -> int:
    """The lanes of the board, at the least those that the dump speaks of."""
    links = sum(max(1, len(s.links)) for s in board.sites)
    seen = {
        (n.sites, n.place.channel, n.place.lane)
        for n in evidence.nodes
        if n.kind == "place" and n.place.lane is not None
    }
    return max(1, links, len(seen))


def at_site(place: Place, ref: str, board: Board, dq: tuple[int, int] | None = None) -> Place:
    """A node's place at one of its sites, where the dump names that; of a pair of its lines."""
    site = board.site(ref)
    named = site is None or site.named
    return replace(place, site=ref if named else None, dq=dq or place.dq)


def suspects(board: Board, evidence: Evidence) -> Iterator[tuple[Place, str]]:
    """(place, site) of the lanes that look odd or lie behind an odd channel, site or board row."""
    told: set[tuple[str, Place]] = set()
    for node in odd(evidence, ("place", "line")):
        for ref in node.sites:
            for at in _lanes_behind(node.place, ref, board):
                if (ref, at) not in told:
                    told.add((ref, at))
                    yield at, ref


def _lanes_behind(seen: Place, ref: str, board: Board) -> list[Place]:
    site = board.site(ref)
    if site is None:
        return []
    any_rank = seen.rank is not None or not board.known
    named = ref if site.named else None
    # Words of many lanes name lanes that the board does not.
    return [
        Place(
            named,
            k.channel,
            seen.rank if any_rank else k.rank,
            seen.lane if k.lane is None else k.lane,
        )
        for _, k in board.links(replace(seen, site=ref, dq=None))
    ] or [replace(seen.link, site=named)]


def odd_lines(evidence: Evidence) -> list[Node]:
    """The data lines that look odd, of lanes whose lines are known apart."""
    apart = _known_apart(evidence)
    return [n for n in odd(evidence, ("line",)) if (n.sites, n.place.link) in apart]


def undetailed(board: Board, evidence: Evidence) -> Iterator[tuple[Place, str]]:
    """The suspects whose data lines are not known apart."""
    detailed = {
        (ref, place.channel, place.lane) for sites, place in _known_apart(evidence) for ref in sites
    }
    for place, site in suspects(board, evidence):
        if (site, place.channel, place.lane) not in detailed:
            yield place, site


def _known_apart(evidence: Evidence) -> set[tuple[tuple[str, ...], Place]]:
    """The lanes some of whose lines were seen, but for those whose lines all look alike: a lane
    read as it came, without a setting, is rubbish on every line, whichever of them is open."""
    lanes: dict[tuple[tuple[str, ...], Place], list[float]] = {}
    for n in evidence.nodes:
        if n.kind == "line":
            lanes.setdefault((n.sites, n.place.link), []).append(n.sound_log_ratio)
    return {
        lane
        for lane, ratios in lanes.items()
        if len(ratios) < LANE_LINES / 2 or max(ratios) - min(ratios) > ALIKE
    }
