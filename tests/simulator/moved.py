"""The same fault at another site: which sites a dump does not tell apart."""

from __future__ import annotations

from msgspec.structs import replace

from tests.simulator.bench import Bench, simulate
from tests.simulator.boards import Wiring
from tests.simulator.faults import Fault
from tests.simulator.rows import Row
from tests.simulator.trace import trace


def sites_alike(bench: Bench, fault: Fault, drawn: list[Fault], rows: list[Row]) -> frozenset[int]:
    """The sites at which the fault would have printed the very same dump, its own among them;
    none for a fault that is at no site. No other fault of the board lies there already."""
    if fault.site is None:
        return frozenset()
    others = [f for f in drawn if f is not fault]
    taken = {f.site for f in others}
    found = {fault.site}
    for site in range(len(bench.wiring.board.sites)):
        there = None if site in taken or site in found else moved(bench.wiring, fault, site)
        if there is not None:
            twin = simulate(bench, [there if f is fault else f for f in drawn])
            if not trace(rows, twin, bench.nature, bench.rig):
                found.add(site)
    return frozenset(found)


def moved(wiring: Wiring, fault: Fault, site: int) -> Fault | None:
    """The fault of one site at another, each link of the one for the link of the other that comes
    at the same place in its order; None where the other does not have as many, or hangs on
    another rail than the one that the fault pulls down."""
    board = wiring.board
    if fault.site is None or (fault.rail is not None and fault.rail not in board.sites[site].rails):
        return None
    mine, theirs = wiring.of_site[fault.site], wiring.of_site[site]
    if len(mine) != len(theirs):
        return None
    link = dict(zip(mine, theirs, strict=True))
    channel = {wiring.links[a][1].channel: wiring.links[b][1].channel for a, b in link.items()}
    rank = {wiring.links[a][1].rank: wiring.links[b][1].rank for a, b in link.items()}
    array = fault.array and replace(
        fault.array,
        site=site,
        cells=tuple(replace(c, link=link.get(c.link, c.link)) for c in fault.array.cells),
    )
    return replace(
        fault,
        site=site,
        sites=tuple(site if s == fault.site else s for s in fault.sites),
        channel=channel.get(fault.channel, fault.channel),
        rank=rank.get(fault.rank, fault.rank) if fault.rank is not None else None,
        link=None if fault.link is None else link.get(fault.link, fault.link),
        other=fault.other and (link.get(fault.other[0], fault.other[0]), fault.other[1]),
        hits=tuple(link.get(i, i) for i in fault.hits),
        array=array,
    )
