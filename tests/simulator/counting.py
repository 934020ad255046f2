"""A stress pass: how many bits of each line come back wrong, and which way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.simulator.arrays import Addresses
from tests.simulator.boot import Boot
from tests.simulator.noise import Floats, Noise, binomial_at, poisson_at
from tests.simulator.physics import BURST, CRC_MISS, error_rate, retention
from tests.simulator.plant import NOISY, Plant
from tests.simulator.report import grouped, means
from tests.simulator.rig import Rig
from tests.simulator.rows import Row

GARBAGE, CONSTANT, THIN = "garbage", "constant", "thin"


@dataclass
class Counts:
    """One pass at one temperature. Arrays by link and dq; `rates` is the bit error rate of the
    pins alone, `lost` names the lanes that read nothing but rubbish."""

    temp: float | None
    rose: Floats  # (links, 8)
    fell: Floats
    edc: Floats  # (links,) bursts
    cells: Floats  # (links,) distinct addresses
    rates: Floats  # (links, 8)
    lost: dict[int, str]
    soft: list[tuple[int, int, bool]]  # (link, dq, link check saw it)
    bursts: list[tuple[int, int]]  # (link, bits)


def lost_lanes(plant: Plant, rig: Rig, done: Boot | None) -> dict[int, str]:
    """Lanes that deliver no data at all, and what they read instead."""
    found: dict[int, str] = {}
    for i, (site, at) in enumerate(plant.wiring.links):
        channel = plant.phy.get(at.channel)
        if not plant.answers(i):
            found[i] = CONSTANT if channel != "dead" else GARBAGE
        elif channel == "deaf" or i in plant.phy_lanes:
            found[i] = GARBAGE
        elif plant.ca.get((site, at.channel)) == "partial":
            found[i] = GARBAGE
        elif i in plant.strobe:
            found[i] = CONSTANT if plant.strobe[i] == "silent" else GARBAGE
        elif rig.untrained_lost and done is not None and not done.trained[i] and not rig.warm_boot:
            found[i] = GARBAGE
    return found


def count(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, done: Boot | None, nth: int,
    temp: float | None,
) -> Counts:  # fmt: skip
    """Run the test once over every lane."""
    links = len(plant.wiring.links)
    warmer = 0.0 if temp is None else temp - rig.ambient
    rate = done.last.rate if done is not None else 1.0
    dj, rj = plant.eyes(rate, warmer)
    offset = 0.25 * plant.nature.lane_spread + 0.01 * np.abs(noise.normal("offset", 2, links, 8))
    rates = error_rate(dj, rj, offset).sum(axis=0)
    lines = 8
    per = rig.bits / lines
    rose, fell = np.zeros((links, lines)), np.zeros((links, lines))
    u = noise.uniform(f"count{nth}", links, lines)
    spread = noise.uniform(f"split{nth}", links, lines)
    lost = lost_lanes(plant, rig, done)
    edc, cells = np.zeros(links), np.zeros(links)
    burst_bits = BURST.get(plant.family, 8)
    span = min(rig.bits, 2.0 ** (addresses.bits - addresses.low) * 8 * burst_bits)
    words = span / (8 * burst_bits)
    bursts = rig.bits / (8 * burst_bits)
    shut = np.zeros((links, lines), bool)
    for i, (site, at) in enumerate(plant.wiring.links):
        owned = at.dqs or tuple(range(lines))
        for d in owned:
            level = plant.float_to[i, d]
            if i in lost and lost[i] == GARBAGE:
                level = NOISY
            if i in lost or plant.stuck[i, d]:
                up, down = _undriven(per, level, float(u[i, d]))
                shut[i, d] = True
            else:
                mean = per * float(rates[i, d])
                n = poisson_at(mean, float(u[i, d])) if rates[i, d] < 0.05 else binomial_at(
                    per, float(rates[i, d]), float(u[i, d]))
                up = binomial_at(n, float(plant.bias[i, d]), float(spread[i, d]))
                down = n - up
                if n:
                    cells[i] += min(n, words)
                    edc[i] += binomial_at(min(n, bursts), 1 - CRC_MISS, 0.5)
            rose[i, d] += up
            fell[i, d] += down
        if shut[i].any():
            whole = i in lost
            edc[i] = round(bursts * (1 - CRC_MISS if whole else 1.0))
            cells[i] = words
        if i in plant.edc_open:
            edc[i] = round(bursts * (1 - CRC_MISS))
        alias = plant.alias.get((site, at.channel, at.rank))
        if alias is not None and i not in lost:
            for d in owned:
                wrong = binomial_at(per, 0.25, float(u[i, d]))
                rose[i, d] += wrong // 2
                fell[i, d] += wrong - wrong // 2
            cells[i] += words / 2
    _bridges(plant, per, u, lost, shut, rose, fell, edc, cells, words, bursts)
    _arrays(plant, rig, noise, nth, warmer, lost, rose, fell, cells)
    _strides(plant, per, lost, rose, fell, edc, cells)
    soft, disturbed = _stray(plant, noise, nth, lost, rose, fell, edc, cells)
    return Counts(temp, rose, fell, edc, cells, rates, lost, soft, disturbed)


def _undriven(per: float, level: float, u: float) -> tuple[int, int]:
    """Balanced data against a line that reads one level: wrong for the other half of the bits."""
    wrong = binomial_at(per, 0.5, u)
    if level == 1:
        return wrong, 0
    if level == 0:
        return 0, wrong
    return wrong // 2, wrong - wrong // 2


def _bridges(
    plant: Plant, per: float, u: Floats, lost: dict[int, str], shut: Any, rose: Floats,
    fell: Floats, edc: Floats, cells: Floats, words: float, bursts: float,
) -> None:  # fmt: skip
    """Two lines that always read alike: each is wrong where it alone should have been different,
    a quarter of its bits."""
    for a, one, b, two, mode in plant.bridges:
        for link, dq in ((a, one), (b, two)):
            if link in lost or shut[link, dq]:
                continue
            wrong = binomial_at(per, 0.25, float(u[link, dq]))
            (fell if mode == "and" else rose)[link, dq] += wrong
            edc[link] = round(bursts)
            cells[link] = words


def _arrays(
    plant: Plant, rig: Rig, noise: Noise, nth: int, warmer: float, lost: dict[int, str],
    rose: Floats, fell: Floats, cells: Floats,
) -> None:  # fmt: skip
    for sick in plant.arrays:
        passes = passes_of(rig)
        u = noise.uniform(f"array{sick.site}-{nth}", 2, max(1, len(sick.cells)))
        weight = sick.size / max(1, len({(c.bank, c.row, c.col) for c in sick.cells}))
        seen: dict[int, set[tuple[int, int, int]]] = {}
        for j, cell in enumerate(sick.cells):
            if cell.link in lost:
                continue
            chance = min(1.0, retention(cell.chance, warmer, 0.0, sick.warm))
            times = binomial_at(passes, chance * 0.5, float(u[0, j]))
            if times:
                (rose if cell.level else fell)[cell.link, cell.dq] += round(times * weight)
                seen.setdefault(cell.link, set()).add((cell.bank, cell.row, cell.col))
        for link, places in seen.items():
            cells[link] += max(1, round(len(places) * weight))


def passes_of(rig: Rig) -> int:
    """How often each cell of the tested span is read in one run."""
    return max(1, round(rig.bits / 2.0**30))


def _strides(
    plant: Plant, per: float, lost: dict[int, str], rose: Floats, fell: Floats, edc: Floats,
    cells: Floats,
) -> None:  # fmt: skip
    for stride in plant.strides:
        for link in stride.hits:
            if link in lost:
                continue
            wrong = max(1, round(0.5 * per / stride.step / 64))
            (rose if stride.level else fell)[link, stride.dq] += wrong
            cells[link] += wrong
            if stride.checked:
                edc[link] += wrong


def _stray(
    plant: Plant, noise: Noise, nth: int, lost: dict[int, str], rose: Floats, fell: Floats,
    edc: Floats, cells: Floats,
) -> tuple[list[tuple[int, int, bool]], list[tuple[int, int]]]:  # fmt: skip
    """Soft errors anywhere, and bursts on the lanes of disturbed sites."""
    links = len(plant.wiring.links)
    u = noise.uniform(f"soft{nth}", 1 + 4 * 16)
    soft: list[tuple[int, int, bool]] = []
    for k in range(min(16, poisson_at(plant.nature.soft, float(u[0])))):
        link, dq = int(u[4 * k + 1] * links), int(u[4 * k + 2] * 8)
        if link in lost or (dqs := plant.wiring.links[link][1].dqs) and dq not in dqs:
            continue
        (rose if u[4 * k + 3] < 0.5 else fell)[link, dq] += 1
        cells[link] += 1
        bad = bool(u[4 * k + 4] < 0.5)
        edc[link] += bad
        soft.append((link, dq, bad))
    bursts: list[tuple[int, int]] = []
    many = noise.uniform(f"burst{nth}", links, 3)
    for link in range(links):
        site = plant.wiring.site_of[link]
        share = plant.bursts[site] / max(1, len(plant.wiring.of_site[site]))
        if link in lost or share <= 0:
            continue
        for _ in range(poisson_at(float(share), float(many[link, 0]))):
            bits = 1 + int(many[link, 1] * 4)
            dq = int(many[link, 2] * 8)
            (rose if many[link, 1] < 0.5 else fell)[link, dq] += bits
            edc[link] += 1
            cells[link] += 1
            bursts.append((link, bits))
    return soft, bursts


def count_rows(plant: Plant, rig: Rig, done: Boot | None, passes: list[Counts]) -> list[Row]:
    """`[counts]` as the rig prints it."""
    rows: list[Row] = []
    for got in passes:
        for scope, links in grouped(plant, rig, rig.count_detail):
            if done is not None and not done.trained[links[0]] and len(links) == 1 and (
                rig.count_dead == "absent" and not rig.warm_boot):  # fmt: skip
                continue
            lines = range(8) if rig.count_detail == "dq" else (None,)
            for d in lines:
                row = _count_row(plant, rig, done, got, dict(scope), links, d)
                if rig.count_clean or row.cells.get("errors") != 0:
                    rows.append(row)
    return rows


def _count_row(
    plant: Plant, rig: Rig, done: Boot | None, got: Counts, cells: dict[str, Any],
    links: list[int], d: int | None,
) -> Row:  # fmt: skip
    if d is not None:
        cells["dq"] = d
    if got.temp is not None:
        cells["temp"] = got.temp
    cells["test"] = rig.test
    rose = sum(float(got.rose[i].sum() if d is None else got.rose[i, d]) for i in links)
    fell = sum(float(got.fell[i].sum() if d is None else got.fell[i, d]) for i in links)
    share = 1 if d is None else 8
    dash = (
        done is not None and rig.count_dead == "dash" and not rig.warm_boot
        and all(not done.trained[i] for i in links)
    )  # fmt: skip
    bits = sum(rig.bits * len(plant.wiring.links[i][1].dqs or range(8)) / 8 for i in links) / share
    cells["bits"] = None if dash else round(bits)
    cells["errors"] = None if dash else round(rose + fell)
    if rig.directions:
        cells["rose"] = None if dash else round(rose)
        cells["fell"] = None if dash else round(fell)
    if rig.count_edc and d is None:
        cells["edc"] = None if dash else round(sum(float(got.edc[i]) for i in links))
    if rig.cells and d is None:
        cells["cells"] = None if dash else round(
            min(sum(float(got.cells[i]) for i in links), max(0.0, rose + fell)))
    return Row("counts", cells, means(plant, links))
