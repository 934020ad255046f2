"""The error log: failing words as the rig prints them, with what was written and what came back.

Each word is read back line by line through the same plant that made the counts: open lines,
joined lines, weak edges, sick cells, aliased addresses.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from tests.simulator.arrays import Addresses
from tests.simulator.counting import CONSTANT, Counts, passes_of
from tests.simulator.noise import Noise, poisson_at
from tests.simulator.physics import BURST, CRC_MISS, retention
from tests.simulator.plant import NOISY, Plant
from tests.simulator.report import grouped, means
from tests.simulator.rig import Rig
from tests.simulator.rows import Row

DENSE = 2e-3
"""Chance of a wrong access above which words are read one after the other, not sampled."""


@dataclass
class Event:
    """One wrong access of one link: which beats carry which wrong bits (dq masks)."""

    place: tuple[int, int, int]
    nth: int
    wrong: dict[int, tuple[int, int | None]]  # beat -> (mask, value read on the masked bits)
    link: int
    bad: bool | None  # link check


def error_rows(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, passes: list[Counts]
) -> list[Row]:
    """`[errors]` of the whole run, capped as the rig caps it."""
    rows: list[Row] = []
    board_left = rig.cap
    for p, got in enumerate(passes):
        for scope, links in grouped(plant, rig, rig.word):
            left = rig.cap if rig.cap_each else board_left
            if left <= 0:
                break
            found = _unit(plant, rig, noise, addresses, got, p, scope, links, left)
            board_left -= len(found)
            rows += found
    return rows


def _unit(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, got: Counts, p: int,
    scope: dict[str, Any], links: list[int], cap: int,
) -> list[Row]:  # fmt: skip
    """The failing words of one scope."""
    rng = random.Random(f"{noise.seed}/{p}/{links[0]}")
    events: list[Event] = []
    dense = []
    for link in links:
        if _density(plant, got, link) > DENSE:
            dense.append(link)
        else:
            events += _sparse(plant, rig, noise, addresses, got, p, link, cap)
    if dense:
        events += _sequential(plant, rig, addresses, got, dense, rng, cap)
    words: dict[tuple[Any, ...], list[Event]] = {}
    for event in events:
        words.setdefault((event.nth, event.place), []).append(event)
    ordered = sorted(words, key=lambda k: (k[0], addresses.of(*k[1])))
    rows: list[Row] = []
    for key in ordered:
        rows += _print(plant, rig, addresses, got, scope, links, key, words[key], rng)
        if len(rows) >= cap:
            return rows[:cap]
    return rows


def _density(plant: Plant, got: Counts, link: int) -> float:
    """The chance that one access of this link is wrong through its lines."""
    if link in got.lost or plant.stuck[link].any():
        return 1.0
    if any(link in (a, b) for a, _, b, _, _ in plant.bridges):
        return 1.0
    site, at = plant.wiring.links[link]
    if (site, at.channel, at.rank) in plant.alias:
        return 0.5
    return float(got.rates[link].sum()) * BURST.get(plant.family, 8)


def _sparse(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, got: Counts, p: int, link: int,
    cap: int,
) -> list[Event]:  # fmt: skip
    """Events that are rare: weak edges, sick cells, soft errors, disturbances, strides."""
    rng = random.Random(f"{noise.seed}/sparse{p}/{link}")
    beats = BURST.get(plant.family, 8)
    rounds = passes_of(rig)
    found: list[Event] = []
    owned = plant.wiring.links[link][1].dqs or tuple(range(8))
    per = rig.bits / 8
    for d in owned:
        n = min(4 * cap, poisson_at(per * float(got.rates[link, d]), rng.random()))
        for _ in range(n):
            value = (1 << d) if rng.random() < plant.bias[link, d] else 0
            found.append(Event(addresses.random(rng), rng.randrange(rounds),
                               {rng.randrange(beats): (1 << d, value)}, link, True))  # fmt: skip
    for link_, d, bad in got.soft:
        if link_ == link:
            found.append(Event(addresses.random(rng), rng.randrange(rounds),
                               {rng.randrange(beats): (1 << d, None)}, link, bad))  # fmt: skip
    for link_, bits in got.bursts:
        if link_ == link:
            mask = {rng.randrange(beats): (1 << rng.choice(owned), None) for _ in range(bits)}
            found.append(Event(addresses.random(rng), rng.randrange(rounds), mask, link, True))
    for k, sick in enumerate(plant.arrays):
        own = random.Random(f"{noise.seed}/cells{p}/{k}/{link}")
        warmer = 0.0 if got.temp is None else got.temp - rig.ambient
        for cell in sick.cells:
            if cell.link != link:
                continue
            chance = 0.5 * min(1.0, retention(cell.chance, warmer, 0.0, sick.warm))
            tries = min(rounds, 400)
            hits = [t for t in range(tries) if own.random() < chance]
            for t in hits[: 2 * cap]:
                found.append(Event((cell.bank, cell.row, cell.col), t,
                                   {cell.beat: (1 << cell.dq, cell.level << cell.dq)}, link, False))  # fmt: skip
    for stride in plant.strides:
        if link in stride.hits:
            found += _stride_events(addresses, stride, link, beats, cap)
    return found


def _stride_events(
    addresses: Addresses, stride: Any, link: int, beats: int, cap: int
) -> list[Event]:  # fmt: skip
    """Every `step` of address the same bit of the same beat."""
    found = []
    step = max(stride.step, 1 << (addresses.low + 1))
    address = stride.first % step
    address -= address % (1 << addresses.low)
    while address < 1 << addresses.bits and len(found) < 2 * cap:
        if address // step % 3 != 2:  # where the data was the other level nothing shows
            found.append(Event(addresses.cell(address), 0,
                               {stride.first // 32 % beats: (1 << stride.dq, stride.level << stride.dq)},
                               link, stride.checked))  # fmt: skip
        address += step
    return found


def _sequential(
    plant: Plant, rig: Rig, addresses: Addresses, got: Counts, links: list[int],
    rng: random.Random, cap: int,
) -> list[Event]:  # fmt: skip
    """Read access after access through lanes that fail often, until the log is full."""
    beats = BURST.get(plant.family, 8)
    found: list[Event] = []
    words = 0
    place = 0
    group = min(rig.beats, beats)
    limit = 1 << (addresses.bits - addresses.low)
    stride = max(1, rng.choice((1, 1, 1, 4)))
    aliased = _aliased(plant, got, links)
    while words < cap and place < min(limit, 40 * cap / DENSE / beats):
        if aliased is not None and rig.order == "walk":
            # an address test goes to a place and at once to its partner one address bit away
            base = (place // 2 * stride % limit) << addresses.low
            cell = addresses.cell(base ^ (1 << aliased if place % 2 else 0))
        else:
            cell = addresses.cell((place * stride % limit) << addresses.low)
        place += 1
        groups: set[int] = set()
        wrote = {i: [rng.getrandbits(8) for _ in range(beats)] for i in links}
        for i in links:
            wrong, bad = _through(plant, rig, got, i, wrote, rng, addresses, cell)
            if wrong:
                found.append(Event(cell, 0, wrong, i, bad))
                groups |= {b // group for b in wrong}
        words += len(groups)
    return found


def _aliased(plant: Plant, got: Counts, links: list[int]) -> int | None:
    for link in links:
        site, at = plant.wiring.links[link]
        if link not in got.lost and (site, at.channel, at.rank) in plant.alias:
            return plant.alias[(site, at.channel, at.rank)]
    return None


def _through(
    plant: Plant, rig: Rig, got: Counts, link: int, wrote: dict[int, list[int]], rng: random.Random,
    addresses: Addresses, cell: tuple[int, int, int],
) -> tuple[dict[int, tuple[int, int | None]], bool]:  # fmt: skip
    """What one access of a link brings back wrong: beat -> (mask, value), and the link check."""
    site, at = plant.wiring.links[link]
    owned = at.dqs or tuple(range(8))
    bit = plant.alias.get((site, at.channel, at.rank))
    data = wrote[link]
    read = list(data)
    pins = False
    upper = bit is not None and addresses.of(*cell) >> bit & 1
    if bit is not None and link not in got.lost and (rig.order == "walk" or not upper):
        # the partner, written later, overwrote this cell: its data comes back over a good link
        partner = random.Random(f"{addresses.of(*cell) ^ 1 << bit}/{link}")
        read = [partner.getrandbits(8) for _ in data]
    levels = plant.float_to[link].tolist()
    if link in got.lost:
        pins = True
        if got.lost[link] == CONSTANT and levels[0] != NOISY:
            read = [sum(int(levels[d]) << d for d in owned)] * len(data)
        else:
            read = [rng.getrandbits(8) for _ in data]
    else:
        stuck = [d for d in owned if plant.stuck[link, d]]
        flips = [(d, r) for d, r in enumerate(got.rates[link].tolist())
                 if r > 1e-5 and d in owned and d not in stuck]  # fmt: skip
        for b in range(len(data)):
            for d in stuck:
                value = int(levels[d]) if levels[d] != NOISY else rng.getrandbits(1)
                pins = pins or value != read[b] >> d & 1
                read[b] = read[b] & ~(1 << d) | value << d
            for d, rate in flips:
                if rng.random() < rate:
                    read[b] ^= 1 << d
                    pins = True
    for a, one, c, two, mode in plant.bridges:
        if link in (a, c) and link not in got.lost:
            for b in range(len(data)):
                x = read[b] >> one & 1 if a == link else wrote.get(a, data)[b] >> one & 1
                y = read[b] >> two & 1 if c == link else wrote.get(c, data)[b] >> two & 1
                both = x & y if mode == "and" else x | y
                for at_link, d in ((a, one), (c, two)):
                    if at_link == link and (read[b] >> d & 1) != both:
                        read[b] = read[b] & ~(1 << d) | both << d
                        pins = True
    keep = 0xFF if at.dqs is None else sum(1 << d for d in owned)
    wrong: dict[int, tuple[int, int | None]] = {}
    for b, (was, now) in enumerate(zip(data, read, strict=True)):
        mask = (was ^ now) & keep
        if mask:
            wrong[b] = (mask, now & mask)
    missed = len(wrong) > 2 and rng.random() < CRC_MISS
    return wrong, (pins and not missed) or link in plant.edc_open


def _print(
    plant: Plant, rig: Rig, addresses: Addresses, got: Counts, scope: dict[str, Any],
    links: list[int], key: tuple[Any, ...], events: list[Event], rng: random.Random,
) -> list[Row]:  # fmt: skip
    """The row(s) of one access: one a group of beats that holds a wrong bit."""
    nth, place = key
    lanes = sorted(links, key=lambda i: _position(plant, i))
    slot = {link: k for k, link in enumerate(lanes)}
    beats = BURST.get(plant.family, 8)
    group = min(rig.beats, beats)
    rows = []
    for start in range(0, beats, group):
        mask = value = 0
        bad: bool | None = None
        for e in events:
            for b, (m, v) in e.wrong.items():
                if start <= b < start + group:
                    shift = 8 * (slot[e.link] + len(lanes) * (b - start))
                    v = rng.getrandbits(8) & m if v is None else v
                    mask |= m << shift
                    value = value & ~(m << shift) | v << shift
                    bad = bool(bad) or bool(e.bad)
        if not mask:
            continue
        width = 2 * len(lanes) * group
        cells: dict[str, Any] = dict(scope)
        if got.temp is not None:
            cells["temp"] = got.temp
        cells["address"] = addresses.of(*place)
        wrote = rng.getrandbits(4 * width) & ~mask | (value ^ mask) & mask
        if rig.direct:
            cells["wrote"], cells["read"] = (wrote, width), (wrote ^ mask, width)
        else:
            cells["mask"] = (mask, width)
        if rig.error_edc:
            cells["edc"] = "bad" if bad else "ok"
        if rig.pass_column:
            cells["pass"] = nth + 1
        if rig.cell_columns:
            cells["bank"], cells["row"], cells["col"] = place
        if rig.beats < beats and rig.pass_column:
            cells["beat"] = start
        row = Row("errors", cells, means(plant, [e.link for e in events]))
        row.key = (*row.key, start)
        rows.append(row)
    return rows


def _position(plant: Plant, link: int) -> tuple[int, int, int]:
    order = {c: i for i, c in enumerate(plant.wiring.board.channels)}
    at = plant.wiring.links[link][1]
    return order[at.channel], at.rank, at.lane
