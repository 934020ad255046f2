"""How a fault disturbs healthy neighbours, by every way two sites can be joined.

The strengths are properties of the board on the bench, drawn once a scene. They fall in the
order clamshell, partition, rail, place; the boot sequence's own share lives in the rig.
"""

from __future__ import annotations

import random

from msgspec import Struct

from tests.simulator.faults import Fault
from tests.simulator.plant import Plant


class Couplings(Struct, frozen=True):
    """Deterministic jitter (UI) that an absent package adds to a neighbour, by relation, and
    the disturbances (bursts of errors) in a run."""

    clamshell: float
    partition: float
    rail: float
    place: float
    bursts: float

    @classmethod
    def draw(cls, rng: random.Random) -> Couplings:
        def some(share: float, most: float) -> float:
            return rng.uniform(0.1, 1.0) * most if rng.random() < share else 0.0

        return cls(some(0.8, 0.25), some(0.6, 0.16), some(0.4, 0.10), some(0.4, 0.06), some(0.6, 4))


def disturb(plant: Plant, fault: Fault, couplings: Couplings) -> None:
    """Add to every site that is not struck itself what this fault does to it."""
    board = plant.wiring.board
    if fault.spill() == 0:
        return
    struck = set(fault.sites)
    offset = len(fault.spread) - len(board.sites)
    for i, site in enumerate(board.sites):
        if i in struck:
            continue
        ways: set[str] = set()
        for j in struck:
            ways |= board.couplings(board.sites[j].ref, site.ref)
        own = 0.3 + 0.7 * fault.spread[offset + i]
        jitter = own * sum(
            _scale(fault, way) * getattr(couplings, way)
            for way in ("clamshell", "partition", "rail", "place")
            if way in ways
        )
        if jitter > 0:
            for link in plant.wiring.of_site[i]:
                plant.dj[:, link] += jitter
            plant.bursts[i] += couplings.bursts * jitter / 0.15


def _scale(fault: Fault, way: str) -> float:
    """How much of an absent package's disturbance this fault makes. Soft pins on a shared stub
    pull the partner's edges with them as far as they are soft."""
    if way == "clamshell" and fault.kind == "pins":
        return max(fault.spill(), 0.7 * fault.depth)
    return fault.spill()
