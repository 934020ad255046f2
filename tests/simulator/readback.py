"""Accesses that go wrong: what was written, what came back, and whether the link check failed.

Each access is read line by line through the same plant that made the counts: open lines, joined
lines, weak edges, sick cells, aliased addresses.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

from msgspec import Struct

from tests.simulator.arrays import partner
from tests.simulator.counting import CONSTANT, Counts
from tests.simulator.physics import CRC_MISS
from tests.simulator.plant import NOISY, Stride
from tests.simulator.stand import Stand

DENSE = 0.2
"""Chance of a wrong access above which words are read one after the other, not sampled."""

Place = tuple[int, int, int]


class Event(Struct):
    """One access of one link that went wrong in some beat: what was written, what came back."""

    place: Place
    nth: int
    data: dict[int, tuple[int, int]]  # beat -> (byte written, byte read); others unknown
    link: int
    bad: bool  # link check


def density(stand: Stand, got: Counts, link: int) -> float:
    """The chance that one access of this link is wrong through its lines."""
    plant = stand.plant
    joined = any(link in (a, b) for a, _, b, _, _ in plant.bridges)
    if link in got.lost or joined or plant.stuck[link].any():
        return 1.0
    return 0.5 if _open_line(stand, link) else float(got.rates[link].sum()) * stand.beats


def _open_line(stand: Stand, link: int) -> tuple[str, int] | None:
    site, at = stand.wiring.links[link]
    return stand.plant.alias.get((site, at.channel, at.rank))


def sparse(stand: Stand, got: Counts, link: int, cap: int, rng: random.Random) -> Iterator[Event]:
    """Events that are rare: weak edges, sick cells, stray words, disturbances, strides."""
    yield from _weak_edges(stand, got, link, cap, rng)
    yield from _upsets(stand, got, link, rng)
    yield from _sick_cells(stand, got, link, cap, rng)
    for stride in stand.plant.strides:
        if link in stride.hits:
            yield from _strided(stand, stride, link, cap, rng)


def _weak_edges(
    stand: Stand, got: Counts, link: int, cap: int, rng: random.Random
) -> Iterator[Event]:
    owned = stand.owned(link)
    many = [int(got.pins[link, d]) for d in owned]
    # where there are more than the log holds, it ends early in the run and low in the addresses
    reach = min(1.0, 1.5 * cap / max(1, sum(many)))
    for d, n in zip(owned, many, strict=True):
        for _ in range(n if reach == 1 else round(n * reach)):
            turn, along = divmod(rng.random() * stand.passes * reach, 1.0)
            place = stand.addresses.place(int(along * 2**stand.addresses.bits))
            level = int(rng.random() < stand.plant.bias[link, d])
            data = {rng.randrange(stand.beats): _byte(rng, d, level)}
            yield Event(place, int(turn), data, link, True)


def _upsets(stand: Stand, got: Counts, link: int, rng: random.Random) -> Iterator[Event]:
    """Stray words, and bursts of a disturbance."""
    addresses, rounds, beats = stand.addresses, stand.passes, stand.beats
    for stray in got.strays:
        if stray.link == link:
            was = now = rng.getrandbits(8)
            for d, level in stray.bits:
                was, now = _with(was, d, 1 - level), _with(now, d, level)
            data = {rng.randrange(beats): (was, now)}
            yield Event(addresses.random(rng), rng.randrange(rounds), data, link, stray.checked)
    for at, bits in got.bursts:
        if at == link:
            data = {
                beat: _byte(rng, rng.choice(stand.owned(link)), rng.getrandbits(1))
                for beat in rng.sample(range(beats), min(bits, beats))
            }
            yield Event(addresses.random(rng), rng.randrange(rounds), data, link, True)


def _sick_cells(
    stand: Stand, got: Counts, link: int, cap: int, rng: random.Random
) -> Iterator[Event]:
    for sick in stand.plant.arrays:
        times = zip(sick.cells, got.hits[sick.site], strict=True)
        failed = [(cell, n) for cell, n in times if n and cell.link == link]
        most = 2 + 4 * cap // max(1, len(failed))  # the log is full before there are more of each
        for cell, n in failed:
            turns = min(n, most)
            at = rng.sample(range(max(stand.passes, turns)), turns)
            one, likes = cell, sick.likes(cell, rng, stand.addresses)
            for k in range(min(round(n * sick.weight), most)):
                one = next(likes) if k % turns == 0 else one
                data = {one.beat: _byte(rng, one.dq, one.level)}
                yield Event((one.bank, one.row, one.col), at[k % turns], data, link, False)


def _byte(rng: random.Random, dq: int, level: int) -> tuple[int, int]:
    """A byte written and read back with one line wrong: it came back as `level`."""
    rest = rng.getrandbits(8)
    return _with(rest, dq, 1 - level), _with(rest, dq, level)


def _with(byte: int, dq: int, level: int) -> int:
    return byte & ~(1 << dq) | level << dq


def _strided(
    stand: Stand, stride: Stride, link: int, cap: int, rng: random.Random
) -> Iterator[Event]:
    """Every `step` of address the same bit of the same beat, in every pass."""
    beat = stride.first // 32 % stand.beats
    places = stride.places(stand.addresses, 2 * cap)
    for turn in range(min(stand.passes, 1 + cap // max(1, len(places)))):
        for address in places:
            data = {beat: _byte(rng, stride.dq, stride.level)}
            yield Event(stand.addresses.place(address), turn, data, link, stride.checked)


def sequential(
    stand: Stand, got: Counts, links: list[int], cap: int, rng: random.Random
) -> Iterator[Event]:
    """Read access after access through lanes that fail often, until the log is full."""
    addresses, beats = stand.addresses, stand.beats
    group = min(stand.rig.beats, beats)
    limit = 1 << (addresses.bits - addresses.low)
    step = rng.choice((1, 1, 1, 4))
    open_lines = [x for x in (_open_line(stand, k) for k in links if k not in got.lost) if x]
    words = turn = 0
    while words < cap and turn < min(limit, 40 * cap / DENSE / beats):
        if open_lines and stand.rig.order == "walk":
            # an address test goes to a place and at once to its partner one address line away
            place = addresses.place((turn // 2 * step % limit) << addresses.low)
            place = partner(place, open_lines[0]) if turn % 2 else place
        else:
            place = addresses.place((turn * step % limit) << addresses.low)
        turn += 1
        groups: set[int] = set()
        wrote = {i: [rng.getrandbits(8) for _ in range(beats)] for i in links}
        for i in links:
            event = _through(stand, got, (place, wrote), i, rng)
            yield event
            groups |= {b // group for b, (was, now) in event.data.items() if was != now}
        words += len(groups)


def _through(
    stand: Stand,
    got: Counts,
    access: tuple[Place, dict[int, list[int]]],
    link: int,
    rng: random.Random,
) -> Event:
    """One access of a link, read back through its lines."""
    place, wrote = access
    data = wrote[link]
    stored = data
    if link not in got.lost and (line := _open_line(stand, link)) is not None:
        other = partner(place, line)
        if stand.rig.order == "walk" or other > place:
            # the partner, written later, overwrote this cell: its data comes back over a good link
            theirs = random.Random(f"{other}/{link}")
            stored = [theirs.getrandbits(8) for _ in data]
    if link in got.lost:
        levels = stand.plant.float_to[link].tolist()
        if got.lost[link] == CONSTANT and levels[0] != NOISY:
            read = [sum(int(level) << d for d, level in enumerate(levels))] * len(data)
        else:
            read = [rng.getrandbits(8) for _ in data]
    else:
        read = _joined(stand, link, _lines(stand, got, link, stored, rng), wrote)
    keep = sum(1 << d for d in stand.owned(link))
    pairs = {b: (data[b] & keep, read[b] & keep) for b in range(len(data))}
    pins = any((stored[b] ^ read[b]) & keep for b in pairs)
    missed = sum(was != now for was, now in pairs.values()) > 2 and rng.random() < CRC_MISS
    return Event(place, 0, pairs, link, (pins and not missed) or link in stand.plant.edc_open)


def _lines(
    stand: Stand, got: Counts, link: int, stored: list[int], rng: random.Random
) -> list[int]:
    """Bytes after open and weak lines had their way."""
    plant, read = stand.plant, list(stored)
    stuck = [(d, plant.float_to[link, d]) for d in range(8) if plant.stuck[link, d]]
    weak = [(d, r) for d, r in enumerate(got.rates[link].tolist()) if r > 1e-5]
    for b in range(len(read)):
        for d, level in stuck:
            value = rng.getrandbits(1) if level == NOISY else int(level)
            read[b] = read[b] & ~(1 << d) | value << d
        for d, rate in weak:
            if not plant.stuck[link, d] and rng.random() < rate:
                read[b] ^= 1 << d
    return read


def _joined(stand: Stand, link: int, read: list[int], wrote: dict[int, list[int]]) -> list[int]:
    """Bytes after bridged lines have pulled each other."""
    for a, one, c, two, mode in stand.plant.bridges:
        if link not in (a, c):
            continue
        for b in range(len(read)):
            x = (read[b] if a == link else wrote.get(a, read)[b]) >> one & 1
            y = (read[b] if c == link else wrote.get(c, read)[b]) >> two & 1
            both = x & y if mode == "and" else x | y
            for at, d in ((a, one), (c, two)):
                if at == link:
                    read[b] = read[b] & ~(1 << d) | both << d
    return read
