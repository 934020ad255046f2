"""A stress pass: how many bits of each line come back wrong, and which way."""

from __future__ import annotations

import numpy as np
from msgspec import Struct, field

from tests.simulator.arrays import WeakArray
from tests.simulator.boot import Boot
from tests.simulator.noise import Floats, binomial_at, binomials_at, poisson_at
from tests.simulator.physics import CRC_MISS, error_rate, retention
from tests.simulator.plant import NOISY, Stride
from tests.simulator.rows import Row
from tests.simulator.stand import Scope, Stand
from tests.simulator.strays import Stray, strays

GARBAGE, CONSTANT = "garbage", "constant"


class Counts(Struct):
    """One pass at one temperature, by link and dq. `pins` are the errors of weak edges, at bit
    error rate `rates`; `lost` names the lanes that read nothing but rubbish; `hits` says how often
    each cell of a sick array failed."""

    temp: float | None
    warmer: float
    rates: Floats  # (links, 8)
    lost: dict[int, str]
    rose: Floats  # (links, 8)
    fell: Floats
    edc: Floats  # (links,) bursts
    cells: Floats  # (links,) distinct addresses
    pins: Floats  # (links, 8)
    hits: dict[int, list[int]] = field(default_factory=dict)  # site -> times, cell by cell
    strays: list[Stray] = field(default_factory=list)
    bursts: list[tuple[int, int]] = field(default_factory=list)  # (link, bits)

    def add(self, link: int, dq: int, level: int, wrong: float) -> None:
        (self.rose if level else self.fell)[link, dq] += wrong


def lost_lanes(stand: Stand, done: Boot) -> dict[int, str]:
    """Lanes that deliver no data at all, and what they read instead."""
    plant, rig = stand.plant, stand.rig
    found: dict[int, str] = {}
    for i, (site, at) in enumerate(stand.wiring.links):
        phy = plant.phy.get(at.channel)
        deaf = phy == "deaf" or i in plant.phy_lanes
        if not plant.answers(i):
            found[i] = CONSTANT if phy != "dead" else GARBAGE
        elif deaf or plant.ca.get((site, at.channel)) == "partial":
            found[i] = GARBAGE
        elif i in plant.strobe:
            found[i] = CONSTANT if plant.strobe[i] == "silent" else GARBAGE
        elif rig.untrained_lost and not done.trained[i] and not rig.warm_boot:
            found[i] = GARBAGE
    return found


def count(stand: Stand, done: Boot, nth: int, temp: float | None) -> Counts:
    """Run the test once over every lane."""
    plant, rig, noise = stand.plant, stand.rig, stand.noise
    links = len(stand.wiring.links)
    warmer = 0.0 if temp is None else temp - rig.ambient
    dj, rj = plant.eyes(done.last.rate, warmer)
    offset = 0.25 * plant.nature.lane_spread + 0.01 * np.abs(noise.normal("offset", 2, links, 8))
    got = Counts(
        temp,
        warmer,
        error_rate(dj, rj, offset).sum(axis=0),
        lost_lanes(stand, done),
        np.zeros((links, 8)),
        np.zeros((links, 8)),
        np.zeros(links),
        np.zeros(links),
        np.zeros((links, 8)),
    )
    u = noise.uniform(f"count{nth}", links, 8)
    split = noise.uniform(f"split{nth}", links, 8)
    for i in range(links):
        _lane(stand, got, i, u[i], split[i])
    _bridges(stand, got, u)
    _arrays(stand, got, nth)
    for stride in plant.strides:
        _stride(stand, got, stride)
    _strays(stand, got, nth)
    _disturbed(stand, got, nth)
    return got


def _span(stand: Stand) -> tuple[float, float]:
    """(distinct accesses, accesses in all) of one lane in one run."""
    bits = 8 * stand.beats
    every = stand.rig.bits / bits
    return min(every, 2.0 ** (stand.addresses.bits - stand.addresses.low)), every


def _lane(stand: Stand, got: Counts, i: int, u: Floats, split: Floats) -> None:
    """The lines of one lane: open, weak, or reading what another address holds."""
    plant = stand.plant
    site, at = stand.wiring.links[i]
    words, bursts = _span(stand)
    per = stand.rig.bits / 8
    lost = got.lost.get(i)
    open_lines = 0
    for d in stand.owned(i):
        if lost or plant.stuck[i, d]:
            level = NOISY if lost == GARBAGE else plant.float_to[i, d]
            up, down = _undriven(per, level, float(u[d]))
            open_lines += 1
        else:
            rate = float(got.rates[i, d])
            # past a few per cent errors are no longer rare: the binomial is their law
            weak = poisson_at(per * rate, u[d]) if rate < 0.05 else binomial_at(per, rate, u[d])
            up = binomial_at(weak, float(plant.bias[i, d]), float(split[d]))
            down = weak - up
            got.pins[i, d] = weak
            if weak:
                got.cells[i] += min(weak, words)
                got.edc[i] += binomial_at(min(weak, bursts), 1 - CRC_MISS, 0.5)
        got.rose[i, d] += up
        got.fell[i, d] += down
    if open_lines:
        got.edc[i] = round(bursts * (1 - CRC_MISS if lost else 1.0))
        got.cells[i] = words
    if i in plant.edc_open:
        got.edc[i] = round(bursts * (1 - CRC_MISS))
    if (site, at.channel, at.rank) in plant.alias and not lost:
        for d in stand.owned(i):
            wrong = binomial_at(per, 0.25, float(u[d]))
            got.add(i, d, 1, wrong // 2)
            got.add(i, d, 0, wrong - wrong // 2)
        got.cells[i] += words / 2


def _undriven(per: float, level: float, u: float) -> tuple[int, int]:
    """Balanced data against a line that reads one level: wrong for the other half of the bits."""
    wrong = binomial_at(per, 0.5, u)
    if level == 1:
        return wrong, 0
    if level == 0:
        return 0, wrong
    return wrong // 2, wrong - wrong // 2


def _bridges(stand: Stand, got: Counts, u: Floats) -> None:
    """Two lines that always read alike: each is wrong where it alone should have been different,
    a quarter of its bits."""
    words, bursts = _span(stand)
    for a, one, b, two, mode in stand.plant.bridges:
        for link, dq in ((a, one), (b, two)):
            if link in got.lost or stand.plant.stuck[link, dq]:
                continue
            wrong = binomial_at(stand.rig.bits / 8, 0.25, float(u[link, dq]))
            got.add(link, dq, 0 if mode == "and" else 1, wrong)
            got.edc[link] = round(bursts)
            got.cells[link] = words


def _arrays(stand: Stand, got: Counts, nth: int) -> None:
    """Sick cells fail in some of the passes in which the opposite was written: half of them."""
    for sick in stand.plant.arrays:
        u = stand.noise.uniform(f"array{sick.site}-{nth}", max(1, len(sick.cells)))
        weight = sick.weight
        seen: dict[int, set[tuple[int, int, int]]] = {}
        times = _failed(stand, got, sick, u)
        for cell, hit in zip(sick.cells, times, strict=True):
            if hit:
                got.add(cell.link, cell.dq, cell.level, round(hit * weight))
                seen.setdefault(cell.link, set()).add((cell.bank, cell.row, cell.col))
        got.hits[sick.site] = times
        for link, places in seen.items():
            got.cells[link] += max(1, round(len(places) * weight))


def _failed(stand: Stand, got: Counts, sick: WeakArray, u: Floats) -> list[int]:
    """How often each cell failed. Cells of one chance share one law."""
    times = [0] * len(sick.cells)
    for rate in sorted({cell.chance for cell in sick.cells}):
        same = [j for j, c in enumerate(sick.cells) if c.chance == rate and c.link not in got.lost]
        chance = min(1.0, retention(rate, got.warmer, 0.0, sick.warm))
        for j, hit in zip(same, binomials_at(stand.passes, chance / 2, u[same]), strict=True):
            times[j] = hit
    return times


def _stride(stand: Stand, got: Counts, stride: Stride) -> None:
    places = stride.count(stand.addresses)
    for link in stride.hits:
        if link not in got.lost:
            got.add(link, stride.dq, stride.level, places * stand.passes)
            got.cells[link] += places
            if stride.checked:
                got.edc[link] += places * stand.passes


def _strays(stand: Stand, got: Counts, nth: int) -> None:
    """The stray words of this pass, whatever the board is like."""
    for stray in strays(stand, nth):
        if stray.link not in got.lost:
            for d, level in stray.bits:
                got.add(stray.link, d, level, 1)
            got.cells[stray.link] += 1
            got.edc[stray.link] += stray.checked
            got.strays.append(stray)


def _disturbed(stand: Stand, got: Counts, nth: int) -> None:
    """Bursts of a few wrong bits on the lanes of sites that something else disturbs."""
    wiring, plant = stand.wiring, stand.plant
    u = stand.noise.uniform(f"burst{nth}", len(wiring.links), 9)
    for link in range(len(wiring.links)):
        site = wiring.site_of[link]
        share = float(plant.bursts[site]) / max(1, len(wiring.of_site[site]))
        if link in got.lost or share <= 0:
            continue
        for k in range(min(4, poisson_at(share, float(u[link, 8])))):
            bits = 1 + int(u[link, 2 * k] * 4)
            dq = stand.owned(link)[int(u[link, 2 * k + 1] * len(stand.owned(link)))]
            got.add(link, dq, int(u[link, 2 * k] * 8) % 2, bits)
            got.edc[link] += 1
            got.cells[link] += 1
            got.bursts.append((link, bits))


def count_rows(stand: Stand, done: Boot | None, passes: list[Counts]) -> list[Row]:
    """`[counts]` as the rig prints it. `done` is None where it knows of no training."""
    rig = stand.rig
    rows: list[Row] = []
    for got in passes:
        for scope, links in stand.grouped(rig.count_detail):
            failed = done is not None and not any(done.trained[i] for i in links)
            untested = failed and not rig.warm_boot and rig.count_dead != "count"
            if untested and rig.count_dead == "absent":
                continue
            lines = stand.owned(links[0]) if rig.count_detail == "dq" else (None,)
            for d in lines:
                row = _count_row(stand, got, dict(scope), links, d)
                if untested:
                    row.cells.update(dict.fromkeys(set(row.cells) & _COUNTED))
                if rig.count_clean or row.cells["errors"] != 0:
                    rows.append(row)
    return rows


_COUNTED = {"bits", "errors", "rose", "fell", "edc", "cells"}


def _count_row(stand: Stand, got: Counts, cells: Scope, links: list[int], d: int | None) -> Row:
    rig = stand.rig
    if d is not None:
        cells["dq"] = d
    if got.temp is not None:
        cells["temp"] = got.temp
    pick = slice(None) if d is None else d
    rose, fell = float(got.rose[links, pick].sum()), float(got.fell[links, pick].sum())
    lines = sum(len(stand.owned(i)) for i in links) if d is None else 1
    cells["test"] = rig.test
    cells["bits"] = round(rig.bits / 8 * lines)
    cells["errors"] = round(rose + fell)
    if rig.directions:
        cells["rose"], cells["fell"] = round(rose), round(fell)
    if rig.count_edc and d is None:
        cells["edc"] = round(float(got.edc[links].sum()))
    if rig.cells and d is None:
        cells["cells"] = round(min(float(got.cells[links].sum()), rose + fell))
    return Row("counts", cells, stand.sites(links))
