"""The board profile: sites, links, rails, and who neighbours whom and why.

The atom is the link: (channel, rank, lane) <-> site. GDDR boards, where a site owns whole
channels, and DDR boards, where a channel is spread over sites, are the same thing here.
A profile is TOML; a run without one gets a board inferred from the rows it holds, with the
neighbour relations unknown.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from memdiag.model.baseline import Baseline
from memdiag.model.place import Channel, Place

Coupling = Literal["clamshell", "partition", "rail", "place", "boot"]
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

    def at(self, place: Place) -> bool:
        """Whether the place, whatever its site, can speak of this link."""
        return (
            (place.channel is None or place.channel == self.channel)
            and (place.rank is None or place.rank == self.rank)
            and (place.lane is None or self.lane is None or place.lane == self.lane)
            and (place.dq is None or self.dqs is None or not set(place.lines).isdisjoint(self.dqs))
        )


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
    are; `baseline` what good boards of the kind show, where that was learnt; `origin` the file it
    was read from, or "inferred".
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
    baseline: Baseline | None = None
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

    def links(self, place: Place) -> Iterator[tuple[Site, Link]]:
        """The links that a place speaks of, each with its site."""
        for site in self.sites:
            if place.site is None or place.site == site.ref:
                for link in site.links:
                    if link.at(place):
                        yield site, link

    def lanes_of(self, channel: Channel, site: str | None = None) -> tuple[int, ...]:
        """The lanes of a channel in rising order, only the site's where one is named. Empty where
        an inferred board never heard of any."""
        links = self.links(Place(site, channel))
        return tuple(sorted({link.lane for _, link in links if link.lane is not None}))

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

    def couplings(self, a: str, b: str) -> frozenset[Coupling]:
        """Why a fault at site `a` can disturb site `b`. Empty for a site and itself."""
        one, two = self.site(a), self.site(b)
        if one is None or two is None or a == b:
            return frozenset()
        found: set[Coupling] = {"boot"}
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
