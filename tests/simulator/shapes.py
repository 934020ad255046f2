"""The shapes of sick arrays: which cells of a package read wrong together.

Of 103 modules (CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017): wrong rows repeat at a fixed distance, one
in each sub-array, so that their addresses pair at five to seven bits at once; a failing column
fails in every bank; weak cells may be strewn all over.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable

from msgspec import Struct
from msgspec.structs import replace

from tests.simulator.arrays import LISTED, Addresses, Cell, Region, WeakArray

Place = tuple[int, int, int]
Line = tuple[int, int, int]
"""Link, data line and beat of the burst."""


class _Patch(Struct, frozen=True):
    """Where a sick spot of an array was drawn, and how often its cells fail."""

    rng: random.Random
    addresses: Addresses
    region: Region
    place: Place
    line: Line
    chance: float

    def anywhere(self) -> Line:
        rng, region = self.rng, self.region
        return rng.choice(region.links), rng.choice(region.dqs), rng.randrange(region.beats)

    def cell(self, place: Place, line: Line, share: float = 1.0) -> Cell:
        return Cell(*place, *line, self.rng.randrange(2), min(1.0, self.chance * share))

    def cells(self, places: Iterable[Place]) -> list[Cell]:
        """Cells at these places, each on some line of its own."""
        return [self.cell(place, self.anywhere()) for place in places]


Drawn = tuple[list[Cell], int]
"""The cells kept one by one, and how many there are."""


def draw_array(rng: random.Random, addresses: Addresses, region: Region, shape: str) -> WeakArray:
    """A sick array of that shape."""
    place = addresses.random(rng)
    line = rng.choice(region.links), rng.choice(region.dqs), rng.randrange(region.beats)
    chance = rng.choice((1.0, 1.0, 0.6, 0.2, 0.02))
    cells, size = _DRAWN[shape](_Patch(rng, addresses, region, place, line, chance))
    return WeakArray(region.site, shape, tuple(cells), size, rng.choice((8.0, 10.0, 14.0, 1e9)))


def _one_cell(patch: _Patch) -> Drawn:
    cells = [patch.cell(patch.place, patch.line)]
    if patch.rng.random() < 0.15:  # its neighbour on the same word line
        bank, row, col = patch.place
        near = (bank, row, col ^ 1 << patch.addresses.col_bits[0])
        cells.append(patch.cell(near, patch.line, 0.3))
    return cells, len(cells)


def _word(patch: _Patch) -> Drawn:
    """One access."""
    rng, beat = patch.rng, patch.line[2]
    lines = [(*patch.anywhere()[:2], beat) for _ in range(rng.randint(2, 6))]
    return [patch.cell(patch.place, line) for line in lines], 1


def _column(patch: _Patch) -> Drawn:
    """A bit line: one dq of one lane in one beat, many rows."""
    bank, _, col = patch.place
    size = patch.rng.choice((8, 40, 200, 1500))
    rows = patch.rng.sample(range(patch.addresses.rows), size)
    return [patch.cell((bank, row, col), patch.line) for row in rows], size


def _columns(patch: _Patch) -> Drawn:
    """A column select that all banks share: one bit line of it, or several, in every bank."""
    rng, (_, _, col) = patch.rng, patch.place
    lines = [patch.line] if rng.random() < 0.5 else [patch.anywhere() for _ in range(4)]
    each = rng.choice((1, 4, 25))
    cells = [
        patch.cell((bank, row, col), rng.choice(lines))
        for bank in range(patch.addresses.banks)
        for row in rng.sample(range(patch.addresses.rows), each)
    ]
    return cells, len(cells)


def _row(patch: _Patch) -> Drawn:
    """A word line: any dq of the package, many columns."""
    addresses, (bank, row, _) = patch.addresses, patch.place
    size = min(addresses.cols, patch.rng.choice((4, 20, addresses.cols)))
    cols = patch.rng.sample(range(addresses.cols), size)
    return patch.cells((bank, row, addresses.column(c)) for c in cols), size


def _rows(patch: _Patch) -> Drawn:
    """The row farthest from its amplifiers in every sub-array of a bank: rows at a fixed distance,
    weak in the same few columns."""
    rng, addresses, (bank, row, _) = patch.rng, patch.addresses, patch.place
    apart = addresses.rows >> rng.choice((5, 5, 6, 7))
    cols = rng.sample(range(addresses.cols), rng.choice((1, 2, 4)))
    places = [
        (bank, line, addresses.column(col))
        for line in range(row % apart, addresses.rows, apart)
        for col in cols
    ]
    return patch.cells(places), len(places)


def _bank(patch: _Patch) -> Drawn:
    return _strewn(patch, [patch.place[0]])


def _banks(patch: _Patch) -> Drawn:
    return _strewn(patch, patch.rng.sample(range(patch.addresses.banks), patch.rng.randint(2, 4)))


def _scattered(patch: _Patch) -> Drawn:
    """Weak cells all over the package, on all its channels."""
    every = range(patch.addresses.banks)
    wide = replace(patch, region=replace(patch.region, links=patch.region.every))
    return _strewn(wide, every)


def _strewn(patch: _Patch, banks: Iterable[int]) -> Drawn:
    rng, banks = patch.rng, list(banks)
    size = rng.choice((60, 500, 20000))
    places = (
        (rng.choice(banks), *patch.addresses.random(rng)[1:]) for _ in range(min(size, LISTED))
    )
    return patch.cells(places), size


_DRAWN: dict[str, Callable[[_Patch], Drawn]] = {
    "cell": _one_cell,
    "word": _word,
    "column": _column,
    "columns": _columns,
    "row": _row,
    "rows": _rows,
    "bank": _bank,
    "banks": _banks,
    "scattered": _scattered,
}
