"""The error log: failing words as the rig prints them, capped as the rig caps them."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import Any

from msgspec import Struct

from tests.simulator.counting import Counts
from tests.simulator.readback import DENSE, Event, density, sequential, sparse
from tests.simulator.rows import Row
from tests.simulator.stand import Scope, Stand

ENDLESS = 2000
"""Wrong bits above which no rig lists them all."""

Time = tuple[int, int]
"""When a word was read: the pass, and how far in the addresses."""


class _Pass(Struct, frozen=True):
    """One pass through the memory: its number, what it counted, and the lanes it tested."""

    number: int
    got: Counts
    tested: frozenset[int]

    def dense(self, stand: Stand, links: Iterable[int]) -> bool:
        """Whether one of these lanes fails all the time."""
        return any(density(stand, self.got, k) > DENSE for k in links if k in self.tested)


def error_rows(stand: Stand, passes: list[Counts], tested: list[bool]) -> list[Row]:
    """`[errors]` of the whole run; lanes not tested have none."""
    rig = stand.rig
    awake = frozenset(i for i, ok in enumerate(tested) if ok)
    runs = [_Pass(p, got, awake) for p, got in enumerate(passes)]
    whole = rig.complete and _few(runs)
    groups = stand.grouped(rig.word, whole=True)
    rows: list[Row] = []
    for run in runs:
        if whole or rig.cap_each:
            cap = 2 * ENDLESS if whole else rig.cap
            for scope, links in groups:
                rows += [row for _, row in _logged(stand, run, scope, links, cap)]
        else:
            rows += _first_of_board(stand, run, groups, rig.cap - len(rows))
    return rows


def _few(runs: list[_Pass]) -> bool:
    """Whether the wrong words can all be listed."""
    wrong = sum((run.got.rose + run.got.fell)[sorted(run.tested)].sum() for run in runs)
    return bool(wrong <= ENDLESS)


def _first_of_board(
    stand: Stand, run: _Pass, groups: list[tuple[Scope, list[int]]], left: int
) -> list[Row]:
    """One log for the board: full when so many words have come, from wherever they came."""
    rows: list[Row] = []
    if not stand.rig.together:  # channel after channel
        for scope, links in groups:
            rows += [row for _, row in _logged(stand, run, scope, links, left - len(rows))]
        return rows
    busy = sum(run.dense(stand, links) for _, links in groups)
    # where many fail all the time each gets about its share of the log
    cap = min(left, 2 + 2 * left // max(1, busy))
    timed = [one for scope, links in groups for one in _logged(stand, run, scope, links, cap)]
    return [row for _, row in sorted(timed, key=lambda one: one[0])][: max(0, left)]


def _logged(
    stand: Stand, run: _Pass, scope: Scope, links: list[int], cap: int
) -> list[tuple[Time, Row]]:
    """The first words of one scope in one pass, each with its time."""
    got, memory = run.got, stand.noise.memory
    awake = [k for k in links if k in run.tested]
    if not awake or cap <= 0:
        return []
    # a twin whose lines are the same here prints the same words
    same = (run.number, cap, tuple(awake), *_state(stand, got, links))
    if same not in memory:
        rng = random.Random(f"{stand.noise.seed}/{run.number}/{links[0]}")
        events = _events(stand, got, awake, cap, rng)
        heading = scope if got.temp is None else scope | {"temp": got.temp}
        memory[same] = _words(stand, heading, links, events, cap)[:cap]
    return memory[same]


def _state(stand: Stand, got: Counts, links: list[int]) -> tuple[Any, ...]:
    """All that the words of these links depend on."""
    plant, inside = stand.plant, set(links)
    places = [stand.wiring.links[i] for i in links]
    return (
        tuple(links),
        *(a[links].tobytes() for a in (got.rates, got.pins, plant.stuck, plant.bias)),
        tuple(got.lost.get(i) for i in links),
        frozenset(plant.edc_open & inside),
        tuple(plant.alias.get((s, at.channel, at.rank)) for s, at in places),
        tuple(b for b in plant.bridges if b[0] in inside or b[2] in inside),
        tuple((id(a), *got.hits[a.site]) for a in plant.arrays if a.site in stand.sites(links)),
        tuple((s.dq, s.first, s.step) for s in plant.strides if inside & set(s.hits)),
        tuple(x for x in got.strays if x.link in inside),
        tuple(x for x in got.bursts if x[0] in inside),
    )


def _events(
    stand: Stand, got: Counts, links: list[int], cap: int, rng: random.Random
) -> list[Event]:
    dense = [k for k in links if density(stand, got, k) > DENSE]
    if dense:  # the log is full of these before a rare event comes along
        return list(sequential(stand, got, dense, cap, rng))
    return [
        event
        for k in links
        for event in sparse(stand, got, k, cap, random.Random(f"{stand.noise.seed}/{k}/{got.temp}"))
    ]


def _words(
    stand: Stand, scope: Scope, links: list[int], events: list[Event], cap: int
) -> list[tuple[Time, Row]]:
    """The rows of one scope, in the order of the run: pass by pass, rising addresses."""
    rng = random.Random(f"{stand.noise.seed}/blank/{links[0]}")
    accesses: dict[tuple[int, int], list[Event]] = {}
    for event in events:
        key = event.nth, stand.addresses.of(*event.place)
        accesses.setdefault(key, []).append(event)
    slots = sorted({_position(stand, i) for i in links})
    slot = {link: slots.index(_position(stand, link)) for link in links}
    digits = 2 * len(slots) * min(stand.rig.beats, stand.beats)
    rows: list[tuple[Time, Row]] = []
    for key in sorted(accesses):
        for start, word in _beats(stand, accesses[key], slot, len(slots)).items():
            blank = rng.getrandbits(4 * digits), digits
            rows.append((key, _row(stand, scope, start, word, blank)))
        if len(rows) >= cap:
            break
    return rows


Piece = tuple[int, int, int, int, Event]  # shift, written, read, lines that are this link's


def _beats(
    stand: Stand, events: list[Event], slot: dict[int, int], lanes: int
) -> dict[int, list[Piece]]:
    """What is known of each printed group of beats that holds a wrong bit, by its first beat."""
    group = min(stand.rig.beats, stand.beats)
    found: dict[int, list[Piece]] = {}
    for e in events:
        keep = sum(1 << d for d in stand.owned(e.link))
        for b, (was, now) in e.data.items():
            shift = 8 * (slot[e.link] + lanes * (b % group))
            piece = (shift, was & keep, now & keep, keep, e)
            found.setdefault(b // group * group, []).append(piece)
    return {k: found[k] for k in sorted(found) if any(p[1] != p[2] for p in found[k])}


def _row(stand: Stand, scope: Scope, start: int, word: list[Piece], blank: tuple[int, int]) -> Row:
    """`blank` is what was written where nothing is known to be wrong, and the word's hex digits."""
    rig = stand.rig
    wrote = read = blank[0]
    for shift, was, now, keep, _ in word:
        wrote = wrote & ~(keep << shift) | was << shift
        read = read & ~(keep << shift) | now << shift
    guilty = [e for _, was, now, _, e in word if was != now]
    bank, line, col = guilty[0].place
    cells: Scope = dict(scope)
    cells["address"] = stand.addresses.of(bank, line, col, start)
    if rig.bare_words:
        cells["mask"] = None
    elif rig.direct:
        cells["wrote"], cells["read"] = (wrote, blank[1]), (read, blank[1])
    else:
        cells["mask"] = (wrote ^ read, blank[1])
    if rig.error_edc:
        cells["edc"] = "bad" if any(e.bad for e in guilty) else "ok"
    if rig.pass_column:
        cells["pass"] = guilty[0].nth + 1
        if rig.beats < stand.beats:
            cells["beat"] = start
    if rig.cell_columns:
        cells |= {"bank": bank, "row": line, "col": stand.addresses.at_beat(col, start)}
    row = Row("errors", cells, stand.sites([e.link for e in guilty]))
    row.key = (*row.key, start)
    return row


def _position(stand: Stand, link: int) -> tuple[int, int, int]:
    """Where a lane stands in a word: channel, rank, lane, least significant first."""
    at = stand.wiring.links[link][1]
    return stand.wiring.board.channels.index(at.channel), at.rank, at.lane
