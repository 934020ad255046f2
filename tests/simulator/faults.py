"""Ground-truth faults: how often each comes, how strong, and what a right verdict calls it.

These are faults of things (a die, a ball, a capacitor). They know nothing of how a dump is judged.
What each does to the board stands in `strike.py`.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

from memdiag.model.board import Board
from tests.simulator.arrays import SHAPES, Addresses, Region, WeakArray, draw_array
from tests.simulator.boards import SUPPLIES, Wiring
from tests.simulator.physics import BURST, LINK_CHECKED

MIX: dict[str, float] = {
    "missing": 20,
    "array": 15,
    "pins": 14,
    "open-data": 9,
    "open-strobe": 5,
    "open-edc": 1.5,
    "open-ca": 4,
    "open-address": 3.5,
    "bridge": 5,
    "rail-low": 6,
    "short-cap": 4,
    "short-package": 4,
    "phy-block": 4,
    "phy-channel": 2,
    "phy-lane": 1.5,
    "stride": 1.5,
}
"""How often each kind comes to the simulated bench, in arbitrary units. Common practice, no
source: silent packages, worn arrays and bad joints first, the controller last."""

SPILL: dict[str, float] = {
    "missing": 1.0,
    "removed": 1.0,
    "short-package": 1.0,
    "rail-low": 0.3,
    "short-cap": 0.3,
    "phy-block": 0.4,
    "phy-channel": 0.4,
    "phy-lane": 0.2,
    "pins": 0.3,
    "open-ca": 0.6,
    "open-strobe": 0.4,
    "open-data": 0.2,
    "bridge": 0.3,
    "open-edc": 0.1,
    "array": 0.0,
    "open-address": 0.0,
    "stride": 0.0,
}
"""How much each kind can disturb its neighbours, relative to an absent package."""

PACKAGE_BAD = frozenset({"missing", "array", "pins", "short-package"})

CAUSES: dict[str, tuple[str, ...]] = {
    "missing": ("missing",),
    "removed": ("missing",),
    "array": ("weak",),
    "pins": ("weak",),
    "open-data": ("joint",),
    "open-strobe": ("joint",),
    "open-edc": ("joint",),
    "open-ca": ("joint",),
    "open-address": ("joint",),
    "bridge": ("bridge",),
    "rail-low": ("supply",),
    "short-cap": ("supply",),
    "short-package": ("missing", "weak"),
    "phy-block": ("controller",),
    "phy-channel": ("controller",),
    "phy-lane": ("controller",),
    "stride": ("controller",),
}
"""The contract's word(s) for each kind, the usual one first."""

ACTIONS: dict[str, tuple[str, ...]] = {
    "missing": ("replace",),
    "removed": ("fit",),
    "array": ("replace",),
    "pins": ("replace",),
    "open-data": ("reflow",),
    "open-strobe": ("reflow",),
    "open-edc": ("reflow",),
    "open-ca": ("reflow",),
    "open-address": ("reflow",),
    "bridge": ("reflow",),
    "rail-low": ("check-supply",),
    "short-cap": ("check-supply",),
    "short-package": ("replace", "check-supply"),
    "phy-block": ("stop",),
    "phy-channel": ("stop",),
    "phy-lane": ("stop",),
    "stride": ("stop",),
}


@dataclass(frozen=True)
class Fault:
    """One fault with its strengths drawn. Fields that do not apply are None."""

    kind: str
    site: int | None = None
    channel: object = None
    rank: int | None = None
    link: int | None = None
    dq: int | None = None
    other: tuple[int, int] | None = None  # the bridged (link, dq)
    rail: str | None = None
    partition: str | None = None
    bit: int | None = None
    line: tuple[str, int] | None = None  # the open address line
    mode: str = ""
    depth: float = 0.0
    array: WeakArray | None = None
    hits: tuple[int, ...] = ()  # links a controller fault takes
    sites: tuple[int, ...] = ()  # sites it strikes directly
    spread: tuple[float, ...] = field(default=(), repr=False)  # uniforms for gradation

    def spill(self) -> float:
        return SPILL[self.kind]


def possible(wiring: Wiring) -> list[str]:
    """The kinds this board can have."""
    board = wiring.board
    kinds = [k for k in MIX if k not in ("open-edc", "phy-block", "phy-lane")]
    if board.memory in LINK_CHECKED and (board.memory or "").startswith("gddr"):
        kinds.append("open-edc")
    if any(len(group) > 1 for group in board.partitions.values()):
        kinds += ["phy-block", "phy-lane"]
    if not any(r.feeds == "packages" for r in board.rails):
        kinds = [k for k in kinds if k not in ("rail-low", "short-cap", "short-package")]
    return kinds


def draw_fault(
    rng: random.Random, wiring: Wiring, addresses: Addresses, kind: str, taken: set[int]
) -> Fault:
    """A fault of that kind at a place not yet `taken` (site indices)."""
    board = wiring.board
    free = [i for i in range(len(board.sites)) if i not in taken] or [0]
    site = rng.choice(free)
    spread = tuple(rng.random() for _ in range(4 * len(wiring.links) + len(board.sites)))
    link = rng.choice(wiring.of_site[site])
    at = wiring.links[link][1]
    dqs = at.dqs or tuple(range(8))
    dq = rng.choice(dqs)
    here: dict[str, Any] = {"site": site, "sites": (site,), "spread": spread}
    if kind in ("missing", "removed"):
        return Fault(kind, mode=rng.choice(("die", "die", "power-ball")), **here)
    if kind == "array":
        shape = rng.choices(SHAPES, (30, 8, 20, 22, 14, 6))[0]
        links = tuple(i for i in wiring.of_site[site] if _same_bus(wiring, i, link))
        region = Region(site, links, dqs, BURST.get(board.memory or "", 8))
        array = draw_array(rng, addresses, region, shape)
        lane = at.lane if len({c.link for c in array.cells}) == 1 else None
        one = {c.dq for c in array.cells}
        return Fault(
            kind,
            channel=at.channel,
            rank=at.rank,
            link=link if lane is not None else None,
            dq=one.pop() if len(one) == 1 and lane is not None else None,
            mode=shape,
            array=array,
            **here,
        )
    if kind == "pins":
        mode = rng.choice(("both", "both", "read", "write"))
        return Fault(kind, mode=mode, depth=rng.uniform(0.3, 1.0), **here)
    if kind == "open-data":
        mode = rng.choices(("hard", "ragged"), (70, 30))[0]
        return Fault(
            kind,
            channel=at.channel,
            rank=at.rank,
            link=link,
            dq=dq,
            mode=mode,
            depth=rng.uniform(0.3, 1.0),
            **here,
        )
    if kind in ("open-strobe", "open-edc"):
        mode = rng.choices(("silent", "garbage"), (60, 40))[0]
        return Fault(kind, channel=at.channel, rank=at.rank, link=link, mode=mode, **here)
    if kind == "open-ca":
        single = len(board.sites[site].channels) == 1
        mode = "partial" if single or rng.random() < 0.5 else "dead"
        return Fault(kind, channel=at.channel, mode=mode, **here)
    if kind == "open-address":
        lines = [("row", k) for k in range(len(addresses.row))]
        lines += [("col", k) for k in addresses.col_bits]
        return Fault(kind, channel=at.channel, rank=at.rank, line=rng.choice(lines), **here)
    if kind == "bridge":
        peers = [i for i in wiring.of_site[site] if _same_bus(wiring, i, link)]
        other = link if len(peers) < 2 or rng.random() < 0.8 else rng.choice(peers)
        step = rng.choice((1, 1, 1, 2))
        dq2 = (dq + step) % 8 if other == link else dq
        return Fault(
            kind,
            channel=at.channel,
            rank=at.rank,
            link=link,
            dq=dq,
            other=(other, dq2),
            mode=rng.choice(("and", "and", "or")),
            **here,
        )
    if kind in ("rail-low", "short-cap", "short-package"):
        return _supply(rng, wiring, kind, site, spread)
    return _controller(rng, wiring, kind, link, spread)


def _same_bus(wiring: Wiring, a: int, b: int) -> bool:
    one, two = wiring.links[a][1], wiring.links[b][1]
    return one.channel == two.channel and one.rank == two.rank


def auxiliary(board: Board, rail: str) -> bool:
    """A supply that drives no line: the 1.8 or 2.5 V beside the core's."""
    found = board.rail(rail)
    return found is not None and found.volts == SUPPLIES.get(board.memory or "", (0, 0))[1]


def _supply(
    rng: random.Random, wiring: Wiring, kind: str, site: int, spread: tuple[float, ...]
) -> Fault:
    board = wiring.board
    mine = [r for r in board.rails if r.feeds == "packages" and r.name in board.sites[site].rails]
    core = [r for r in mine if not auxiliary(board, r.name)]
    rail = rng.choice(core if core and rng.random() < 0.6 else mine).name
    on = tuple(i for i, s in enumerate(board.sites) if rail in s.rails)
    if kind == "short-package":
        return Fault(
            kind,
            site=site,
            rail=rail,
            sites=(site,),
            depth=rng.uniform(2.0, 7.0),
            mode=rng.choice(("one", "one", "all")),
            spread=spread,
        )
    if kind == "short-cap":
        return Fault(kind, rail=rail, sites=on, depth=rng.uniform(0.05, 1.0), spread=spread)
    mode, depth = rng.choice(
        (("mild", rng.uniform(0.03, 0.06)), ("strong", rng.uniform(0.07, 0.15)), ("dead", 0.5))
    )
    if auxiliary(board, rail):
        # word-line and core pumps ride out a sag; what a board shows is that they are gone
        mode, depth = "dead", 0.5
    return Fault(
        kind, rail=rail, sites=on, depth=depth, mode=mode, bit=rng.randrange(3), spread=spread
    )


def _controller(
    rng: random.Random, wiring: Wiring, kind: str, link: int, spread: tuple[float, ...]
) -> Fault:
    board = wiring.board
    at = wiring.links[link][1]
    mode = rng.choices(("deaf", "thin", "dead"), (50, 30, 20))[0]
    depth = rng.uniform(0.4, 1.0)
    if kind == "stride":
        dqs = at.dqs or tuple(range(8))
        # one bit of the word in every package: where a channel is spread over packages, of each
        spread_out = len({wiring.site_of[i] for i in wiring.of_channel[at.channel]}) > 2
        hits = tuple(i for i, (_, o) in enumerate(wiring.links) if spread_out or o.lane == at.lane)
        return Fault(
            kind,
            dq=rng.choice(dqs),
            bit=rng.randrange(1, 7),
            depth=depth,
            hits=hits,
            sites=tuple(sorted({wiring.site_of[i] for i in hits})),
            spread=spread,
        )
    if kind == "phy-channel":
        hits = tuple(wiring.of_channel[at.channel])
        sites = tuple(sorted({wiring.site_of[i] for i in hits}))
        return Fault(
            kind,
            channel=at.channel,
            mode=mode,
            depth=depth,
            hits=hits,
            sites=sites,
            site=sites[0] if len(sites) == 1 else None,
            spread=spread,
        )
    groups = {name: group for name, group in board.partitions.items() if len(group) > 1}
    part = rng.choice(sorted(groups))
    refs = {s.ref for s in groups[part]}
    inside = [i for i, (s, _) in enumerate(wiring.links) if board.sites[s].ref in refs]
    hits = tuple(inside)
    if kind == "phy-lane":
        lane = rng.choice(sorted({wiring.links[i][1].lane for i in inside}))
        hits = tuple(i for i in inside if wiring.links[i][1].lane == lane)
        mode = "thin" if mode == "thin" else "deaf"
    sites = tuple(sorted({wiring.site_of[i] for i in hits}))
    return Fault(
        kind,
        partition=part,
        mode=mode,
        depth=depth,
        hits=hits,
        sites=sites,
        link=hits[0] if kind == "phy-lane" else None,
        spread=spread,
    )


def look_alikes(wiring: Wiring, fault: Fault) -> list[list[Fault]]:
    """What has another cause at the same place and might print the same: lists of faults to put
    in this one's stead."""
    board = wiring.board
    if fault.kind == "bridge" and fault.other is not None:
        link, dq = fault.other
        one = replace(fault, kind="open-data", mode="hard", other=None)
        return [[one, replace(one, link=link, dq=dq)]]
    if fault.site is None:
        alone = [s for s in fault.sites if len(fault.sites) == 1]
        return [
            [Fault("missing", site=s, mode="die", sites=(s,), spread=fault.spread)]
            for s in alone
            if fault.rail is not None
        ]
    own = board.sites[fault.site].channels
    channel = fault.channel if fault.channel is not None else own[0]
    hits = tuple(wiring.of_channel[channel])
    lone = {wiring.site_of[i] for i in hits} == {fault.site}
    ca = replace(fault, kind="open-ca", channel=channel, hits=())
    if fault.kind == "phy-channel" and fault.mode != "thin":
        return [[replace(ca, mode="partial" if fault.mode == "deaf" else "dead")]] if lone else []
    if fault.kind == "missing" and len(own) == 1:
        return [[replace(ca, mode="dead")]]
    if fault.kind == "open-ca":
        found = []
        if lone:
            mode = "deaf" if fault.mode == "partial" else "dead"
            found.append([replace(fault, kind="phy-channel", mode=mode, hits=hits)])
        if len(own) == 1:
            found.append([replace(fault, kind="missing", mode="die")])
        return found
    return []
