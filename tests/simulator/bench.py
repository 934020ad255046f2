"""The bench: a board with its nature on a rig with its habits, run with any faults."""

from __future__ import annotations

from msgspec import Struct

from tests.simulator.arrays import Addresses
from tests.simulator.boards import Wiring
from tests.simulator.boot import boot
from tests.simulator.counting import count, count_rows
from tests.simulator.faults import Fault
from tests.simulator.meter import heat_rows, rail_rows, value_rows
from tests.simulator.noise import Noise
from tests.simulator.plant import Nature, healthy
from tests.simulator.report import training_rows
from tests.simulator.rig import Rig
from tests.simulator.rows import Row
from tests.simulator.spill import Couplings, disturb
from tests.simulator.stand import Stand
from tests.simulator.strike import strike
from tests.simulator.wordlog import error_rows


class Bench(Struct, frozen=True):
    """All that twins share."""

    wiring: Wiring
    rig: Rig
    noise: Noise
    nature: Nature
    couplings: Couplings
    addresses: Addresses


def simulate(bench: Bench, faults: list[Fault]) -> list[Row]:
    """The rows of one run of the board with these faults."""
    plant = healthy(bench.wiring, bench.noise, bench.nature)
    for fault in faults:
        strike(plant, fault)
    for fault in faults:
        disturb(plant, fault, bench.couplings)
    rig = bench.rig
    stand = Stand(plant, rig, bench.noise, bench.addresses)
    done = boot(plant, rig, bench.noise)
    trains = "training" in rig.sections
    rows = training_rows(stand, done) if trains else []
    if rig.sections & {"counts", "errors"} and not (done.stopped and rig.count_dead == "absent"):
        passes = [count(stand, done, k, temp) for k, temp in enumerate(rig.temps or (None,))]
        if "counts" in rig.sections:
            rows += count_rows(stand, done if trains else None, passes)
        if "errors" in rig.sections:
            every = rig.count_dead == "count" or not trains or rig.warm_boot
            rows += error_rows(stand, passes, [every or ok for ok in done.trained])
    if rig.rails:
        rows += rail_rows(stand)
        if rig.heat:
            rows += heat_rows(stand)
    if rig.values:
        rows += value_rows(stand)
    return rows
