"""The bench meter and the current-limited supply: ohms, injections, and other readings."""

from __future__ import annotations

import random
from typing import Any

from memdiag.model import Rail
from tests.simulator.physics import charging, parallel
from tests.simulator.plant import Plant
from tests.simulator.rows import Row
from tests.simulator.stand import Stand

PACKAGE_SHARE = 0.6
"""Share of a memory rail's conductance that its packages account for."""


def settled_ohms(plant: Plant, rail: Rail, healthy: float) -> float:
    """The rail to ground with the board off: its network, its packages, and what shorts it."""
    board = plant.wiring.board
    on = [i for i, s in enumerate(board.sites) if rail.name in s.rails]
    parts: list[float] = []
    if on:
        each = healthy * len(on) / PACKAGE_SHARE
        parts = [healthy / (1 - PACKAGE_SHARE)] + [each for i in on if plant.present[i]]
    else:
        parts = [healthy]
    shunts = [
        ohms for ohms, site in plant.shunt.get(rail.name, []) if site is None or plant.present[site]
    ]
    return parallel(*parts, *shunts) * plant.series.get(rail.name, 1.0)


def rail_rows(stand: Stand) -> list[Row]:
    """`[rails]`: each rail touched for some seconds, large capacitors still charging."""
    plant = stand.plant
    rows = []
    for k, rail in enumerate(plant.wiring.board.rails):
        rng = random.Random(f"{stand.noise.seed}/rail/{k}")
        typical = rail.healthy_ohms_typical or 130.0
        healthy = typical * rng.uniform(0.9, 1.1)
        settled = settled_ohms(plant, rail, healthy)
        farads, seconds = 10 ** rng.uniform(-4, -2), rng.uniform(1.0, 8.0)
        read = charging(settled, farads, seconds) * rng.uniform(0.99, 1.01)
        still = read < 0.95 * settled
        cells: dict[str, Any] = {"rail": rail.name, "ohms": read}
        cells["trend"] = ("rising" if still else "settled") if rng.random() < 0.9 else None
        rows.append(Row("rails", cells, sites_on(plant, rail.name)))
    return rows


def heat_rows(stand: Stand) -> list[Row]:
    """`[heat]`: an injection into every rail that a meter finds well below its usual ohms."""
    plant = stand.plant
    rows = []
    for k, rail in enumerate(plant.wiring.board.rails):
        rng = random.Random(f"{stand.noise.seed}/heat/{k}")
        healthy = (rail.healthy_ohms_typical or 130.0) * rng.uniform(0.9, 1.1)
        ohms = settled_ohms(plant, rail, healthy)
        lot = rng.uniform(6, 20)
        shunts = [o for o, s in plant.shunt.get(rail.name, []) if s is None or plant.present[s]]
        if not shunts or ohms > 0.5 * healthy:
            continue
        limit = rail.inject_amps_max or 3.0
        amps = min(limit, min(1.0, rail.inject_volts_max or 1.0) / ohms)
        volts = amps * ohms
        watts = volts * volts / min(shunts)
        cells: dict[str, Any] = {"rail": rail.name, "volts": volts, "amps": amps}
        rise = watts * lot
        cells["hottest"] = plant.hot.get(rail.name) if rise > 1.0 else None
        cells["rise"] = rise if rise > 1.0 else None
        rows.append(Row("heat", cells, sites_on(plant, rail.name)))
    return rows


def value_rows(stand: Stand) -> list[Row]:
    """`[values]`: readings that mean little, and now and then a supply's own."""
    plant = stand.plant
    rng = random.Random(f"{stand.noise.seed}/values")
    rows = [
        Row("values", {"name": "t_ctl", "value": f"{rng.uniform(38, 61):.0f}C"}),
        Row("values", {"name": "vctl", "value": f"{rng.uniform(0.89, 0.92):.3f}V"}),
    ]
    if rng.random() < 0.3:
        for rail in plant.wiring.board.rails:
            if rail.volts is None:
                continue
            share = plant.volts.get(rail.name, 1.0) * rng.uniform(0.992, 1.008)
            rows.append(
                Row(
                    "values",
                    {"name": rail.name, "value": f"{rail.volts * share:.3f}V"},
                    sites_on(plant, rail.name),
                )
            )
    edge = plant.nature.edge_heat
    if edge and rng.random() < 0.5:
        for i, site in enumerate(plant.wiring.board.sites):
            warm = rng.uniform(0.6, 1.0) * edge * (i % 4 == 0)
            if plant.present[i]:
                name = f"t_{site.ref}"
                rows.append(Row("values", {"name": name, "value": f"{45 + warm:.0f}C"}, (i,)))
    return rows


def sites_on(plant: Plant, rail: str) -> tuple[int, ...]:
    return tuple(i for i, s in enumerate(plant.wiring.board.sites) if rail in s.rails)
