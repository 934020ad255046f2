"""Dumps that stop too early: a paste that was cut, a scan that was not done."""

from __future__ import annotations

import random
from collections.abc import Sequence

from tests.simulator.rows import Row

Placed = Sequence[tuple[Row, int]]
"""Each row, and the line (from 0) that it stands on."""


def shortened(
    lines: list[str], where: Placed, dirt: Sequence[str], rng: random.Random
) -> tuple[list[str], frozenset[int]]:
    """The lines that are left, and the numbers of those lost or broken."""
    every = range(len(lines))
    if "cut" in dirt:
        cut = min(len(lines), max(14, round(len(lines) * rng.uniform(0.6, 0.97))))
        broken = lines[cut - 1][: rng.randint(0, len(lines[cut - 1]))]
        return [*lines[: cut - 1], broken], frozenset(every[cut - 1 :])
    scan = _scan(where) if "scan" in dirt else []
    if len(scan) < 2:
        return lines, frozenset()
    first = rng.choice(scan[1:])
    last = max(line for row, line in where if row.section == "training")
    # the paste was cut there, or the rig gave up and went on with what else it prints
    stop = len(lines) if rng.random() < 0.5 else last + 1
    end = next(k for k in reversed(every) if lines[k].startswith("[end]"))
    lost = {*range(first, stop), end}
    return [lines[k] for k in every if k not in lost], frozenset(lost)


def _scan(where: Placed) -> list[int]:
    """The lines of the last data step that is scanned lane by lane."""
    rows = [(row.cells, line) for row, line in where if row.section == "training"]
    steps = [cells["step"] for cells, _ in rows if cells["step"] in ("read", "write")]
    if not steps:
        return []
    attempt = rows[-1][0].get("attempt")
    return [
        line
        for cells, line in rows
        if cells["step"] == steps[-1] and cells.get("attempt") == attempt
    ]
