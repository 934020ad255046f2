"""Scenes: a board, its faults, a rig, and the dump they make; the truth beside it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from memdiag.board import Board
from tests.simulator import faults as catalogue
from tests.simulator.arrays import Addresses
from tests.simulator.boards import Wiring, address_map, some_board, to_toml
from tests.simulator.boot import boot
from tests.simulator.counting import count, count_rows
from tests.simulator.faults import Fault
from tests.simulator.meter import heat_rows, rail_rows, value_rows
from tests.simulator.noise import Noise
from tests.simulator.physics import BURST
from tests.simulator.plant import Nature, Plant, healthy
from tests.simulator.render import DIRT, dump, soil
from tests.simulator.report import training_rows
from tests.simulator.rig import Rig, draw_rig
from tests.simulator.rows import Row
from tests.simulator.spill import Couplings, disturb
from tests.simulator.trace import trace
from tests.simulator.wordlog import error_rows

TUNING = range(100_000)
"""Seeds anyone may look at."""

EVALUATION = 1_000_000
"""Seeds from here on are for measuring only; nothing is ever tuned on them."""


@dataclass(frozen=True)
class Truth:
    """One fault, as a right verdict would put it. `causes` and `actions` are the acceptable
    words, the usual cause being `cause`. `visible`: the dump holds a trace of it. `located`: some
    row of that trace can only mean this place."""

    kind: str
    mode: str
    cause: str
    causes: frozenset[str]
    actions: frozenset[str]
    visible: bool
    located: bool
    expected: bool
    sites: tuple[str, ...]
    site: str | None = None
    channel: Any = None
    rank: int | None = None
    lane: int | None = None
    dq: int | tuple[int, int] | None = None
    rail: str | None = None
    partition: str | None = None
    rails: frozenset[str] = frozenset()
    """Rails that may be named for it: where no ohms were printed, all that feed the same sites."""
    rivals: frozenset[str] = frozenset()
    """Causes of look-alikes at the same place that would have printed the very same dump."""

    def __str__(self) -> str:
        at = [f"{w} {v}" for w in ("channel", "rank", "lane", "dq", "rail", "partition")
              if (v := getattr(self, w)) is not None]  # fmt: skip
        seen = "" if self.visible and self.located else (
            " (no trace)" if not self.visible else " (trace without a place)")  # fmt: skip
        where = " ".join([self.site or "", *at]).strip()
        return f"{self.kind}/{self.mode or '-'} at {where}: {'|'.join(sorted(self.actions))}{seen}"


@dataclass(frozen=True)
class Scene:
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

    @property
    def family(self) -> str:
        return self.board.memory or "other"

    @property
    def replaceable(self) -> frozenset[str]:
        """Sites whose package is bad: where `replace` is not a waste."""
        return frozenset(t.site for t in self.truth if t.site and "replace" in t.actions)


@dataclass(frozen=True)
class _Bench:
    """All that twins share."""

    wiring: Wiring
    rig: Rig
    noise: Noise
    nature: Nature
    couplings: Couplings
    addresses: Addresses


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
    spread_out = any(
        len({wiring.site_of[i] for i in g}) > 1 for g in wiring.of_channel.values()
    )
    rig = draw_rig(noise.stream("rig"), board.memory or "ddr4", ranks, spread_out)
    wide = len({link.lane for _, link in wiring.links if link.channel == board.channels[0]})
    beats = BURST.get(board.memory or "", 8)
    addresses = Addresses(
        board.address or address_map(noise.stream("map"), wide, beats), wide, beats
    )
    drawn = _faults(rng, wiring, addresses, kind, faults, bare)
    rig = _fitted(rng, rig, drawn, spread_out)
    known = rng.random() < 0.92 if known is None else known
    if not known:
        rig = replace(rig, names=True)
    rig = replace(rig, **habits)
    bench = _Bench(wiring, rig, noise, Nature.draw(noise.stream("nature")),
                   Couplings.draw(noise.stream("couplings")), addresses)  # fmt: skip
    rows = _simulate(bench, drawn)
    twins = [_simulate(bench, [f for f in drawn if f is not one]) for one in drawn]
    clear = rows if not drawn else twins[0] if len(drawn) == 1 else _simulate(bench, [])
    soiled = _dirt(rng, dirt, any(f.kind == "removed" for f in drawn))
    lines, where = dump(_head(rng, bench, drawn, known), rows, rng, rig.width)
    cut = len(lines)
    if "cut" in soiled:
        cut = max(14, round(len(lines) * rng.uniform(0.6, 0.97)))
        lines = [*lines[: cut - 1], lines[cut - 1][: rng.randint(0, len(lines[cut - 1]))]]
    gone = {id(row) for row, line in where if line >= cut - 1}
    left = [row for row in rows if id(row) not in gone]
    truth = tuple(
        _truth(bench, f, left, twin, bool(gone), _rivals(bench, f, drawn, rows))
        for f, twin in zip(drawn, twins, strict=True)
    )
    struck = {s for f in drawn for s in f.sites}
    touched = {s for row in trace(left, clear, bench.nature, rig) for s in row.means
               if len(row.means) == 1}  # fmt: skip
    return Scene(
        seed,
        soil(lines, soiled, rng),
        board,
        to_toml(board),
        known,
        truth,
        frozenset(board.sites[s].ref for s in touched - struck),
        "+".join(sorted(f.kind for f in drawn)) or "none",
        soiled,
        rig,
        bench.nature,
    )


def _faults(
    rng: random.Random, wiring: Wiring, addresses: Addresses, kind: str | Sequence[str] | None,
    count: int | None, bare: bool | None,
) -> list[Fault]:  # fmt: skip
    able = catalogue.possible(wiring)
    number = rng.choices((0, 1, 2, 3), (20, 56, 17, 7))[0] if count is None else count
    mixed = rng.choices(able, [catalogue.MIX[k] for k in able], k=number)
    if kind is not None:
        mixed = [kind] if isinstance(kind, str) else list(kind)
        mixed = [k for k in mixed if k in able or k == "removed"]
    off = rng.random() < 0.08 if bare is None else bare
    if off and "removed" not in mixed and len(wiring.board.sites) > 2:
        mixed = ["removed", *mixed[:2]]
    taken: set[int] = set()
    used: set[tuple[Any, ...]] = set()
    drawn: list[Fault] = []
    for k in mixed:
        fault = catalogue.draw_fault(rng, wiring, addresses, k, taken)
        shared = (fault.rail, fault.partition) if fault.site is None else ()
        if shared and shared in used:
            continue
        used.add(shared)
        if fault.site is not None:
            taken.add(fault.site)
        drawn.append(fault)
        if len(taken) >= len(wiring.board.sites):
            break
    return drawn


def _fitted(rng: random.Random, rig: Rig, drawn: list[Fault], spread_out: bool) -> Rig:
    """A technician who smells a supply fault takes the meter; no rig prints what means nothing."""
    supply = any(f.rail is not None for f in drawn)
    rig = replace(rig, rails=rig.rails or (supply and rng.random() < 0.65))
    if rig.rails and supply and rng.random() < 0.6:
        rig = replace(rig, heat=True)
    if spread_out and not rig.names and "channel" in (rig.detail, rig.count_detail):
        # rows of a whole channel that lies over many packages can place nothing: few rigs do it
        if rng.random() < 0.8:
            rig = replace(rig, detail="lane", count_detail="lane")
    if rig.word == "site" and spread_out and not rig.names:
        rig = replace(rig, word="channel")
    return rig


def _simulate(bench: _Bench, faults: list[Fault]) -> list[Row]:
    """The rows of one run of the board with these faults."""
    plant: Plant = healthy(bench.wiring, bench.noise, bench.nature)
    for fault in faults:
        catalogue.strike(plant, fault)
    for fault in faults:
        disturb(plant, fault, bench.couplings)
    rig, noise = bench.rig, bench.noise
    rows: list[Row] = []
    done = boot(plant, rig, noise)
    seen = done if "training" in rig.sections else None
    if seen is not None:
        rows += training_rows(plant, rig, noise, done)
    if not (done.stopped and rig.count_dead == "absent"):
        passes = [
            count(plant, rig, noise, bench.addresses, done, k, temp)
            for k, temp in enumerate(rig.temps or (None,))
        ] if rig.sections & {"counts", "errors"} else []  # fmt: skip
        if "counts" in rig.sections:
            rows += count_rows(plant, rig, done if seen else None, passes)
        if "errors" in rig.sections:
            every = rig.count_dead == "count" or seen is None or rig.warm_boot
            tested = [every or ok for ok in done.trained]
            rows += error_rows(plant, rig, noise, bench.addresses, passes, tested)
    if rig.rails:
        rows += rail_rows(plant, rig, noise)
        if rig.heat:
            rows += heat_rows(plant, rig, noise)
    if rig.values:
        rows += value_rows(plant, rig, noise)
    return rows


def _truth(
    bench: _Bench, fault: Fault, rows: list[Row], twin: list[Row], cut: bool,
    rivals: frozenset[str],
) -> Truth:  # fmt: skip
    board = bench.wiring.board
    told = trace(rows, twin, bench.nature, bench.rig, len(fault.sites) == len(board.sites))
    if cut:
        have = {id(r) for r in rows}
        told = [r for r in told if id(r) in have]
    site = None if fault.site is None else board.sites[fault.site].ref
    if fault.site is not None:
        located = any(r.means == (fault.site,) for r in told)
    elif fault.rail is not None:
        located = any(r.cells.get("rail") == fault.rail for r in told) or len(
            {s for r in told if len(r.means) == 1 for s in r.means} & set(fault.sites)) > 1
    else:
        located = any(set(r.means) <= set(fault.sites) for r in told if r.means)
    actions = set(catalogue.ACTIONS[fault.kind])
    if fault.mode == "power-ball" and fault.kind == "missing":
        actions.add("reflow")
    if fault.kind == "pins" and not any(r.section in ("counts", "errors") for r in told):
        actions.add("retest")  # thin, and not one wrong bit: more bits first is right too
    at = None if fault.link is None else bench.wiring.links[fault.link][1]
    dq: Any = fault.dq
    if fault.other is not None and fault.dq is not None:
        dq = (fault.dq, fault.other[1])
    causes = catalogue.CAUSES[fault.kind]
    return Truth(
        fault.kind, fault.mode, causes[0], frozenset(causes), frozenset(actions), bool(told),
        bool(told) and located, fault.kind == "removed",
        tuple(board.sites[s].ref for s in fault.sites), site, fault.channel, fault.rank,
        None if at is None else at.lane, dq, fault.rail, fault.partition,
        _rails_like(bench, fault, told), rivals,
    )  # fmt: skip


def _rivals(
    bench: _Bench, fault: Fault, drawn: list[Fault], rows: list[Row]
) -> frozenset[str]:
    """Run the board with each look-alike in the fault's stead; those that change nothing."""
    found = set()
    for other in catalogue.look_alikes(bench.wiring, fault):
        swapped = [f for f in drawn if f is not fault] + other
        if not trace(rows, _simulate(bench, swapped), bench.nature, bench.rig):
            found.add(catalogue.CAUSES[other[0].kind][0])
    return frozenset(found)


def _rails_like(bench: _Bench, fault: Fault, told: list[Row]) -> frozenset[str]:
    if fault.rail is None:
        return frozenset()
    if any(r.cells.get("rail", r.cells.get("name")) == fault.rail for r in told):
        return frozenset({fault.rail})
    board = bench.wiring.board
    mine = board.sites_on_rail(fault.rail)
    return frozenset(
        r.name for r in board.rails if r.feeds == "packages" and board.sites_on_rail(r.name) == mine
    )


def _head(
    rng: random.Random, bench: _Bench, drawn: list[Fault], known: bool
) -> list[tuple[str, str]]:
    """The `[run]` section with a history that fits the faults."""
    board, rig = bench.wiring.board, bench.rig
    refs = [s.ref for s in board.sites]
    removed = [refs[f.site] for f in drawn if f.kind == "removed" and f.site is not None]
    stage = rng.choices(("intake", "before-swap", "after-swap", "final"), (60, 15, 15, 10))[0]
    stage = "bare" if removed else stage
    head = [("id", f"r{rng.randrange(10**5):05d}")]
    if board.name and (known or rng.random() < 0.5):
        head.append(("board", board.name))
    if rng.random() < 0.4:
        head.append(("serial", f"{rng.randrange(16**6):06x}"))
    if rng.random() < 0.9 or removed:
        head.append(("stage", stage))
    head.append(("at", f"2025-0{rng.randint(1, 9)}-{rng.randint(10, 28)}T{rng.randint(10, 19)}:05:00Z"))
    head.append(("memory", board.memory or "other"))
    if rng.random() < 0.95 or rig.width == "ps":
        head.append(("rate", f"{rig.rate:g} Gbit/s"))
    if rng.random() < 0.8 or rig.temps:
        head.append(("ambient", f"{rig.ambient:.0f} C"))
    if removed:
        head.append(("removed", " ".join(removed)))
    elif rng.random() < 0.3:
        head.append(("removed", "-"))
    replaced = _replaced(rng, board, drawn, stage)
    if replaced:
        head.append(("replaced", " ".join(replaced)))
    if stage == "after-swap" and rng.random() < 0.15 and len(refs) > 3:
        a, b = rng.sample(refs, 2)
        if not {a, b} & set(removed):
            head.append(("swapped", f"{a}>{b} {b}>{a}"))
    if rng.random() < 0.5:
        head.append(("rig", rig.name))
    return head


def _replaced(rng: random.Random, board: Board, drawn: list[Fault], stage: str) -> list[str]:
    """Who was changed before this run. A new package is rarely bad; its joints may be; a
    controller fault is what is left after good packages were changed."""
    if stage not in ("after-swap", "final"):
        return []
    controller = [f for f in drawn if f.kind.startswith("phy")]
    if controller and rng.random() < 0.6:
        return [board.sites[rng.choice(controller[0].sites)].ref]
    joints = [f for f in drawn if f.kind in ("open-data", "open-ca", "bridge", "open-strobe")]
    if joints and rng.random() < 0.4 and joints[0].site is not None:
        return [board.sites[joints[0].site].ref]
    bad = {f.site for f in drawn if f.kind in catalogue.PACKAGE_BAD or f.kind == "removed"}
    good = [s.ref for i, s in enumerate(board.sites) if i not in bad or rng.random() < 0.03]
    return [rng.choice(good)] if good and rng.random() < 0.8 else []


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
