"""The error log: failing words as the rig prints them, with what was written and what came back.

Each word is read back line by line through the same plant that made the counts: open lines,
joined lines, weak edges, sick cells, aliased addresses.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from tests.simulator.arrays import Addresses, partner
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
    """One access of one link that went wrong in some beat: what was written, what came back."""

    place: tuple[int, int, int]
    nth: int
    data: dict[int, tuple[int, int]]  # beat -> (byte written, byte read); others unknown
    link: int
    bad: bool | None  # link check


def error_rows(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, passes: list[Counts],
    tested: list[bool],
) -> list[Row]:  # fmt: skip
    """`[errors]` of the whole run, capped as the rig caps it; lanes not tested have none."""
    rows: list[Row] = []
    board_left = rig.cap
    for p, got in enumerate(passes):
        for scope, links in grouped(plant, rig, rig.word, whole=True):
            left = rig.cap if rig.cap_each else board_left
            if left <= 0:
                break
            # a twin whose lines are the same here prints the same words
            same = (p, left, tuple(i for i in links if tested[i]), *_state(plant, got, links))
            if same not in noise.memory:
                unit = _unit(plant, rig, noise, addresses, got, p, scope, links, left, tested)
                noise.memory[same] = unit
            found = noise.memory[same]
            board_left -= len(found)
            rows += found
    return rows


def _state(plant: Plant, got: Counts, links: list[int]) -> tuple[Any, ...]:
    """All that the words of these links depend on."""
    inside = set(links)
    places = [plant.wiring.links[i] for i in links]
    return (
        tuple(links),
        got.rates[links].tobytes(),
        plant.stuck[links].tobytes(),
        plant.bias[links].tobytes(),
        tuple(got.lost.get(i) for i in links),
        frozenset(plant.edc_open & inside),
        tuple(plant.alias.get((s, at.channel, at.rank)) for s, at in places),
        tuple(b for b in plant.bridges if b[0] in inside or b[2] in inside),
        tuple(id(a) for a in plant.arrays if a.site in {s for s, _ in places}),
        tuple((s.dq, s.first, s.step) for s in plant.strides if inside & set(s.hits)),
        tuple(x for x in got.soft if x[0] in inside),
        tuple(x for x in got.bursts if x[0] in inside),
    )


def _unit(
    plant: Plant, rig: Rig, noise: Noise, addresses: Addresses, got: Counts, p: int,
    scope: dict[str, Any], links: list[int], cap: int, tested: list[bool],
) -> list[Row]:  # fmt: skip
    """The failing words of one scope."""
    rng = random.Random(f"{noise.seed}/{p}/{links[0]}")
    events: list[Event] = []
    dense = [k for k in links if tested[k] and _density(plant, got, k) > DENSE]
    if dense:  # the log is full of these before a rare event comes along
        events = _sequential(plant, rig, addresses, got, dense, rng, cap)
    else:
        for link in (k for k in links if tested[k]):
            events += _sparse(plant, rig, noise, addresses, got, p, link, cap)
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
    many = [poisson_at(rig.bits / 8 * float(got.rates[link, d]), rng.random()) for d in owned]
    # where there are more than the log holds, it ends early in the run and low in the addresses
    reach = min(1.0, 1.5 * cap / max(1, sum(many)))
    for d, n in zip(owned, many, strict=True):
        for _ in range(min(n, round(n * reach) + 1)):
            turn, along = divmod(rng.random() * rounds * reach, 1.0)
            place = addresses.place(int(along * 2**addresses.bits))
            level = int(rng.random() < plant.bias[link, d])
            found.append(Event(place, int(turn), {rng.randrange(beats): _byte(rng, d, level)},
                               link, True))  # fmt: skip
    for link_, d, bad in got.soft:
        if link_ == link:
            found.append(Event(addresses.random(rng), rng.randrange(rounds),
                               {rng.randrange(beats): _byte(rng, d, rng.getrandbits(1))}, link,
                               bad))  # fmt: skip
    for link_, bits in got.bursts:
        if link_ == link:
            hit = {rng.randrange(beats): _byte(rng, rng.choice(owned), rng.getrandbits(1))
                   for _ in range(bits)}  # fmt: skip
            found.append(Event(addresses.random(rng), rng.randrange(rounds), hit, link, True))
    for sick in plant.arrays:
        own = random.Random(f"{noise.seed}/cells{p}/{sick.site}/{link}")
        warmer = 0.0 if got.temp is None else got.temp - rig.ambient
        for cell in sick.cells:
            if cell.link != link:
                continue
            chance = 0.5 * min(1.0, retention(cell.chance, warmer, 0.0, sick.warm))
            tries = min(rounds, 400)
            hits = [t for t in range(tries) if own.random() < chance]
            for t in hits[: 2 * cap]:
                found.append(Event((cell.bank, cell.row, cell.col), t,
                                   {cell.beat: _byte(own, cell.dq, cell.level)}, link, False))
    for stride in plant.strides:
        if link in stride.hits:
            found += _stride_events(addresses, stride, link, beats, cap, rng)
    return found


def _byte(rng: random.Random, dq: int, level: int) -> tuple[int, int]:
    """A byte written and read back with one line wrong: it came back as `level`."""
    rest = rng.getrandbits(8) & ~(1 << dq)
    return rest | (1 - level) << dq, rest | level << dq


def _stride_events(
    addresses: Addresses, stride: Any, link: int, beats: int, cap: int, rng: random.Random
) -> list[Event]:
    """Every `step` of address the same bit of the same beat."""
    found = []
    step = max(stride.step, 1 << (addresses.low + 1))
    address = stride.first % step
    address -= address % (1 << addresses.low)
    while address < 1 << addresses.bits and len(found) < 2 * cap:
        if address // step % 3 != 2:  # where the data was the other level nothing shows
            found.append(Event(addresses.place(address), 0,
                               {stride.first // 32 % beats: _byte(rng, stride.dq, stride.level)},
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
            cell = addresses.place((place // 2 * stride % limit) << addresses.low)
            cell = partner(cell, aliased) if place % 2 else cell
        else:
            cell = addresses.place((place * stride % limit) << addresses.low)
        place += 1
        groups: set[int] = set()
        wrote = {i: [rng.getrandbits(8) for _ in range(beats)] for i in links}
        for i in links:
            data, bad = _through(plant, rig, got, i, wrote, rng, addresses, cell)
            found.append(Event(cell, 0, data, i, bad))
            groups |= {b // group for b, (was, now) in data.items() if was != now}
        words += len(groups)
    return found


def _aliased(plant: Plant, got: Counts, links: list[int]) -> tuple[str, int] | None:
    for link in links:
        site, at = plant.wiring.links[link]
        if link not in got.lost and (site, at.channel, at.rank) in plant.alias:
            return plant.alias[(site, at.channel, at.rank)]
    return None


def _through(
    plant: Plant, rig: Rig, got: Counts, link: int, wrote: dict[int, list[int]], rng: random.Random,
    addresses: Addresses, cell: tuple[int, int, int],
) -> tuple[dict[int, tuple[int, int]], bool]:  # fmt: skip
    """One access of a link: beat -> (written, read), and whether the link check fails."""
    site, at = plant.wiring.links[link]
    owned = at.dqs or tuple(range(8))
    line = plant.alias.get((site, at.channel, at.rank))
    data = wrote[link]
    read = list(data)
    pins = False
    if line is not None and link not in got.lost:
        other = partner(cell, line)
        if rig.order == "walk" or other > cell:
            # the partner, written later, overwrote this cell: its data comes back over a good link
            theirs = random.Random(f"{other}/{link}")
            read = [theirs.getrandbits(8) for _ in data]
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
    both = {b: (was & keep, now & keep) for b, (was, now) in enumerate(zip(data, read, strict=True))}
    missed = sum(was != now for was, now in both.values()) > 2 and rng.random() < CRC_MISS
    return both, (pins and not missed) or link in plant.edc_open


def _print(
    plant: Plant, rig: Rig, addresses: Addresses, got: Counts, scope: dict[str, Any],
    links: list[int], key: tuple[Any, ...], events: list[Event], rng: random.Random,
) -> list[Row]:  # fmt: skip
    """The row(s) of one access: one a group of beats that holds a wrong bit."""
    nth, place = key
    lanes = sorted({_position(plant, i) for i in links})
    slot = {link: lanes.index(_position(plant, link)) for link in links}
    beats = BURST.get(plant.family, 8)
    group = min(rig.beats, beats)
    width = 2 * len(lanes) * group
    parts: dict[int, list[tuple[int, int, int, int, Event]]] = {}
    for e in events:
        keep = sum(1 << d for d in plant.wiring.links[e.link][1].dqs or range(8))
        for b, (was, now) in e.data.items():
            shift = 8 * (slot[e.link] + len(lanes) * (b % group))
            parts.setdefault(b // group, []).append((shift, was & keep, now & keep, keep, e))
    rows = []
    for k in sorted(parts):
        if all(was == now for _, was, now, _, _ in parts[k]):
            continue
        start = k * group
        wrote = read = rng.getrandbits(4 * width)
        bad = False
        guilty = []
        for shift, was, now, keep, e in parts[k]:
            wrote = wrote & ~(keep << shift) | was << shift
            read = read & ~(keep << shift) | now << shift
            if was != now:
                bad = bad or bool(e.bad)
                guilty.append(e.link)
        mask = wrote ^ read
        cells: dict[str, Any] = dict(scope)
        if got.temp is not None:
            cells["temp"] = got.temp
        cells["address"] = addresses.of(*place, start)
        if rig.direct:
            cells["wrote"], cells["read"] = (wrote, width), (read, width)
        else:
            cells["mask"] = (mask, width)
        if rig.error_edc:
            cells["edc"] = "bad" if bad else "ok"
        if rig.pass_column:
            cells["pass"] = nth + 1
        if rig.cell_columns:
            bank, line, col = place
            cells["bank"], cells["row"] = bank, line
            cells["col"] = addresses.at_beat(col, start)
        if rig.beats < beats and rig.pass_column:
            cells["beat"] = start
        row = Row("errors", cells, means(plant, guilty))
        row.key = (*row.key, start)
        rows.append(row)
    return rows


def _position(plant: Plant, link: int) -> tuple[int, int, int]:
    order = {c: i for i, c in enumerate(plant.wiring.board.channels)}
    at = plant.wiring.links[link][1]
    return order[at.channel], at.rank, at.lane
