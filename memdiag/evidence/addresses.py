"""Where errors lie in the address space: cells, words, rows, columns, banks, or everywhere.

With `bank row col` (printed, or through the profile's address map) the shape is read directly;
with bare addresses only what repeats, pairs up one bit apart, or keeps a stride can be said.

Real arrays (103 DDR3 modules, CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017): wrong rows repeat at a fixed
distance, one a sub-array, so that addresses pair up at several bits at once, where an open address
line pairs them at one; a failing column fails in every bank.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from memdiag.evidence import address_patterns as patterns
from memdiag.evidence.cells import Cells, cells_of, one_number
from memdiag.evidence.nodes import SHAPE
from memdiag.model import Board
from memdiag.model.error_log import ErrorLog

I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]


class Shape(Struct, frozen=True):
    """What the addresses of one site look like: `name` says it in a word. `kind` is the state of
    SHAPE it speaks for, or `grid` where it speaks for two of them alike; `weight` how clearly."""

    name: str
    kind: str
    weight: float
    distinct: int
    says: str


def shape_of(log: ErrorLog, index: I64, board: Board, lines: int) -> Shape | None:
    """The shape of the errors in rows `index` of a log; `lines` is how many different data lines
    were wrong in them. None where no address was printed."""
    addressed = index[log.has_address[index]]
    bare = patterns.distinct(log.address[addressed])
    cells = cells_of(log, index, board, bare)
    share = 1.0 / int(log.stands[index].max())
    if cells is None:
        rows = int(log.weight_of(addressed).sum())
        return _by_address(bare, rows, share) if addressed.size else None
    if len(cells) == 1:
        at = f"bank {cells.bank[0]} row {cells.row[0]} column {cells.col[0]}"
        return _one_address(at, int(log.weight_of(index).sum()))
    strides = _strided(bare, _one_column_over_banks(cells), share) if addressed.size else None
    shape = strides or _gathered(cells) or _apart(cells, share)
    if shape is None and addressed.size:
        # Cells all over may still pair up in a bank or column line.
        shape = _paired(bare, share)
    return shape or _all_over(cells, lines)


MOST_WEIGHT = 3.0


def _clear(distinct: int) -> float:
    """How clearly so many distinct addresses speak: with each doubling by as much again. Chance
    alone would shrink with every one of them, but what else gathers addresses (a list that ends
    early, a test of a part of the memory) does not."""
    return min(math.log2(max(distinct, 1)) / 3, MOST_WEIGHT)


def _one_address(where: str, rows: int) -> Shape:
    sure = 0.25 if rows < 3 else 0.9
    return Shape("cell", "clustered", sure, 1, f"one address, {where}, {rows} times")


# --- by bank, row and column -----------------------------------------------------------------

MOST_IN_ONE = 0.8
"""Share of the addresses that lie in one row, column or bank where that is what is bad."""

ALIKE = 6.0
"""Rows or columns agree so many times more often than by chance where a few of them are bad."""

LEAST_ROWS = 1024
"""Rows of all banks that a test meets at the least: a megabyte of pages of 1 KB (JESD79-3)."""


def _gathered(cells: Cells) -> Shape | None:
    """Most in one row, one column (of a bank, or of all), or one bank."""
    n = len(cells)
    need = max(2, math.ceil(MOST_IN_ONE * n))
    by_row, by_column = one_number(cells.bank, cells.row), one_number(cells.bank, cells.col)
    of_one: tuple[tuple[str, str, I64], ...] = (
        ("row", "bank {bank} row {row}", by_row),
        ("column", "bank {bank} column {col}", by_column),
        ("bank", "bank {bank}", cells.bank),
        ("column", "column {col} of {banks} banks", cells.col),
    )
    for name, where, values in of_one:
        value, count = patterns.most_common(values)
        if count >= need:
            at = int(np.flatnonzero(values == value)[0])
            # A bank is a sixteenth of the array (JESD250, JESD79-4), a row of it far less.
            sure = _clear(n) if name != "bank" else 1.0 - math.exp(-(n - 1) / 6)
            place = where.format(
                bank=cells.bank[at], row=cells.row[at], col=cells.col[at], banks=_banks(cells)
            )
            return Shape(name, "clustered", sure, n, f"{count} of {n} addresses in {place}")
    return None


def _in_few(cells: Cells, share: float) -> Shape | None:
    """Most in a few rows, columns or banks."""
    n, banks = len(cells), _banks(cells)
    by_row, counts = patterns.counted(one_number(cells.bank, cells.row))
    big = counts[counts >= 3 * share]
    if big.sum() >= MOST_IN_ONE * n and patterns.coincides(counts, _rows_tested(by_row)) >= ALIKE:
        return Shape("rows", "clustered", 0.8 * _clear(n), n, f"{n} addresses in {len(big)} rows")
    if patterns.gathered(cells.col, cells.columns) >= ALIKE:
        columns = len(patterns.distinct(cells.col))
        says = f"{n} addresses in {columns} columns, the same ones in {banks} banks"
        return Shape("columns", "clustered", 0.8 * _clear(n), n, says)
    if _miss_banks(cells):
        sure = 0.8 if banks <= 3 else 0.8 * _clear(n)
        return Shape("banks", "clustered", sure, n, f"{n} addresses, all in {banks} banks")
    return None


def _rows_tested(rows: I64) -> int:
    """Out of how many rows those are, at the least: as many as the bits in which they differ can
    tell apart. Many errors hit each row of a test several times, and few rows are another thing."""
    return max(1 << patterns.changing(rows).bit_count(), LEAST_ROWS)


LEAST_BANKS = 8
"""Banks of a device, at the least (JESD79-3: 8; JESD250, JESD79-4: 16)."""

BY_LUCK = 5e-3
"""How probably addresses that are spread may miss banks, and be called gathered."""


def _miss_banks(cells: Cells) -> bool:
    """Whether so many addresses that are spread would hardly ever miss so many banks: n balls in
    k of B boxes, at most C(B, k) (k / B)^n. Numbers that fill a range from 0 may be all that are
    printed of a bank."""
    n, k = len(cells), _banks(cells)
    if not 1 < k < LEAST_BANKS or (k > 3 and int(cells.bank.max()) < 1 << (k - 1).bit_length()):
        return False
    return math.comb(LEAST_BANKS, k) * (k / LEAST_BANKS) ** n < BY_LUCK


def _banks(cells: Cells) -> int:
    return len(patterns.distinct(cells.bank))


def _one_column_over_banks(cells: Cells) -> bool:
    """Whether a column that is bad in all banks would explain them: in a single bank nothing that
    walks through the memory stays."""
    count = patterns.most_common(cells.col)[1]
    return count >= MOST_IN_ONE * len(cells) and _banks(cells) > 1


ROW_GRAIN = 3
"""Rows that differ in their lowest bits side by side are a block, read by a sweep."""


def _apart(cells: Cells, share: float) -> Shape | None:
    """Rows or places that pair up one bit apart, at one bit or, where rows repeat, at several; rows
    at a distance that is no power of two do not pair up, but keep it."""
    n, rows = len(cells), patterns.distinct(cells.row)
    apart = patterns.pairing(rows, ROW_GRAIN)
    whole = patterns.pairing(cells.code, ROW_GRAIN, share)
    if apart == 1 or whole == 1:
        what = "rows" if apart == 1 else "addresses"
        says = f"{n} addresses, in pairs of {what} one bit apart"
        return Shape("pairs", "paired", 0.8 * _clear(n), n, says)
    few = _in_few(cells, share)
    if few is not None:
        return few
    if max(apart, whole) > 1:
        return _repeating(n, max(apart, whole))
    distance = patterns.kept_distance(rows)
    if distance >= LEAST_SUB_ARRAY:
        says = f"{n} addresses in rows that repeat every {distance}"
        return Shape("repeats", "clustered", 0.8 * _clear(len(rows)), n, says)
    return None


LEAST_SUB_ARRAY = 128
"""Rows of a sub-array, at the least (512 to 1024 as measured; DIVA-DRAM)."""


def _repeating(n: int, bits: int) -> Shape:
    says = f"{n} addresses that repeat at fixed distances: they pair up at {bits} bits at once"
    return Shape("repeats", "clustered", 0.8 * _clear(n), n, says)


def _all_over(cells: Cells, lines: int) -> Shape | None:
    n, rows, banks = len(cells), len(patterns.distinct(cells.row)), _banks(cells)
    if n < 3 and banks > 1:
        return Shape("spread", "spread", 0.8 * _few(n), n, f"{n} different addresses")
    says = f"{n} addresses over {rows} rows and {banks} banks"
    if lines == 1 and rows > 2:
        says += ", always the same data line"
    return Shape("spread", "spread", _few(n), n, says)


def _few(distinct: int) -> float:
    """A few addresses lie apart by chance too."""
    return 1.0 - math.exp(-(distinct - 1) / 2)


# --- by bare addresses -----------------------------------------------------------------------

KEPT = 0.6
"""Share of the distances that are the usual one where addresses count up; pairs alone make it a
half."""

LEAST_STRIDE = 1024
"""A dense sweep over a dead line fails every few bursts: a stride that short says nothing."""

ROW_PITCH = 1 << 15
"""Bytes from a row of a bank to its next, at the least: 8 banks of rows of 1 KB at 4 packages or
more in a channel (JESD79-3: 1 KB pages, 8 banks)."""

BURST = 6
"""Address bits inside one burst (64 bytes): whether they change says nothing."""

LEAST_FIXED = 6


def _strided(unique: U64, one_column: bool, share: float) -> Shape | None:
    """Addresses at a constant distance: a controller or line disturbed in time, as addresses count
    up. Where that keeps the column, a row wrong in each sub-array looks alike. `share`: of the
    addresses, where some were left out, and so many of the distances with them."""
    n = len(unique)
    if n < 8:
        return None
    found = patterns.steps(unique, share)
    if found.size < LEAST_STRIDE or found.often < KEPT * share * (n - 1):
        every = patterns.every_few(unique, share)
        if every < LEAST_STRIDE or one_column or every >= ROW_PITCH:
            return None  # a column that is bad in some of its rows is the array's
        says = f"{n} addresses, at steps of {every:#x} or a few of it"
        return Shape("stride", "striped", 0.6 * _clear(n), n, says)
    says = f"{n} addresses, {found.often} steps of about {found.size:#x}"
    if found.round and one_column:
        return Shape("grid", "grid", 0.85 * _clear(n), n, says + ", which keeps the column")
    return Shape("stride", "striped", 0.85 * _clear(n), n, says)


def _by_address(unique: U64, rows: int, share: float) -> Shape:
    n = len(unique)
    if n == 1:
        return _one_address(f"{int(unique[0]):#x}", rows)
    if rows >= 4 * n and n <= 8:
        return Shape("few", "clustered", 0.8, n, f"{n} addresses hit {rows} times")
    found = patterns.steps(unique, share)
    shape = _strided(unique, found.size >= ROW_PITCH, share) or _paired(unique, share)
    if shape is not None:
        return shape
    fixed = patterns.fixed_bits(unique, BURST)
    if n >= patterns.FEWEST and fixed >= LEAST_FIXED:
        says = f"{n} addresses alike in {fixed} of the bits they span"
        return Shape("aligned", "clustered", 0.75 * _clear(n), n, says)
    return Shape("spread", "spread", 0.8 * _few(n), n, f"{n} different addresses")


def _paired(unique: U64, share: float) -> Shape | None:
    n, bits = len(unique), patterns.pairing(unique, BURST + 1, share)
    if bits == 1:
        return Shape("pairs", "paired", 0.8 * _clear(n), n, f"{n} addresses in pairs one bit apart")
    return _repeating(n, bits) if bits else None


# --- what a shape says -----------------------------------------------------------------------

_TABLE = {
    "spread": {"quiet": 0.62, "spread": 0.93, "paired": 0.25, "striped": 0.30, "clustered": 0.06},
    "paired": {"quiet": 0.03, "spread": 0.02, "paired": 0.70, "striped": 0.02, "clustered": 0.01},
    "striped": {
        "quiet": 0.002,
        "spread": 0.001,
        "paired": 0.003,
        "striped": 0.50,
        "clustered": 0.02,
    },
    "grid": {"quiet": 0.001, "spread": 0.001, "paired": 0.003, "striped": 0.15, "clustered": 0.15},
    "clustered": {
        "quiet": 0.30,
        "spread": 0.03,
        "paired": 0.02,
        "striped": 0.03,
        "clustered": 0.75,
    },
}


STRAY_ADDRESSES = 4
"""A quiet place has a stray event or two: more addresses than this are seldom that, and the more
the seldomer."""


def shape_loglik(shape: Shape) -> dict[str, float]:
    """Log likelihood of a shape in each state of SHAPE."""
    out = {s: shape.weight * math.log(_TABLE[shape.kind][s]) for s in SHAPE}
    out["quiet"] -= 2 * math.log(max(shape.distinct / STRAY_ADDRESSES, 1.0))
    return out
