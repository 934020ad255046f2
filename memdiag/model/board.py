"""The board profile: sites, links, rails, and who neighbours whom and why.

The atom is the link: (channel, rank, lane) <-> site. GDDR boards, where a site owns whole
channels, and DDR boards, where a channel is spread over sites, are the same thing here.
A profile is TOML; a run without one gets a board inferred from the rows it holds, with the
neighbour relations unknown.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Mapping
from functools import cached_property
from typing import Literal, TypeVar

from msgspec import Struct, field

from memdiag.model.baseline import Baseline
from memdiag.model.place import Channel, Place

Coupling = Literal["clamshell", "partition", "rail", "place", "boot"]
"""Why one site can disturb another, strongest first; `boot` holds between any two sites."""

NEAR_PITCHES = 1.6
"""Two sites are neighbours in place when their centres are closer than this many of their own
nearest-neighbour pitches: the next in a row or column and the diagonal one (1.41), not the one
after (2.0)."""


class Link(Struct, frozen=True):
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


class Site(Struct, frozen=True):
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


class Rail(Struct, frozen=True):
    """A supply with its healthy resistance to ground and the injection limits, where known."""

    name: str
    volts: float | None = None
    feeds: str = "packages"
    healthy_ohms_min: float | None = None
    healthy_ohms_typical: float | None = None
    inject_volts_max: float | None = None
    inject_amps_max: float | None = None


class Keepout(Struct, frozen=True):
    """A part that must not be warmed. Geometry in mm as a site's; `why` in words."""

    name: str
    x: float
    y: float
    size: tuple[float, float]
    side: str = "top"
    why: str | None = None


class AddressField(Struct, frozen=True):
    """One field of an address: bit i is the XOR of the address bits in `bits[i]`, i from 0."""

    name: str
    bits: tuple[tuple[int, ...], ...]


class Board(Struct, frozen=True, dict=True):
    """Sites in the order of the profile (or of first mention). `known` is False when inferred.

    `controller` is (x, y, (w, h)) in mm, on the top side; `outline` the board's own (w, h) with
    its lower left corner at the origin; `thin_ui` an eye this narrow is thin whatever its peers
    are; `baseline` what good boards of the kind show, where that was learnt; `keepouts` the parts
    that must not be warmed; `origin` the file it was read from, or "inferred".
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
    keepouts: tuple[Keepout, ...] = ()
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
        return self._on_rail.get(rail, ())

    @cached_property
    def _on_rail(self) -> dict[str, tuple[Site, ...]]:
        return _by_name((rail, site) for site in self.sites for rail in dict.fromkeys(site.rails))

    @cached_property
    def _on_channel(self) -> dict[Channel, tuple[Site, ...]]:
        return _by_name((channel, site) for site in self.sites for channel in site.channels)

    def sites_on_channel(self, channel: Channel) -> tuple[Site, ...]:
        return self._on_channel.get(channel, ())

    def links(self, place: Place) -> Iterator[tuple[Site, Link]]:
        """The links that a place speaks of, each with its site."""
        sites = self.sites if place.channel is None else self.sites_on_channel(place.channel)
        if place.site is not None:
            one = self.site(place.site)
            sites = () if one is None else (one,)
        for site in sites:
            for link in site.links:
                if link.at(place):
                    yield site, link

    def lanes_of(self, channel: Channel, site: str | None = None) -> tuple[int, ...]:
        """The lanes of a channel in rising order, only the site's where one is named. Empty where
        an inferred board never heard of any."""
        links = self.links(Place(site, channel))
        return tuple(sorted({link.lane for _, link in links if link.lane is not None}))

    @cached_property
    def _near(self) -> dict[str, tuple[str, ...]]:
        """The sites next to each site that has a place on the board."""
        import numpy as np

        placed = [s for s in self.sites if s.x is not None and s.y is not None]
        at = np.array([(s.x, s.y) for s in placed], float).reshape(-1, 2)
        apart = np.hypot(at[:, None, 0] - at[:, 0], at[:, None, 1] - at[:, 1])
        # Packages on both sides of one spot are no measure of how far the next one is.
        pitch = np.where(apart > 0.5, apart, math.inf).min(axis=1, initial=math.inf)
        near = apart <= NEAR_PITCHES * np.minimum(pitch[:, None], pitch)
        return {
            s.ref: tuple(placed[i].ref for i in np.flatnonzero(row) if placed[i] is not s)
            for s, row in zip(placed, near, strict=True)
        }

    @cached_property
    def _on_other_side(self) -> dict[str, tuple[str, ...]]:
        pairs = [(s.ref, s.clamshell) for s in self.sites if s.clamshell in self._by_ref]
        both = [*pairs, *((b, a) for a, b in pairs)]
        return _by_name((a, b) for a, b in both if a is not None and b is not None)

    def neighbours(self, ref: str) -> dict[str, frozenset[Coupling]]:
        """The sites that a fault at that site can disturb by more than the boot, and why."""
        one = self.site(ref)
        if one is None:
            return {}
        found: dict[str, set[Coupling]] = {}

        def join(others: Iterable[str], why: Coupling) -> None:
            for other in others:
                found.setdefault(other, {"boot"}).add(why)

        join(self._on_other_side.get(ref, ()), "clamshell")
        if one.partition is not None:
            join((s.ref for s in self.partitions[one.partition]), "partition")
        for channel in one.channels:  # one channel is driven by one PHY block
            join((s.ref for s in self.sites_on_channel(channel)), "partition")
        for rail in one.rails:
            on = self.sites_on_rail(rail)
            if len(on) < len(self.sites):  # a rail of all is no neighbourhood
                join((s.ref for s in on), "rail")
        join(self._near.get(ref, ()), "place")
        found.pop(ref, None)
        return {other: frozenset(why) for other, why in found.items()}

    def couplings(self, a: str, b: str) -> frozenset[Coupling]:
        """Why a fault at site `a` can disturb site `b`. Empty for a site and itself."""
        if a == b or self.site(a) is None or self.site(b) is None:
            return frozenset()
        return self.neighbours(a).get(b, frozenset({"boot"}))


Named = TypeVar("Named")
Name = TypeVar("Name", bound=Hashable)


def _by_name(pairs: Iterable[tuple[Name, Named]]) -> dict[Name, tuple[Named, ...]]:
    found: dict[Name, list[Named]] = {}
    for name, one in pairs:
        found.setdefault(name, []).append(one)
    return {name: tuple(those) for name, those in found.items()}
