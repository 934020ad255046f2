"""Boards to simulate: random ones of every family, the quince ones, and their TOML."""

from __future__ import annotations

import random
from functools import cache, cached_property
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.model import AddressField, Board, Link, Rail, Site
from tests.simulator.physics import BURST

FAMILIES = ("gddr6", "gddr5", "ddr4", "ddr3", "ddr5", "lpddr4", "lpddr5")

SUPPLIES = {
    # family: (core volts, auxiliary volts or None). JESD250, JESD212, JESD79-4, JESD79-3,
    # JESD79-5, JESD209-4, JESD209-5.
    "gddr6": (1.35, 1.8),
    "gddr5": (1.5, None),
    "ddr4": (1.2, 2.5),
    "ddr3": (1.5, None),
    "ddr5": (1.1, 1.8),
    "lpddr4": (1.1, 1.8),
    "lpddr5": (1.05, 1.8),
}


class Wiring(Struct, frozen=True, dict=True):
    """A board's links in a fixed order, with the indices the simulator works in."""

    board: Board

    @cached_property
    def links(self) -> tuple[tuple[int, Link], ...]:
        """(site index, link), in channel, rank, lane order as the controller trains them."""
        order = {c: i for i, c in enumerate(self.board.channels)}
        found = [(s, link) for s, site in enumerate(self.board.sites) for link in site.links]
        return tuple(sorted(found, key=lambda p: (order[p[1].channel], p[1].rank, p[1].lane)))

    @cached_property
    def site_of(self) -> list[int]:
        return [s for s, _ in self.links]

    @cached_property
    def of_site(self) -> list[list[int]]:
        found: list[list[int]] = [[] for _ in self.board.sites]
        for i, (s, _) in enumerate(self.links):
            found[s].append(i)
        return found

    @cached_property
    def of_channel(self) -> dict[object, list[int]]:
        found: dict[object, list[int]] = {}
        for i, (_, link) in enumerate(self.links):
            found.setdefault(link.channel, []).append(i)
        return found

    @cached_property
    def along(self) -> list[tuple[int, int]]:
        """Of each link: which lane of its channel it is, and of how many."""
        lanes = {
            c: sorted({self.links[i][1].lane for i in own}) for c, own in self.of_channel.items()
        }
        return [(lanes[at.channel].index(at.lane), len(lanes[at.channel])) for _, at in self.links]

    def index(self, ref: str) -> int:
        return next(i for i, site in enumerate(self.board.sites) if site.ref == ref)


QUINCES = ("quince-12", "quince-8", "quince-2")


@cache
def quince(name: str) -> Board:
    """One of the shipped boards, with its shipped profile."""
    return profiles.read(Path(__file__).parents[2] / "samples" / "boards" / f"{name}.toml")


def some_board(rng: random.Random, family: str | None = None, sites: int | None = None) -> Board:
    """Mostly boards nobody built, now and then one of the shop's own."""
    own = rng.random() < 0.15
    name = rng.choice(QUINCES)
    if own and family is None and sites is None:
        return quince(name)
    return random_board(rng, family, sites)


def random_board(rng: random.Random, family: str | None = None, sites: int | None = None) -> Board:
    """A plausible board nobody built."""
    family = family or rng.choices(FAMILIES, (40, 6, 22, 4, 6, 16, 6))[0]
    if family.startswith("gddr"):
        return _graphics(rng, family, sites)
    if family.startswith("lpddr"):
        return _low_power(rng, family, sites)
    return _modules(rng, family, sites)


def _refs(rng: random.Random, count: int) -> list[str]:
    letter = rng.choice(("U", "U", "IC", "M", "N", "UM", "D"))
    first = rng.choice((1, 1, 2, 5, 10, 20, 100, 501))
    step = rng.choice((1, 1, 1, 2))
    return [f"{letter}{first + step * i}" for i in range(count)]


def _names(rng: random.Random, count: int) -> list[int | str]:
    """Channel names: numbers from 0 or 1, or letters."""
    style = rng.random()
    if style < 0.6 or count > 26:
        return list(range(count))
    if style < 0.8:
        return [i + 1 for i in range(count)]
    return [chr(ord("A") + i) for i in range(count)]


def _rails(
    rng: random.Random, family: str, refs: list[str]
) -> tuple[tuple[Rail, ...], dict[str, tuple[str, ...]]]:
    """The supplies and which site hangs on which: one core rail or several by thirds."""
    core, aux = SUPPLIES[family]
    groups = 1 if len(refs) < 4 or rng.random() < 0.5 else rng.choice((2, 2, 3))
    stem = rng.choice(("VMEM", "VDD", "V_MEM", "PP_MEM", "VDDM"))
    rails, per = [], {ref: [] for ref in refs}
    size = -(-len(refs) // groups)
    settled = rng.uniform(160, 260)
    for g in range(groups):
        name = stem if groups == 1 else f"{stem}_{'ABC'[g]}"
        members = refs[g * size : (g + 1) * size]
        if not members:
            continue
        typical = round(settled * (len(refs) / len(members)) ** 0.5)
        rails.append(
            Rail(
                name,
                core,
                "packages",
                round(typical * 0.75),
                typical,
                1.0,
                rng.choice((3.0, 5.0, 8.0)),
            )
        )
        for ref in members:
            per[ref].append(name)
    if aux is not None:
        name = rng.choice(("VPP", "VAUX", "V1P8", "PP_AUX"))
        typical = rng.choice((580, 600, 620, 900))
        rails.append(Rail(name, aux, "packages", round(typical * 0.92), typical, 1.0, 2.0))
        for ref in refs:
            per[ref].append(name)
    if rng.random() < 0.6:
        typical = rng.choice((28, 30, 34))
        rails.append(Rail("VCTL", 0.9, "controller", round(typical * 0.6), typical, 0.8, 10.0))
    if rng.random() < 0.6:
        rails.append(Rail("V3P3", 3.3, "other", 800, 2600, 1.0, 1.0))
    return tuple(rails), {ref: tuple(names) for ref, names in per.items()}


def address_map(
    rng: random.Random, channel_bytes: int = 2, beats: int = 16
) -> tuple[AddressField, ...]:
    """Column low, bank above it, row on top; banks often XORed with row bits. The column starts
    where a burst ends, or counts the burst's beats too."""
    burst = (channel_bytes * beats).bit_length() - 1
    start = rng.choice((burst, burst, channel_bytes.bit_length() - 1))
    cols, banks, rows = burst - start + rng.choice((5, 6, 7)), 4, rng.choice((13, 14))
    col = tuple((start + i,) for i in range(cols))
    first_row = start + cols + banks
    row = tuple((first_row + i,) for i in range(rows))
    mixed = rng.random() < 0.5
    bank = tuple(
        (start + cols + i, first_row + i) if mixed else (start + cols + i,) for i in range(banks)
    )
    return (AddressField("col", col), AddressField("bank", bank), AddressField("row", row))


def _finish(
    rng: random.Random,
    family: str,
    sites: list[Site],
    rails: tuple[Rail, ...],
    middle: tuple[float, float],
) -> Board:
    first = sites[0].links[0].channel
    lanes = {k.lane for s in sites for k in s.links if k.channel == first}
    # rounded as the profile's text is, so that reading it gives this very board
    placed = tuple(replace(s, x=round(s.x or 0.0, 2), y=round(s.y or 0.0, 2)) for s in sites)
    return Board(
        f"board-{rng.randrange(1000, 9999)}",
        family,
        f"{len(sites)} {family} packages",
        placed,
        rails,
        (
            round(middle[0], 2),
            round(middle[1], 2),
            (round(rng.uniform(20, 35), 2), round(rng.uniform(20, 35), 2)),
        ),
        address_map(rng, len(lanes), BURST[family]),
        origin="simulated",
    )


def _graphics(rng: random.Random, family: str, count: int | None) -> Board:
    """Packages in a ring round the controller; with clamshell, pairs on both sides."""
    clam = rng.random() < 0.2 and (count is None or count % 2 == 0)
    count = count or rng.choice((4, 6, 6, 8, 8, 8, 10, 12, 12, 12, 16))
    if clam and count < 4:
        clam = False
    places = count // 2 if clam else count
    per_part = rng.choice([k for k in (1, 2, 2, 3, 4) if k <= max(1, places // 2)])
    pitch = rng.uniform(15.5, 19.0)
    spots = _ring(places, pitch)
    refs = _refs(rng, count)
    rails, per = _rails(rng, family, refs)
    channels = _names(rng, places * 2)
    parts = rng.random() < 0.85
    sites = []
    for i in range(places):
        x, y, turn = spots[i]
        part = f"P{i // per_part}" if parts else None
        own = (channels[2 * i], channels[2 * i + 1])
        for side in range(2 if clam else 1):
            ref = refs[2 * i + side] if clam else refs[i]
            lanes = (side,) if clam else (0, 1)
            sites.append(
                Site(
                    ref,
                    tuple(Link(c, 0, lane) for c in own for lane in lanes),
                    x,
                    y,
                    "bottom" if side else "top",
                    turn,
                    (12.0, 14.0),
                    per[ref],
                    part,
                    refs[2 * i + 1 - side] if clam else None,
                )
            )
    return _finish(rng, family, sites, rails, (60.0, 60.0))


def _ring(count: int, pitch: float) -> list[tuple[float, float, float]]:
    """Up the left, along the top, down the right, the rest along the bottom, centred at 60,60."""
    side = -(-count // (3 if count <= 12 else 4))
    reach = 12 + pitch * max(side, 2) / 2
    spots: list[tuple[float, float, float]] = []
    for k in range(count):
        edge, j = divmod(k, side)
        along = (j - (side - 1) / 2) * pitch
        spots.append(
            [
                (60 - reach, 60 + along, 90.0),
                (60 + along, 60 + reach, 0.0),
                (60 + reach, 60 - along, 90.0),
                (60 - along, 60 - reach, 0.0),
            ][edge]
        )
    return spots


def _modules(rng: random.Random, family: str, count: int | None) -> Board:
    """DDR3/4/5 soldered down: x4, x8 or x16 packages, one to three channels, one or two ranks; a
    few lanes of a small computer, or the whole of a server."""
    wide, narrow = rng.random() < 0.35, rng.random() < 0.12
    channels, ranks = rng.choices(((1, 1), (2, 1), (1, 2), (2, 2), (3, 2)), (40, 20, 20, 16, 4))[0]
    lanes = 8 if channels > 2 else rng.choice((8, 8, 8, 8, 4))
    own = 2 if wide else 1
    halves: tuple[tuple[int, ...] | None, ...] = (None,)
    if narrow and not wide and count is None:
        channels, ranks = rng.choice(((1, 1), (1, 1), (1, 2), (3, 1)))
        lanes, halves = 8, ((0, 1, 2, 3), (4, 5, 6, 7))
    if count is not None:
        lanes = max(own, count * own // (channels * ranks))
    per_rank = lanes // own * len(halves)
    total = channels * ranks * per_rank
    refs = _refs(rng, total)
    rails, per = _rails(rng, family, refs)
    names = _names(rng, channels)
    pitch = rng.uniform(10.5, 14.0)
    sites = []
    k = 0
    for c in range(channels):
        for r in range(ranks):
            for d in range(per_rank):
                half, lane = halves[d % len(halves)], d // len(halves) * own
                links = tuple(Link(names[c], r, lane + j, half) for j in range(own))
                sites.append(
                    Site(
                        refs[k],
                        links,
                        20 + d * pitch,
                        30 + 25 * c,
                        "bottom" if r else "top",
                        0.0,
                        (8.0, 12.0),
                        per[refs[k]],
                        f"P{c}" if channels > 1 else None,
                    )
                )
                k += 1
    return _finish(rng, family, sites, rails, (20 + per_rank * pitch / 2, 80.0))


def _low_power(rng: random.Random, family: str, count: int | None) -> Board:
    """LPDDR: a few packages of two channels of two lanes each, by themselves or in partitions."""
    count = count or rng.choice((2, 2, 2, 4))
    ranks = rng.choice((1, 1, 2))
    refs = _refs(rng, count)
    rails, per = _rails(rng, family, refs)
    names = _names(rng, count * 2)
    sites = [
        Site(
            refs[i],
            tuple(
                Link(c, r, lane)
                for c in names[2 * i : 2 * i + 2]
                for r in range(ranks)
                for lane in (0, 1)
            ),
            25 + 18 * (i % 2),
            30 + 18 * (i // 2),
            "top",
            0.0,
            (10.0, 12.5),
            per[refs[i]],
            f"P{i // 2}" if count > 2 and rng.random() < 0.9 else None,
        )
        for i in range(count)
    ]
    return _finish(rng, family, sites, rails, (60.0, 35.0))
