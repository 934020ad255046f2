"""What the numbering of a board usually means: common practice, no source where none is named.

All of it is a proposal, and each is told as one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from msgspec.structs import replace

from memdiag.model import Channel, Link, Site
from memdiag.model.problems import Problem, problem

LANES = {"gddr6": 2, "gddr5": 4, "lpddr4": 2, "lpddr5": 2}
"""Byte lanes of a channel that one package owns: x16 (JESD250), x32 (JESD212), x16 (JESD209-4 and
JESD209-5)."""
_BACK_TO_BACK = 1.0
"""Centres of two packages on two sides of one spot are as near as this, in mm."""


def completed(
    sites: Sequence[Site], memory: str | None, lanes: Sequence[int]
) -> tuple[list[Site], list[Problem]]:
    """The sites with the lanes of those channels that a dump names without them, as a silent
    package's are: those answered, those of the other channels, those of the memory. Sites of which
    they cannot be told stay as they are."""
    alone = of_one(sites)
    whole = [tuple(_lanes(site, c)) for site in sites for c in site.channels if c in alone]
    usual = tuple(lanes) or _most_common([own for own in whole if own])
    if not usual and memory in LANES:
        usual = tuple(range(LANES[memory]))
    guessed: dict[str, None] = {}
    made = []
    for site in sites:
        links: list[Link] = []
        for channel in site.channels:
            own = [link for link in site.links if link.channel == channel]
            if channel in alone and usual and set(_lanes(site, channel)) < set(usual):
                rank = own[0].rank
                ranks = dict.fromkeys((rank, *(link.rank for link in own)))
                own = [Link(channel, r, lane) for r in ranks for lane in usual]
                guessed[site.ref] = None
            links += own
        made.append(replace(site, links=tuple(links)))
    if not guessed or lanes:
        return made, []
    said = ", ".join(map(str, usual))
    return made, [problem("new-lanes", sites=", ".join(guessed), lanes=said)]


def of_one(sites: Sequence[Site]) -> set[Channel]:
    """The channels that belong to one site each."""
    return {c for c, n in Counter(c for site in sites for c in site.channels).items() if n == 1}


def _lanes(site: Site, channel: Channel) -> list[int]:
    own = {link.lane for link in site.links if link.channel == channel}
    return sorted(lane for lane in own if lane is not None)


def _most_common(each: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    return Counter(each).most_common(1)[0][0] if each else ()


def back_to_back(sites: Sequence[Site], pairs: Mapping[str, str]) -> list[Site]:
    """The sites with their clamshell partners: those answered, and those at one spot of the board
    on both sides that share a channel."""
    partners = {**pairs, **{b: a for a, b in pairs.items()}}
    for a, b in _stacked(sites):
        if a.ref not in partners and b.ref not in partners:
            partners |= {a.ref: b.ref, b.ref: a.ref}
    return [replace(site, clamshell=partners.get(site.ref)) for site in sites]


def _stacked(sites: Sequence[Site]) -> Iterator[tuple[Site, Site]]:
    below = [s for s in sites if s.side == "bottom" and s.x is not None and s.y is not None]
    for a in sites:
        if a.side != "top" or a.x is None or a.y is None:
            continue
        for b in below:
            assert b.x is not None and b.y is not None
            near = abs(a.x - b.x) < _BACK_TO_BACK and abs(a.y - b.y) < _BACK_TO_BACK
            if near and set(a.channels) & set(b.channels):
                yield a, b


def partitioned(
    sites: Sequence[Site], memory: str | None, blocks: int | None
) -> tuple[list[Site], list[Problem]]:
    """The sites with their partitions, P0 and so on in the order of the channels: one block of the
    controller drives the packages that share a channel, and of a graphics memory whose packages
    have channels of their own two that follow each other. `blocks`: that many groups of packages
    in place of the usual, 0 for no partitions at all."""
    groups = _groups(sites)
    if blocks == 0 or not groups:
        return list(sites), []
    together = blocks or _usual(groups, memory)
    name = {ref: f"P{k // together}" for k, group in enumerate(groups) for ref in group}
    made = [replace(site, partition=name.get(site.ref)) for site in sites]
    if blocks is not None:
        return made, []
    parts: dict[str, list[str]] = {}
    for ref, part in name.items():
        parts.setdefault(part, []).append(ref)
    said = "; ".join(f"{part} {', '.join(refs)}" for part, refs in parts.items())
    return made, [problem("new-partitions", parts=said)]


def _usual(groups: Sequence[Sequence[str]], memory: str | None) -> int:
    single = all(len(group) == 1 for group in groups)
    pairs = (memory or "").startswith("gddr") and single and len(groups) % 2 == 0
    return 2 if pairs else 1


def _groups(sites: Sequence[Site]) -> list[list[str]]:
    """Sites that share channels, in the order of their first channels."""
    groups: list[tuple[set[Channel], list[str]]] = []
    for site in sites:
        channels, refs = set(site.channels), [site.ref]
        if not channels:
            continue
        for other in [group for group in groups if group[0] & channels]:
            groups.remove(other)
            channels |= other[0]
            refs = other[1] + refs
        groups.append((channels, refs))
    return [refs for channels, refs in sorted(groups, key=lambda g: _first(g[0]))]


def _first(channels: set[Channel]) -> tuple[bool, int, str]:
    """Numbers before names, each in their order."""
    return min((isinstance(c, str), 0 if isinstance(c, str) else c, str(c)) for c in channels)
