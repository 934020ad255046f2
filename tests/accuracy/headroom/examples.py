"""Examples to learn from: the places of many simulated dumps with what is so there, kept on disk
between runs in a temporary folder, for as long as the code that makes them stays as it is."""

from __future__ import annotations

import hashlib
import random
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from memdiag.boards.inferred import inferred
from memdiag.model import Board
from memdiag.reading.load import Unreadable, load
from tests.accuracy.headroom import truths
from tests.accuracy.headroom.places import CHANNEL_NAMES, RAIL_NAMES, SITE_NAMES, Dump, dump_of
from tests.accuracy.parallel import spread
from tests.simulator import scenes
from tests.simulator.scenes import Scene

ROOT = Path(__file__).resolve().parents[3]

TRAINING = range(20_000, 30_000)
"""Tuning seeds that are learnt from, as many of them as are asked for."""
HEALTHY = 3
"""Of the places where nothing is wrong, one in so many is kept, and weighs as much: most places of
a board are sound, and tell little."""
PART = 200
"""Scenes between two words of progress."""

MADE_BY = (
    *("tests/simulator", "memdiag/model", "memdiag/reading", "memdiag/layouts", "memdiag/boards"),
    *("memdiag/stats", "grammars"),
    *(f"memdiag/evidence/{n}.py" for n in ("measurements", "scans", "lane_tallies", "coverage")),
    *(f"tests/accuracy/headroom/{n}.py" for n in ("numbers", "lanes", "addresses", "places")),
    *(f"tests/accuracy/headroom/{n}.py" for n in ("truths", "examples")),
)
"""What the examples come from: the simulator, the reader, and the numbers made of rows."""

WIDTHS = {"sites": SITE_NAMES, "rails": RAIL_NAMES, "channels": CHANNEL_NAMES}


class Examples(Struct, frozen=True):
    """Places of one kind: a row of numbers each, what is so there, and how much it weighs."""

    rows: npt.NDArray[np.float32]
    so: npt.NDArray[np.int8]
    weight: npt.NDArray[np.float32]


def read(scene: Scene) -> tuple[Dump, Board]:
    """The dump of a scene in numbers, and the board it was read by: a profile where there is one.

    Raises `memdiag.reading.load.Unreadable` like any reader."""
    run = load(scene.text, board=scene.board if scene.known else None)[0]
    board = scene.board if scene.known else inferred(run)
    return dump_of(run, board), board


def of_seed(seed: int) -> dict[str, Examples]:
    """The examples of one scene; none where its dump cannot be read."""
    scene = scenes.draw(seed)
    try:
        dump, board = read(scene)
    except Unreadable:
        return {}
    so = truths.classes(dump.sites, dump.rails, dump.channels, scene.truth, board)
    tables = (dump.of_sites, dump.of_rails, dump.of_channels)
    rng = random.Random(f"headroom/{seed}")
    return {
        kind: _kept(table, classes, rng)
        for kind, table, classes in zip(WIDTHS, tables, so, strict=True)
    }


def _kept(table: npt.NDArray[np.float64], so: Sequence[int], rng: random.Random) -> Examples:
    kept = [i for i, c in enumerate(so) if c or rng.randrange(HEALTHY) == 0]
    weight = [1.0 if so[i] else float(HEALTHY) for i in kept]
    return Examples(
        table[kept].astype(np.float32),
        np.array([so[i] for i in kept], np.int8),
        np.array(weight, np.float32),
    )


def gathered(seeds: Sequence[int], processes: int) -> Mapping[str, Examples]:
    """The examples of these seeds, from the disk where they have been made before."""
    path = Path(tempfile.gettempdir()) / f"memdiag-headroom-{_fingerprint(seeds)}.npz"
    if not path.exists():
        made = _made(seeds, processes)
        arrays: dict[str, Any] = {
            f"{kind} {name}": getattr(found, name)
            for kind, found in made.items()
            for name in ("rows", "so", "weight")
        }
        part = path.with_suffix(f".{time.time_ns()}.part")
        with part.open("wb") as file:
            np.savez(file, **arrays)
        part.replace(path)
    with np.load(path, allow_pickle=False) as kept:
        return {
            kind: Examples(*(kept[f"{kind} {name}"] for name in ("rows", "so", "weight")))
            for kind in WIDTHS
        }


def _made(seeds: Sequence[int], processes: int) -> Mapping[str, Examples]:
    found: list[dict[str, Examples]] = []
    started = time.perf_counter()
    for start in range(0, len(seeds), PART):
        found += spread(of_seed, seeds[start : start + PART], processes)
        took = time.perf_counter() - started
        print(f"headroom: {len(found)} of {len(seeds)} scenes, {took:.0f} s", file=sys.stderr)
    return {
        kind: _joined([f[kind] for f in found if f], len(names)) for kind, names in WIDTHS.items()
    }


def _joined(parts: Sequence[Examples], width: int) -> Examples:
    return Examples(
        np.concatenate([np.empty((0, width), np.float32), *(p.rows for p in parts)]),
        np.concatenate([np.empty(0, np.int8), *(p.so for p in parts)]),
        np.concatenate([np.empty(0, np.float32), *(p.weight for p in parts)]),
    )


def _fingerprint(seeds: Sequence[int]) -> str:
    """Of the seeds and of all code that makes an example of them."""
    mark = hashlib.sha256(f"{seeds[0]} {len(seeds)} {HEALTHY}".encode())
    for path in _sources():
        mark.update(path.read_bytes())
    return mark.hexdigest()[:16]


def _sources() -> Iterator[Path]:
    for name in MADE_BY:
        path = ROOT / name
        found = path.rglob("*") if path.is_dir() else [path]
        yield from sorted(p for p in found if p.suffix in (".py", ".lark"))
