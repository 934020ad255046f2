"""The head of a dump: who, when, and what was done to the board before."""

from __future__ import annotations

import random
from collections.abc import Iterator

from memdiag.model import Board
from tests.simulator.bench import Bench
from tests.simulator.faults import PACKAGE_BAD, Fault
from tests.simulator.rig import Rig


def head_lines(
    rng: random.Random, bench: Bench, drawn: list[Fault], known: bool
) -> list[tuple[str, str]]:
    """The `[run]` section with a history that fits the faults."""
    board, rig = bench.wiring.board, bench.rig
    refs = [s.ref for s in board.sites]
    removed = [refs[f.site] for f in drawn if f.kind == "removed" and f.site is not None]
    stage = rng.choices(("intake", "before-swap", "after-swap", "final"), (60, 15, 15, 10))[0]
    stage = "bare" if removed else stage
    head = [
        *_who_and_when(rng, board, known, stage),
        *_conditions(rng, rig),
        *_work_done(rng, board, drawn, removed, stage),
    ]
    if rng.random() < 0.5:
        head.append(("rig", rig.name))
    if rng.random() < 0.05:  # what the last shift thought: evidence at most, here none
        head.append(("note", f"was told {rng.choice(refs)} is bad"))
    return head


def _who_and_when(
    rng: random.Random, board: Board, known: bool, stage: str
) -> Iterator[tuple[str, str]]:
    yield "id", f"r{rng.randrange(10**5):05d}"
    if board.name and (known or rng.random() < 0.5):
        yield "board", board.name
    if rng.random() < 0.4:
        yield "serial", f"{rng.randrange(16**6):06x}"
    if rng.random() < 0.9 or stage == "bare":
        yield "stage", stage
    yield "at", f"2025-0{rng.randint(1, 9)}-{rng.randint(10, 28)}T{rng.randint(10, 19)}:05:00Z"
    yield "memory", board.memory or "other"


def _conditions(rng: random.Random, rig: Rig) -> Iterator[tuple[str, str]]:
    if rng.random() < 0.95 or rig.width == "ps":
        yield "rate", f"{rig.rate:g} Gbit/s"
    if rng.random() < 0.8 or rig.temps:
        yield "ambient", f"{rig.ambient:.0f} C"


def _work_done(
    rng: random.Random, board: Board, drawn: list[Fault], removed: list[str], stage: str
) -> Iterator[tuple[str, str]]:
    refs = [s.ref for s in board.sites]
    if removed:
        yield "removed", " ".join(removed)
    elif rng.random() < 0.3:
        yield "removed", "-"
    replaced = _replaced(rng, board, drawn, stage)
    if replaced:
        yield "replaced", " ".join(replaced)
    if stage == "after-swap" and rng.random() < 0.15 and len(refs) > 3:
        a, b = rng.sample(refs, 2)
        if not {a, b} & set(removed):
            yield "swapped", f"{a}>{b} {b}>{a}"
    if stage in ("after-swap", "final", "before-swap") and rng.random() < 0.1:
        yield "reflowed", rng.choice(refs)


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
    bad = {f.site for f in drawn if f.kind in PACKAGE_BAD or f.kind == "removed"}
    good = [s.ref for i, s in enumerate(board.sites) if i not in bad or rng.random() < 0.03]
    return [rng.choice(good)] if good and rng.random() < 0.8 else []
