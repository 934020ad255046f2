"""The board profile: sites, links, rails, and who neighbours whom and why.

The atom is the link: (channel, rank, lane) <-> site. GDDR boards, where a site owns whole
channels, and DDR boards, where a channel is spread over sites, are the same thing here.
A profile is TOML; a run without one gets a board inferred from the rows it holds, with the
neighbour relations unknown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from memdiag.model.records import Channel, Run, Scope

Relation = Literal["clamshell", "partition", "rail", "place", "boot"]
"""Why one site can disturb another, strongest first; `boot` holds between any two sites."""

NEAR_PITCHES = 1.6
"""Two sites are neighbours in place when their centres are closer than this many of their own
nearest-neighbour pitches: the next in a row or column and the diagonal one (1.41), not the one
after (2.0)."""


@dataclass(frozen=True, slots=True)
class Link:
    """A lane of a rank of a channel, and the data lines of it this site owns (None: all).

    `lane` is None only on an inferred board: the channel belongs to the site, its lanes were
    never named. A profile always names them.
    """

    channel: Channel
    rank: int
    lane: int | None
    dqs: tuple[int, ...] | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A place for a package. Geometry in mm, board origin lower left seen from the top."""

    ref: str
    links: tuple[Link, ...] = ()
    x: float | None = None
    y: float | None = None
    side: str = "top"
    rotation: float = 0.0
    size: tuple[float, float] | None = None
    rails: tuple[str, ...] = ()
    partition: str | None = None
    clamshell: str | None = None
    named: bool = True
    """False where the dump named no site and this one stands for 'whatever sits on these lanes'."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        return tuple(dict.fromkeys(link.channel for link in self.links))


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply with its healthy resistance to ground and the injection limits, where known."""

    name: str
    volts: float | None = None
    feeds: str = "packages"
    healthy_ohms_min: float | None = None
    healthy_ohms_typical: float | None = None
    inject_volts_max: float | None = None
    inject_amps_max: float | None = None


@dataclass(frozen=True, slots=True)
class AddressField:
    """One field of an address: bit i is the XOR of the address bits in `bits[i]`, i from 0."""

    name: str
    bits: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Board:
    """Sites in the order of the profile (or of first mention). `known` is False when inferred.

    `controller` is (x, y, (w, h)) in mm, on the top side; `outline` the board's own (w, h) with
    its lower left corner at the origin; `thin_ui` an eye this narrow is thin whatever its peers
    are; `origin` the file it was read from, or "inferred".
    """

    name: str | None
    memory: str | None = None
    title: str | None = None
    sites: tuple[Site, ...] = ()
    rails: tuple[Rail, ...] = ()
    controller: tuple[float, float, tuple[float, float]] | None = None
    address: tuple[AddressField, ...] = ()
    known: bool = True
    origin: str = ""
    thin_ui: float | None = None
    outline: tuple[float, float] | None = None
    extra: Mapping[str, object] = field(default_factory=dict)

    @cached_property
    def _by_ref(self) -> dict[str, Site]:
        return {site.ref: site for site in self.sites}

    def site(self, ref: str) -> Site | None:
        """The site of that designator, None where the profile has none."""
        return self._by_ref.get(ref)

    def rail(self, name: str) -> Rail | None:
        return next((rail for rail in self.rails if rail.name == name), None)

    @cached_property
    def channels(self) -> tuple[Channel, ...]:
        return tuple(dict.fromkeys(c for site in self.sites for c in site.channels))

    @cached_property
    def partitions(self) -> dict[str, tuple[Site, ...]]:
        found: dict[str, list[Site]] = {}
        for site in self.sites:
            if site.partition is not None:
                found.setdefault(site.partition, []).append(site)
        return {name: tuple(sites) for name, sites in found.items()}

    def sites_on_rail(self, rail: str) -> tuple[Site, ...]:
        return tuple(site for site in self.sites if rail in site.rails)

    def owners(self, scope: Scope) -> tuple[Site, ...]:
        """The sites a scope can mean: the named one, or those that own its channel, rank, lane
        and dq. Empty where the board knows none."""
        if scope.site is not None:
            site = self.site(scope.site)
            return () if site is None else (site,)
        if scope.channel is None:
            return ()
        return tuple(
            site
            for site in self.sites
            if any(
                link.channel == scope.channel
                and (scope.rank is None or link.rank == scope.rank)
                and (scope.lane is None or link.lane is None or link.lane == scope.lane)
                and (scope.dq is None or link.dqs is None or scope.dq in link.dqs)
                for link in site.links
            )
        )

    def lanes_of(self, channel: Channel, site: str | None = None) -> tuple[int, ...]:
        """The lanes of a channel in rising order, only the site's where one is named. Empty where
        an inferred board never heard of any."""
        return tuple(
            sorted(
                {
                    link.lane
                    for s in self.sites
                    if site is None or s.ref == site
                    for link in s.links
                    if link.channel == channel and link.lane is not None
                }
            )
        )

    @cached_property
    def _pitch(self) -> dict[str, float]:
        placed = [s for s in self.sites if s.x is not None and s.y is not None]
        return {
            s.ref: min(
                (d for o in placed if o.ref != s.ref and (d := _distance(s, o)) > 0.5),
                default=math.inf,
            )
            for s in placed
        }

    def relations(self, a: str, b: str) -> frozenset[Relation]:
        """Why a fault at site `a` can disturb site `b`. Empty for a site and itself."""
        one, two = self.site(a), self.site(b)
        if one is None or two is None or a == b:
            return frozenset()
        found: set[Relation] = {"boot"}
        if b == one.clamshell or a == two.clamshell:
            found.add("clamshell")
        if one.partition is not None and one.partition == two.partition:
            found.add("partition")
        if set(one.channels) & set(two.channels):
            found.add("partition")  # one channel is driven by one PHY block
        if self._common_rails(one, two):
            found.add("rail")
        if one.ref in self._pitch and two.ref in self._pitch:
            reach = NEAR_PITCHES * min(self._pitch[a], self._pitch[b])
            if _distance(one, two) <= reach:
                found.add("place")
        return frozenset(found)

    def _common_rails(self, one: Site, two: Site) -> set[str]:
        """Rails both hang on which not every site does: a rail of all is no neighbourhood."""
        shared = set(one.rails) & set(two.rails)
        return {r for r in shared if len(self.sites_on_rail(r)) < len(self.sites)}


def _distance(a: Site, b: Site) -> float:
    assert a.x is not None and a.y is not None and b.x is not None and b.y is not None
    return math.hypot(a.x - b.x, a.y - b.y)


def inferred(run: Run) -> Board:
    """The board as far as the run's own rows tell: its sites, or where they name none, one
    nameless site for each channel (GDDR) or each lane (all others: a package is at most a few
    lanes of a channel). A row that names no lane or no rank says nothing new about a site of
    which a fuller row is at hand; a channel whose lanes nobody named is one link, lane None."""
    whole_channel = (run.head.memory or "").startswith("gddr")
    scopes = tuple(dict.fromkeys(_scopes(run)))
    split = {s.channel for s in scopes if s.site is None and s.lane is not None}
    found: dict[str, list[Scope]] = {}
    for scope in scopes:
        if scope.site is not None:
            found.setdefault(scope.site, []).append(scope)
    named = frozenset(found)
    claims = [own for rows in found.values() for own in rows]
    for scope in scopes:
        if scope.site is not None or scope.channel is None:
            continue
        if any(
            own.channel == scope.channel
            and (own.lane is None or scope.lane is None or own.lane == scope.lane)
            for own in claims
        ):
            continue  # a named site may own it
        if scope.lane is not None and not whole_channel:
            ref = f"ch {scope.channel} lane {scope.lane}"
        elif whole_channel or scope.channel not in split:
            ref = f"ch {scope.channel}"
        else:
            continue  # the channel as a whole; its lanes have sites of their own
        found.setdefault(ref, []).append(scope)
    sites = tuple(Site(ref, _links(own), named=ref in named) for ref, own in found.items())
    return Board(run.head.board, run.head.memory, sites=sites, known=False, origin="inferred")


def _links(scopes: Iterable[Scope]) -> tuple[Link, ...]:
    """The links that rows of one site name, the vaguer ones dropped where a fuller one stands."""
    full: set[tuple[Channel, int | None, int | None]] = {
        (s.channel, s.rank, s.lane) for s in scopes if s.channel is not None
    }
    kept = {
        (channel, rank or 0, lane)
        for channel, rank, lane in full
        if not any(
            c == channel
            and ((lane is None and n is not None) or (rank is None and r is not None and n == lane))
            for c, r, n in full
        )
    }
    order = sorted(kept, key=lambda k: (isinstance(k[0], str), k[0], k[1], k[2] or 0))
    return tuple(Link(channel, rank, lane) for channel, rank, lane in order)


def _scopes(run: Run) -> Iterable[Scope]:
    for row in (*run.training, *run.counts, *run.values):
        yield row.scope
    if run.errors is not None:
        for key in run.errors.keys:
            yield Scope(key.site, key.channel, key.rank, key.lane, key.dq)
    head = run.head
    for refs in (head.removed, head.replaced, head.reflowed, *(head.swapped or ())):
        for ref in refs or ():
            yield Scope(site=ref)
