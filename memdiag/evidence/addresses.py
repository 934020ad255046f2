"""Where errors lie in the address space: cells, words, rows, columns, banks, or everywhere.

With `bank row col` (printed, or through the profile's address map) the shape is read directly;
with bare addresses only what repeats, pairs up one bit apart, or keeps a stride can be said.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from memdiag.evidence.nodes import SHAPE
from memdiag.model import Board
from memdiag.model.error_log import ErrorLog
from memdiag.model.figures import Table

I64 = npt.NDArray[np.int64]

_F = Table("Shapes of addresses")
MOST = _F.practice("most", 0.8, "share of the addresses from which they all have a shape")
CLEAR = _F.practice("clear", 0.8, "weight of a shape that most addresses have")
CELL = _F.practice("one cell", 0.9, "weight of one address hit at least three times")
ONCE = _F.practice("one event", 0.25, "weight of one address hit less often")
STEPS = _F.practice("steps alike", 0.6, "share of equal steps of a stride; pairs alone make half")


@dataclass(frozen=True, slots=True)
class Shape:
    """What the addresses of one site look like. `name` is cell, row, column, bank, few, stride,
    pairs or spread; `kind` the state of SHAPE it speaks for; `weight` 0..1 how clearly."""

    name: str
    kind: str
    weight: float
    distinct: int
    says: str


def fields(log: ErrorLog, index: I64, board: Board) -> I64 | None:
    """(n, 3) of bank, row, column for the rows of `index`, from print or map; None without."""
    if log.has_cell[index].all():
        return np.stack([log.bank[index], log.row[index], log.col[index]], axis=1)
    if not board.address or not log.has_address[index].all():
        return None
    address = log.address[index]
    found: dict[str, I64] = {}
    for field in board.address:
        value = np.zeros(len(index), np.int64)
        for place, taps in enumerate(field.bits):
            bit = np.zeros(len(index), np.uint64)
            for tap in taps:
                bit ^= (address >> np.uint64(tap)) & np.uint64(1)
            value |= bit.astype(np.int64) << place
        found[field.name] = value
    bank = np.zeros(len(index), np.int64)
    for name in ("bankgroup", "group", "bg", "bank", "ba", "rank"):
        if name in found:
            bank = bank * 64 + found[name]
    row = found.get("row")
    column = found.get("column", found.get("col"))
    if row is None or column is None:
        return None
    return np.stack([bank, row, column], axis=1)


def shape_of(log: ErrorLog, index: I64, board: Board, lines: int) -> Shape | None:
    """The shape of the errors in rows `index` of a log; `lines` is how many different data lines
    were wrong in them. None where no address was printed."""
    cells = fields(log, index, board)
    addressed = index[log.has_address[index]]
    if cells is None and addressed.size == 0:
        return None
    if cells is not None:
        unique = np.unique(cells, axis=0)
        shape = _by_fields(unique, len(index), lines)
        if shape is not None and shape.kind != "clustered" and addressed.size:
            # Cells all over may still keep a stride, or pair up in a bank or column line.
            bare = _by_address(np.unique(log.address[addressed]), int(addressed.size))
            return bare if bare.kind in ("striped", "paired") else shape
        if shape is not None:
            return shape
    if addressed.size:
        return _by_address(np.unique(log.address[addressed]), int(addressed.size))
    return Shape("spread", "spread", 0.5, len(np.unique(index)), "errors at many places")


def _confidence(distinct: int) -> float:
    return 1.0 - math.exp(-(distinct - 1) / 2)


def _by_fields(unique: I64, rows: int, lines: int) -> Shape | None:
    n = len(unique)
    if n == 1:
        bank, row, col = unique[0].tolist()
        sure = ONCE if rows < 3 else CELL
        return Shape(
            "cell",
            "clustered",
            sure,
            1,
            f"one address, bank {bank} row {row} column {col}, {rows} times",
        )
    share = [
        Counter(map(tuple, unique[:, list(pick)].tolist())).most_common(1)[0]
        for pick in ((0, 1), (0, 2), (0,))
    ]
    need = max(2, math.ceil(MOST * n))
    for name, (value, count) in zip(("row", "column", "bank"), share, strict=True):
        if count >= need:
            where = {"row": "bank {} row {}", "column": "bank {} column {}", "bank": "bank {}"}
            sure = _confidence(n) if name != "bank" else 1.0 - math.exp(-(n - 1) / 6)
            return Shape(
                name,
                "clustered",
                sure,
                n,
                f"{count} of {n} addresses in {where[name].format(*value)}",
            )
    banks = len(np.unique(unique[:, 0]))
    big = [c for c in Counter(map(tuple, unique[:, :2].tolist())).values() if c >= 3]
    if n >= 6 and sum(big) >= MOST * n:
        return Shape("rows", "clustered", CLEAR, n, f"{n} addresses in {len(big)} rows")
    if n >= 10 and banks <= 3:
        # Sixteen banks or more share what is spread: ten addresses miss most of them only by
        # fault (JESD250: 16 banks; JESD79-4: 16, 8 on x16).
        return Shape("banks", "clustered", CLEAR, n, f"{n} addresses, all in {banks} banks")
    return None if n < 3 and banks > 1 else _spread(unique, n, banks, lines)


def _spread(unique: I64, n: int, banks: int, lines: int) -> Shape | None:
    rows = len(np.unique(unique[:, 1]))
    says = f"{n} addresses over {rows} rows and {banks} banks"
    if lines == 1 and rows > 2:
        says += ", always the same data line"
    pairs = _paired(unique[:, 1]) if n >= 6 else 0.0
    if pairs >= MOST:
        return Shape("pairs", "paired", CLEAR, n, says + ", in pairs of rows one bit apart")
    return Shape("spread", "spread", _confidence(n), n, says)


LEAST_STRIDE = 1024
"""A dense sweep over a dead line fails every few bursts: a stride that short says nothing."""

STRIDE_PLAY = 256
"""A disturbance in time meets an address counter at almost, not exactly, the same distance."""


def _by_address(unique: npt.NDArray[np.uint64], rows: int) -> Shape:
    n = len(unique)
    if n == 1:
        sure = ONCE if rows < 3 else CELL
        return Shape("cell", "clustered", sure, 1, f"one address {int(unique[0]):#x}, {rows} times")
    if rows >= 4 * n and n <= 8:
        return Shape("few", "clustered", CLEAR, n, f"{n} addresses hit {rows} times")
    gaps = np.diff(unique)
    stride = int(np.median(gaps))
    often = int((np.abs(gaps.astype(np.float64) - stride) <= stride / STRIDE_PLAY).sum())
    if n >= 8 and often >= STEPS * (n - 1) and stride >= LEAST_STRIDE:
        return Shape(
            "stride", "striped", CLEAR, n, f"{n} addresses, {often} steps of about {stride:#x}"
        )
    if n >= 6 and _paired(unique.astype(np.int64)) >= MOST:
        return Shape("pairs", "paired", CLEAR, n, f"{n} addresses in pairs one bit apart")
    fixed = _fixed_inside(unique)
    if n >= 6 and fixed >= 6:
        return Shape(
            "aligned",
            "clustered",
            CLEAR,
            n,
            f"{n} addresses alike in {fixed} of the bits they span",
        )
    return Shape("spread", "spread", CLEAR * _confidence(n), n, f"{n} different addresses")


def _paired(values: I64) -> float:
    """Share of distinct values that have exactly one partner differing in one common bit."""
    have = set(np.unique(values).tolist())
    if len(have) < 6:
        return 0.0
    best = 0
    for bit in range(40):
        matched = sum(1 for v in have if v ^ (1 << bit) in have)
        best = max(best, matched)
    # A dense block of addresses pairs up in every bit: that is no pairing.
    span = max(have) - min(have) + 1
    return 0.0 if span <= 4 * len(have) else best / len(have)


def _fixed_inside(unique: npt.NDArray[np.uint64]) -> int:
    """Bits that never change, between the lowest and the highest that do, above burst size."""
    changing = int(np.bitwise_or.reduce(unique ^ unique[0]))
    if not changing:
        return 0
    low = max(6, (changing & -changing).bit_length() - 1)
    return sum(1 for b in range(low, changing.bit_length()) if not changing >> b & 1)


HARDLY = _F.practice("hardly", 0.03, "share of sites whose errors look as their kind should not")
NEVER = _F.practice("hardly a stride", 0.002, "the same of a stride, which seldom comes by chance")
_TABLE = {
    looks: {
        **dict.fromkeys(SHAPE, NEVER if looks == "striped" else HARDLY),
        **_F.each(f"{looks},", shares, f"share of sites of that kind whose errors look {looks}"),
    }
    for looks, shares in {
        "spread": {"quiet": 0.62, "spread": 0.93, "paired": 0.25, "striped": 0.35},
        "paired": {"paired": 0.70, "striped": 0.10},
        "striped": {"striped": 0.60},
        "clustered": {"quiet": 0.30, "clustered": 0.75},
    }.items()
}


STRAY_ADDRESSES = _F.practice("stray addresses", 4.0, "addresses from which a quiet site is rarer")
"""A quiet place has a stray event or two: more addresses than this are seldom that, and the more
the seldomer."""


def shape_loglik(shape: Shape) -> dict[str, float]:
    """Log likelihood of a shape in each state of SHAPE."""
    out = {s: shape.weight * math.log(_TABLE[shape.kind][s]) for s in SHAPE}
    out["quiet"] -= 2 * math.log(max(shape.distinct / STRAY_ADDRESSES, 1.0))
    return out
