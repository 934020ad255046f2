"""Memory arrays: where a cell lies, and which cells of a sick array read wrong."""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import cached_property

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import AddressField

LISTED = 500
"""Cells that are kept one by one; where there are more, each stands for several."""

SHAPES = {
    "cell": 24,
    "word": 6,
    "column": 16,
    "row": 18,
    "rows": 12,
    "bank": 8,
    "banks": 4,
    "columns": 6,
    "scattered": 6,
}
"""How often each shape comes. Common practice, no source: single cells and rows first."""


class Cell(Struct, frozen=True):
    """One bad bit: where, on which line, which beat of the burst, which way it fails."""

    bank: int
    row: int
    col: int
    link: int
    dq: int
    beat: int
    level: int
    """What it reads when it fails."""
    chance: float
    """Probability of failing in one pass at ambient, where the opposite was written."""


class WeakArray(Struct, frozen=True, dict=True):
    """A package's sick array: its shape and a list of its bad cells (a sample of a large set).

    `size` is how many distinct cells there are in truth; `cells` holds at most some hundreds.
    """

    site: int
    shape: str
    cells: tuple[Cell, ...]
    size: int
    warm: float
    """Kelvin in which the failing probability doubles."""

    @cached_property
    def weight(self) -> float:
        """How many cells of the truth each listed one stands for."""
        return self.size / max(1, len({(c.bank, c.row, c.col) for c in self.cells}))

    @cached_property
    def banks(self) -> list[int]:
        return sorted({c.bank for c in self.cells})

    def likes(self, cell: Cell, rng: random.Random, addresses: Addresses) -> Iterator[Cell]:
        """Cells that one listed cell stands for, itself first: others as widely strewn."""
        while True:
            yield cell
            _, row, col = addresses.random(rng)
            cell = replace(cell, bank=rng.choice(self.banks), row=row, col=col)


class Addresses:
    """Turns (bank, row, col) into the address the rig prints, through the board's own map.

    `channel_bytes` is how wide a channel is. Where the map's lowest column bits lie inside one
    burst they count its beats, and every beat has an address of its own; else a burst has one.
    Places are bursts: their column has its beat bits at zero.
    """

    def __init__(self, fields: tuple[AddressField, ...], channel_bytes: int, beats: int) -> None:
        by_name = {f.name: f.bits for f in fields}
        self.col, self.bank, self.row = by_name["col"], by_name["bank"], by_name["row"]
        every = [b for bits in by_name.values() for group in bits for b in group]
        self.bits = max(every) + 1
        inside = max(channel_bytes * beats, 1).bit_length() - 1
        self.beat_bits = [i for i, group in enumerate(self.col) if group[0] < inside]
        self.low = min(g[0] for i, g in enumerate(self.col) if i not in self.beat_bits)
        """The first address bit that is not inside one burst."""
        self.rows, self.banks = 1 << len(self.row), 1 << len(self.bank)
        self.col_bits = [i for i in range(len(self.col)) if i not in self.beat_bits]
        self.cols = 1 << len(self.col_bits)

    def of(self, bank: int, row: int, col: int, beat: int = 0) -> int:
        """The address of a place: rows and columns lie on bits of their own, a bank bit may be
        the XOR of its own bit with a row's."""
        col = self.at_beat(col, beat)
        address = 0
        for bits, value in ((self.row, row), (self.col, col)):
            for i, group in enumerate(bits):
                if value >> i & 1:
                    address |= 1 << group[0]
        for i, group in enumerate(self.bank):
            parity = 0
            for b in group[1:]:
                parity ^= address >> b & 1
            if (bank >> i & 1) ^ parity:
                address |= 1 << group[0]
        return address

    def at_beat(self, col: int, beat: int) -> int:
        """The column as printed for one beat of the burst."""
        for k, i in enumerate(self.beat_bits):
            col |= (beat >> k & 1) << i
        return col

    def place(self, address: int) -> tuple[int, int, int]:
        """The (bank, row, col) whose burst an address lies in."""

        def value(bits: tuple[tuple[int, ...], ...], skip: list[int]) -> int:
            found = 0
            for i, group in enumerate(bits):
                parity = 0
                for b in group:
                    parity ^= address >> b & 1
                found |= (parity if i not in skip else 0) << i
            return found

        return value(self.bank, []), value(self.row, []), value(self.col, self.beat_bits)

    def column(self, k: int) -> int:
        """The k-th burst of a row as a column number."""
        return sum((k >> n & 1) << i for n, i in enumerate(self.col_bits))

    def random(self, rng: random.Random) -> tuple[int, int, int]:
        return (
            rng.randrange(self.banks),
            rng.randrange(self.rows),
            self.column(rng.randrange(self.cols)),
        )


def partner(place: tuple[int, int, int], line: tuple[str, int]) -> tuple[int, int, int]:
    """The place a package confuses with this one when that row or column line is open."""
    bank, row, col = place
    name, bit = line
    return (bank, row ^ 1 << bit, col) if name == "row" else (bank, row, col ^ 1 << bit)


class Region(Struct, frozen=True):
    """Where an array can be sick: the links of one channel and rank of one package (`links`), of
    the whole package (`every`)."""

    site: int
    links: tuple[int, ...]
    every: tuple[int, ...]
    dqs: tuple[int, ...]
    beats: int
