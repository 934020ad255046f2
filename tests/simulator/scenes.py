"""Scenes: a board, its faults, a rig, and the dump they make; the truth beside it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import Board
from tests.simulator import faults as catalogue
from tests.simulator.arrays import Addresses
from tests.simulator.bench import Bench, simulate
from tests.simulator.board_toml import to_toml
from tests.simulator.boards import Wiring, address_map, some_board
from tests.simulator.fault_draw import draw_fault
from tests.simulator.faults import Fault
from tests.simulator.history import head_lines
from tests.simulator.moved import sites_alike
from tests.simulator.noise import Noise
from tests.simulator.physics import BURST
from tests.simulator.plant import Nature
from tests.simulator.render import DIRT, dump, soil
from tests.simulator.rig import Rig, draw_rig
from tests.simulator.rows import Row
from tests.simulator.shorten import shortened
from tests.simulator.spill import Couplings
from tests.simulator.trace import trace
from tests.simulator.truth import Truth, rivals_of, truth_of

TUNING = range(100_000)
"""Seeds anyone may look at."""

EVALUATION = 1_000_000
"""Seeds from here on are for measuring only; nothing is ever tuned on them."""


class Scene(Struct, frozen=True):
    """A dump with its truth. `known`: the profile is there for the judge to use."""

    seed: int
    text: str
    board: Board
    board_toml: str
    known: bool
    truth: tuple[Truth, ...]
    spilled: frozenset[str]
    kind: str
    dirt: tuple[str, ...]
    rig: Rig
    nature: Nature
    bench: Bench
    drawn: tuple[Fault, ...]
    """The fault behind each truth."""
    rows: tuple[Row, ...]

    def alike(self, truth: Truth) -> frozenset[str]:
        """The sites at which that fault would have printed the very same dump: no reader can tell
        which of them it is."""
        fault = self.drawn[self.truth.index(truth)]
        sites = self.board.sites
        found = sites_alike(self.bench, fault, list(self.drawn), list(self.rows))
        return frozenset(sites[s].ref for s in found)

    @property
    def family(self) -> str:
        return self.board.memory or "other"

    @property
    def replaceable(self) -> frozenset[str]:
        """Sites whose package is bad: where `replace` is not a waste."""
        return frozenset(t.site for t in self.truth if t.site and "replace" in t.actions)


def draw(
    seed: int,
    *,
    family: str | None = None,
    kind: str | Sequence[str] | None = None,
    faults: int | None = None,
    sites: int | None = None,
    board: Board | None = None,
    dirt: bool | Sequence[str] | None = None,
    known: bool | None = None,
    bare: bool | None = None,
    **habits: Any,
) -> Scene:
    """The scene of that seed. Filters replace a draw: `kind` one fault kind or several (one
    fault each), `faults` how many, `bare` a package taken off, `habits` fields of the rig."""
    noise = Noise(seed)
    rng = noise.stream("scene")
    board = board or some_board(noise.stream("board"), family, sites)
    wiring = Wiring(board)
    ranks = len({link.rank for _, link in wiring.links}) > 1
    spread_out = any(len({wiring.site_of[i] for i in g}) > 1 for g in wiring.of_channel.values())
    rig = draw_rig(noise.stream("rig"), board.memory or "ddr4", ranks, spread_out)
    lanes = len({link.lane for _, link in wiring.links if link.channel == board.channels[0]})
    beats = BURST.get(board.memory or "", 8)
    addresses = Addresses(
        board.address or address_map(noise.stream("map"), lanes, beats), lanes, beats
    )
    kinds = _kinds(rng, wiring, [kind] if isinstance(kind, str) else kind, faults, bare)
    drawn = _faults(rng, wiring, addresses, kinds, lots=kind is None and faults is None)
    rig = _fitted(rng, rig, drawn, spread_out)
    known = rng.random() < 0.92 if known is None else known
    if not known:
        rig = replace(rig, names=True)
    rig = replace(rig, **habits)
    bench = Bench(
        wiring,
        rig,
        noise,
        Nature.draw(noise.stream("nature")),
        Couplings.draw(noise.stream("couplings")),
        addresses,
    )
    rows = simulate(bench, drawn)
    twins = [simulate(bench, [f for f in drawn if f is not one]) for one in drawn]
    clear = rows if not drawn else twins[0] if len(drawn) == 1 else simulate(bench, [])
    soiled = _dirt(rng, dirt, any(f.kind == "removed" for f in drawn))
    tidy, where = dump(head_lines(rng, bench, drawn, known), rows, rng, rig.width)
    lines, lost = shortened(tidy, where, soiled, rng)
    gone = {id(row) for row, line in where if line in lost}
    left = [row for row in rows if id(row) not in gone]
    truth = []
    for fault, twin in zip(drawn, twins, strict=True):
        wide = len(fault.sites) == len(board.sites)
        told = trace(rows, twin, bench.nature, rig, wide)
        if gone:
            have = {id(row) for row in left}
            told = [row for row in told if id(row) in have]
        truth.append(truth_of(bench, fault, told, rivals_of(bench, fault, drawn, rows)))
    struck = {s for f in drawn for s in f.sites}
    touched = {
        s for row in trace(left, clear, bench.nature, rig) for s in row.means if len(row.means) == 1
    }
    return Scene(
        seed,
        soil(lines, soiled, rng),
        board,
        to_toml(board),
        known,
        tuple(truth),
        frozenset(board.sites[s].ref for s in touched - struck),
        "+".join(sorted(f.kind for f in drawn)) or "none",
        soiled,
        rig,
        bench.nature,
        bench,
        tuple(drawn),
        tuple(rows),
    )


def _kinds(
    rng: random.Random,
    wiring: Wiring,
    wanted: Sequence[str] | None,
    count: int | None,
    bare: bool | None,
) -> list[str]:
    """Which faults to draw: those wanted, or from the mix; now and then a package is off too."""
    able = catalogue.possible(wiring)
    number = rng.choices((0, 1, 2, 3), (20, 56, 17, 7))[0] if count is None else count
    mixed = rng.choices(able, [catalogue.MIX[k] for k in able], k=number)
    if wanted is not None:
        mixed = [k for k in wanted if k in able or k == "removed"]
    off = rng.random() < 0.08 if bare is None else bare
    if off and "removed" not in mixed and len(wiring.board.sites) > 2:
        mixed = ["removed", *mixed[:2]]
    return mixed


LOT = 0.1
"""How often a sick array is one of several of a maker's lot (several packages of one module were
weak together in CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017; the share is common practice)."""


def _faults(
    rng: random.Random, wiring: Wiring, addresses: Addresses, kinds: list[str], *, lots: bool
) -> list[Fault]:
    """One fault of each kind, no two at one site, on one rail or in one partition. `lots`: a sick
    array may bring others of its shape along."""
    taken: set[int] = set()
    used: set[tuple[Any, ...]] = set()
    drawn: list[Fault] = []
    queue: list[tuple[str, str | None]] = [(k, None) for k in kinds]
    while queue and len(taken) < len(wiring.board.sites):
        kind, shape = queue.pop(0)
        fault = draw_fault(rng, wiring, addresses, kind, taken, shape)
        shared = (fault.rail, fault.partition) if fault.site is None else ()
        if shared and shared in used:
            continue
        used.add(shared)
        if fault.site is not None:
            taken.add(fault.site)
        drawn.append(fault)
        if lots and kind == "array" and shape is None and rng.random() < LOT:
            queue += [(kind, fault.mode)] * rng.choice((1, 1, 2, 3))
    return drawn


def _fitted(rng: random.Random, rig: Rig, drawn: list[Fault], spread_out: bool) -> Rig:
    """A technician who smells a supply fault takes the meter; no rig prints what means nothing."""
    supply = any(f.rail is not None for f in drawn)
    rig = replace(rig, rails=rig.rails or (supply and rng.random() < 0.65))
    if rig.rails and supply and rng.random() < 0.6:
        rig = replace(rig, heat=True)
    vague = spread_out and not rig.names and "channel" in (rig.detail, rig.count_detail)
    if vague and rng.random() < 0.8:
        # rows of a whole channel that lies over many packages can place nothing: few rigs do it
        rig = replace(rig, detail="lane", count_detail="lane")
    if rig.word == "site" and spread_out and not rig.names:
        rig = replace(rig, word="channel")
    return rig


def _dirt(rng: random.Random, wanted: bool | Sequence[str] | None, bare: bool) -> tuple[str, ...]:
    some = rng.random() < 0.15
    kinds = rng.sample(DIRT, rng.choice((1, 1, 2)))
    if wanted is False or (wanted is None and not some):
        return ()
    if not isinstance(wanted, bool) and wanted is not None:
        kinds = list(wanted)
    if bare:  # the head says which package is off: losing it changes the truth itself
        kinds = [k for k in kinds if k != "headless"] or ["blank"]
    return tuple(kinds)
