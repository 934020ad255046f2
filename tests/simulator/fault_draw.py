"""Draws a fault: where it sits and how strong it is."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from typing import Any

from msgspec import Struct

from memdiag.model import Link
from tests.simulator.arrays import SHAPES, Addresses, Region
from tests.simulator.boards import Wiring
from tests.simulator.faults import Fault, auxiliary
from tests.simulator.physics import BURST
from tests.simulator.shapes import draw_array


class Spot(Struct, frozen=True):
    """A place drawn for a fault: a site, a link of it and a data line of that."""

    kind: str
    rng: random.Random
    wiring: Wiring
    addresses: Addresses
    site: int
    link: int
    dq: int
    spread: tuple[float, ...]
    shape: str | None = None
    """The shape that a sick array must have."""

    @property
    def at(self) -> Link:
        return self.wiring.links[self.link][1]

    @property
    def dqs(self) -> tuple[int, ...]:
        return self.at.dqs or tuple(range(8))

    @property
    def bus(self) -> tuple[int, ...]:
        """The links of the site on the same channel and rank."""
        same = (self.at.channel, self.at.rank)
        links = self.wiring.links
        return tuple(
            i
            for i in self.wiring.of_site[self.site]
            if (links[i][1].channel, links[i][1].rank) == same
        )

    def fault(self, **more: Any) -> Fault:
        """A fault of the site alone."""
        return Fault(self.kind, site=self.site, sites=(self.site,), spread=self.spread, **more)

    def on_bus(self, **more: Any) -> Fault:
        """One of the site's channel and rank."""
        return self.fault(channel=self.at.channel, rank=self.at.rank, **more)

    def sites_of(self, links: Iterable[int]) -> tuple[int, ...]:
        return tuple(sorted({self.wiring.site_of[i] for i in links}))


def draw_fault(
    rng: random.Random,
    wiring: Wiring,
    addresses: Addresses,
    kind: str,
    taken: set[int],
    shape: str | None = None,
) -> Fault:
    """A fault of that kind at a place not yet `taken` (site indices). `shape`: that of a sick
    array."""
    sites = wiring.board.sites
    site = rng.choice([i for i in range(len(sites)) if i not in taken] or [0])
    spread = tuple(rng.random() for _ in range(4 * len(wiring.links) + len(sites)))
    link = rng.choice(wiring.of_site[site])
    dq = rng.choice(wiring.links[link][1].dqs or tuple(range(8)))
    return _DRAWN[kind](Spot(kind, rng, wiring, addresses, site, link, dq, spread, shape))


def _gone(spot: Spot) -> Fault:
    return spot.fault(mode=spot.rng.choice(("die", "die", "power-ball")))


def _array(spot: Spot) -> Fault:
    shape = spot.shape or spot.rng.choices(list(SHAPES), list(SHAPES.values()))[0]
    every = tuple(spot.wiring.of_site[spot.site])
    beats = BURST.get(spot.wiring.board.memory or "", 8)
    region = Region(spot.site, spot.bus, every, spot.dqs, beats)
    array = draw_array(spot.rng, spot.addresses, region, shape)
    struck = {c.link for c in array.cells}
    if not struck <= set(spot.bus):
        return spot.fault(mode=shape, array=array)
    in_lane = len(struck) == 1
    one = {c.dq for c in array.cells}
    return spot.on_bus(
        link=struck.pop() if in_lane else None,
        dq=one.pop() if len(one) == 1 and in_lane else None,
        mode=shape,
        array=array,
    )


def _pins(spot: Spot) -> Fault:
    mode = spot.rng.choice(("both", "both", "read", "write"))
    return spot.fault(mode=mode, depth=spot.rng.uniform(0.1, 1.0))


def _open_data(spot: Spot) -> Fault:
    mode = spot.rng.choices(("hard", "ragged"), (70, 30))[0]
    return spot.on_bus(link=spot.link, dq=spot.dq, mode=mode, depth=spot.rng.uniform(0.3, 1.0))


def _open_clock(spot: Spot) -> Fault:
    modes = {"silent": 50, "garbage": 30}
    if spot.kind == "open-strobe" and len(spot.wiring.of_site[spot.site]) > 1:
        modes["ragged"] = 20  # on a package of one lane it could not be told from a soft package
    mode = spot.rng.choices(list(modes), list(modes.values()))[0]
    return spot.on_bus(link=spot.link, mode=mode, depth=spot.rng.uniform(0.15, 1.0))


def _open_command(spot: Spot) -> Fault:
    single = len(spot.wiring.board.sites[spot.site].channels) == 1
    mode = "partial" if single or spot.rng.random() < 0.5 else "dead"
    return spot.fault(channel=spot.at.channel, mode=mode)


def _open_address(spot: Spot) -> Fault:
    lines = [("row", k) for k in range(len(spot.addresses.row))]
    lines += [("col", k) for k in spot.addresses.col_bits]
    return spot.on_bus(line=spot.rng.choice(lines))


def _bridge(spot: Spot) -> Fault:
    rng, link, dq = spot.rng, spot.link, spot.dq
    other = link if len(spot.bus) < 2 or rng.random() < 0.8 else rng.choice(spot.bus)
    step = rng.choice((1, 1, 1, 2))
    dq2 = (dq + step) % 8 if other == link else dq
    mode = rng.choice(("and", "and", "or"))
    return spot.on_bus(link=link, dq=dq, other=(other, dq2), mode=mode)


def _rail(spot: Spot) -> str:
    """A rail of the site's, rather one of its core."""
    board, rng = spot.wiring.board, spot.rng
    own = board.sites[spot.site].rails
    mine = [r for r in board.rails if r.feeds == "packages" and r.name in own]
    core = [r for r in mine if not auxiliary(board, r.name)]
    return rng.choice(core if core and rng.random() < 0.6 else mine).name


def _fed(spot: Spot, rail: str) -> tuple[int, ...]:
    return tuple(i for i, s in enumerate(spot.wiring.board.sites) if rail in s.rails)


def _short_package(spot: Spot) -> Fault:
    rail = _rail(spot)
    depth, mode = spot.rng.uniform(2.0, 7.0), spot.rng.choice(("one", "one", "all"))
    return spot.fault(rail=rail, depth=depth, mode=mode, grade=_grade(spot.rng))


def _short_cap(spot: Spot) -> Fault:
    rail = _rail(spot)
    depth = spot.rng.uniform(0.05, 1.0)
    return Fault(spot.kind, rail=rail, sites=_fed(spot, rail), depth=depth, spread=spot.spread)


def _rail_low(spot: Spot) -> Fault:
    rail, rng = _rail(spot), spot.rng
    mode, depth = rng.choice(
        (("mild", rng.uniform(0.02, 0.06)), ("strong", rng.uniform(0.06, 0.15)), ("dead", 0.5))
    )
    if auxiliary(spot.wiring.board, rail):
        # word-line and core pumps ride out a sag; what a board shows is that they are gone
        mode, depth = "dead", 0.5
    return Fault(
        spot.kind,
        rail=rail,
        sites=_fed(spot, rail),
        depth=depth,
        grade=_grade(rng),
        mode=mode,
        bit=rng.randrange(3),
        spread=spot.spread,
    )


def _grade(rng: random.Random) -> float:
    """A regulator sags for all alike; thin copper costs the far end more."""
    return 0.0 if rng.random() < 0.6 else rng.uniform(0.2, 1.0)


def _controller_state(rng: random.Random) -> dict[str, Any]:
    """How a part of the controller fails, how far, and how unlike its lanes are."""
    return {
        "mode": rng.choices(("deaf", "thin", "mixed", "dead"), (40, 30, 15, 15))[0],
        "depth": rng.uniform(0.1, 1.0),
        "scatter": rng.choice((0.1, rng.uniform(0.2, 1.0))),
    }


def _stride(spot: Spot) -> Fault:
    rng, wiring = spot.rng, spot.wiring
    # one bit of the word in every package: where a channel is spread over packages, of each
    spread_out = len(spot.sites_of(wiring.of_channel[spot.at.channel])) > 2
    hits = tuple(i for i, (_, o) in enumerate(wiring.links) if spread_out or o.lane == spot.at.lane)
    return Fault(
        spot.kind,
        dq=rng.choice(spot.dqs),
        bit=rng.randrange(1, 7),
        hits=hits,
        sites=spot.sites_of(hits),
        spread=spot.spread,
    )


def _phy_channel(spot: Spot) -> Fault:
    hits = tuple(spot.wiring.of_channel[spot.at.channel])
    sites = spot.sites_of(hits)
    return Fault(
        spot.kind,
        channel=spot.at.channel,
        hits=hits,
        sites=sites,
        site=sites[0] if len(sites) == 1 else None,
        spread=spot.spread,
        **_controller_state(spot.rng),
    )


def _phy_part(spot: Spot) -> Fault:
    """A partition's block of the controller, or one lane of it."""
    rng, board, links = spot.rng, spot.wiring.board, spot.wiring.links
    state = _controller_state(rng)
    groups = {name: group for name, group in board.partitions.items() if len(group) > 1}
    part = rng.choice(sorted(groups))
    refs = {s.ref for s in groups[part]}
    hits = tuple(i for i, (s, _) in enumerate(links) if board.sites[s].ref in refs)
    one_lane = spot.kind == "phy-lane"
    if one_lane:
        lane = rng.choice(sorted({links[i][1].lane for i in hits}))
        hits = tuple(i for i in hits if links[i][1].lane == lane)
        state["mode"] = "thin" if state["mode"] == "thin" else "deaf"
    return Fault(
        spot.kind,
        partition=part,
        hits=hits,
        sites=spot.sites_of(hits),
        link=hits[0] if one_lane else None,
        spread=spot.spread,
        **state,
    )


_DRAWN: dict[str, Callable[[Spot], Fault]] = {
    "missing": _gone,
    "removed": _gone,
    "array": _array,
    "pins": _pins,
    "open-data": _open_data,
    "open-strobe": _open_clock,
    "open-edc": _open_clock,
    "open-ca": _open_command,
    "open-address": _open_address,
    "bridge": _bridge,
    "rail-low": _rail_low,
    "short-cap": _short_cap,
    "short-package": _short_package,
    "phy-block": _phy_part,
    "phy-lane": _phy_part,
    "phy-channel": _phy_channel,
    "stride": _stride,
}
