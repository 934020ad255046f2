"""What each fault does to the plant, neighbours not counted."""

from __future__ import annotations

import numpy as np

from tests.simulator.faults import Fault, auxiliary
from tests.simulator.plant import READ, WRITE, Plant, Stride


def strike(plant: Plant, fault: Fault) -> None:
    """Do to the plant what the fault does, in place."""
    {
        "missing": _gone,
        "removed": _gone,
        "array": _array,
        "pins": _pins,
        "open-data": _open_data,
        "open-strobe": _open_strobe,
        "open-edc": _open_edc,
        "open-ca": _open_ca,
        "open-address": _open_address,
        "bridge": _bridge,
        "rail-low": _rail_low,
        "short-cap": _short_cap,
        "short-package": _short_package,
        "phy-block": _phy,
        "phy-channel": _phy,
        "phy-lane": _phy,
        "stride": _stride,
    }[fault.kind](plant, fault)


def _gone(plant: Plant, fault: Fault) -> None:
    assert fault.site is not None
    if fault.kind == "removed":
        plant.present[fault.site] = False
    else:
        plant.alive[fault.site] = False


def _array(plant: Plant, fault: Fault) -> None:
    assert fault.array is not None
    plant.arrays.append(fault.array)


def _pins(plant: Plant, fault: Fault) -> None:
    """Drivers or receivers of one package gone soft: graded over its lanes and lines."""
    assert fault.site is not None
    for k, link in enumerate(plant.wiring.of_site[fault.site]):
        grade = 0.75 + 0.5 * fault.spread[k]
        for way in (READ, WRITE):
            share = 1.0 if fault.mode in ("both", ("read", "write")[way]) else 0.15
            lines = 0.8 + 0.4 * np.array(fault.spread[8 * k % 40 : 8 * k % 40 + 8] + (0.5,) * 8)[:8]
            plant.dj[way, link] += 0.42 * fault.depth * grade * share * lines
            plant.rj[way, link] *= 1.0 + 1.3 * fault.depth * grade * share


def _open_data(plant: Plant, fault: Fault) -> None:
    assert fault.link is not None and fault.dq is not None
    if fault.mode == "hard":
        plant.stuck[fault.link, fault.dq] = 1
        return
    # a high-ohmic ball: a slow, small edge that leans to where termination pulls
    level = plant.float_to[fault.link, fault.dq]
    plant.dj[:, fault.link, fault.dq] += 0.35 + 0.3 * fault.depth
    plant.rj[:, fault.link, fault.dq] *= 2.0 + 2.0 * fault.depth
    plant.bias[fault.link, fault.dq] = {0.0: 0.15, 1.0: 0.85}.get(float(level), 0.5)


def _open_strobe(plant: Plant, fault: Fault) -> None:
    assert fault.link is not None
    if fault.mode == "ragged":  # a high-ohmic ball: the lane is sampled, at edges that wander
        plant.dj[:, fault.link] += 0.5 * fault.depth
        plant.rj[:, fault.link] *= 1.0 + fault.depth
    else:
        plant.strobe[fault.link] = fault.mode


def _open_edc(plant: Plant, fault: Fault) -> None:
    assert fault.link is not None
    plant.edc_open.add(fault.link)


def _open_ca(plant: Plant, fault: Fault) -> None:
    assert fault.site is not None
    plant.ca[(fault.site, fault.channel)] = fault.mode


def _open_address(plant: Plant, fault: Fault) -> None:
    assert fault.site is not None and fault.rank is not None and fault.line is not None
    plant.alias[(fault.site, fault.channel, fault.rank)] = fault.line


def _bridge(plant: Plant, fault: Fault) -> None:
    assert fault.link is not None and fault.dq is not None and fault.other is not None
    plant.bridges.append((fault.link, fault.dq, *fault.other, fault.mode))


def _rail_low(plant: Plant, fault: Fault) -> None:
    """A regulator or its path that sags."""
    assert fault.rail is not None
    _sag(plant, fault, fault.sites, fault.depth)
    plant.volts[fault.rail] = 1.0 - fault.depth
    if fault.bit == 1:  # a leaky part loads it
        plant.shunt.setdefault(fault.rail, []).append((8.0 + 60.0 * fault.spread[0], None))
        plant.hot[fault.rail] = f"Q{1 + int(fault.spread[2] * 30)}"
    elif fault.bit == 2:  # the path to the packages is high-ohmic where the probe sits
        plant.series[fault.rail] = 2.5 + 5.0 * fault.spread[1]


def _sag(plant: Plant, fault: Fault, sites: tuple[int, ...], depth: float) -> None:
    """One drop for all that hang on the rail, but for a few per cent; along the copper it grows
    where that is thin."""
    for k, site in enumerate(sites):
        along = 1.0 + fault.grade * k / max(1, len(sites) - 1)
        plant.supply[site] -= depth * along * (0.97 + 0.06 * fault.spread[site])


def _short_cap(plant: Plant, fault: Fault) -> None:
    assert fault.rail is not None
    for site in fault.sites:
        plant.supply[site] = min(plant.supply[site], 0.1)
    plant.volts[fault.rail] = 0.02
    plant.shunt.setdefault(fault.rail, []).append((fault.depth, None))
    plant.hot[fault.rail] = f"C{100 + int(fault.spread[0] * 800)}"


def _short_package(plant: Plant, fault: Fault) -> None:
    """A shorted die: gone itself, and the rail sags for all others on it."""
    assert fault.site is not None and fault.rail is not None
    board = plant.wiring.board
    site = board.sites[fault.site]
    plant.alive[fault.site] = False
    rails = [fault.rail]
    if fault.mode == "all":
        rails += [name for name in site.rails if name != fault.rail]
    for k, name in enumerate(rails):
        plant.shunt.setdefault(name, []).append((fault.depth * (1.0 + 1.8 * k), fault.site))
        plant.hot[name] = site.ref
    drop = 0.01 + 0.10 * fault.spread[0] ** 2
    if not auxiliary(board, fault.rail):
        fed = [i for i, s in enumerate(board.sites) if i != fault.site and fault.rail in s.rails]
        _sag(plant, fault, tuple(fed), drop)
    plant.volts[fault.rail] = 1.0 - drop


def _phy(plant: Plant, fault: Fault) -> None:
    """A PHY block, channel or lane slice of the controller: deaf (slow access works, fast does
    not), thin, mixed (some lanes deaf, the others thin), or dead (nothing gets out)."""
    if fault.mode in ("thin", "mixed"):
        for k, link in enumerate(fault.hits):
            # each lane has its own degree, none at all where they scatter most
            degree = fault.depth * (1.0 + fault.scatter * (2.0 * fault.spread[2 * k] - 1.0))
            plant.dj[:, link] += 0.6 * degree
            plant.rj[:, link] *= 1.0 + degree
            if fault.mode == "mixed" and fault.spread[2 * k + 1] < 0.4:
                plant.phy_lanes.add(link)
    elif fault.kind == "phy-lane":
        plant.phy_lanes.update(fault.hits)
    else:
        for link in fault.hits:
            plant.phy[plant.wiring.links[link][1].channel] = fault.mode


def _stride(plant: Plant, fault: Fault) -> None:
    assert fault.dq is not None and fault.bit is not None
    step = 1 << (fault.bit + 8)
    plant.strides.append(
        Stride(
            fault.hits,
            fault.dq,
            int(fault.spread[0] * step) & ~31,
            step,
            int(fault.spread[1] < 0.5),
            fault.spread[2] < 0.5,
        )
    )
