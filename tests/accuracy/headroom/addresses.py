"""Where the wrong words of a place lie in the address space, in numbers."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from memdiag.evidence.measurements import Measured
from memdiag.model import Board
from memdiag.model.error_log import ErrorLog
from tests.accuracy.headroom.numbers import Numbers

FIGURES = (
    *("addresses", "again", "one bit apart", "one bit apart, next", "constant bits", "stride"),
    *("banks", "rows", "columns", "top bank", "top row", "top column", "evenest bit"),
)
BITS = 48
"""Address bits looked at: 256 TB."""
ENOUGH = 2048
"""Distinct addresses looked at, spread over all there are."""

Words = npt.NDArray[np.uint64]


def numbers(groups: Iterable[Measured], log: ErrorLog | None, board: Board) -> Numbers:
    """Of the error words of these groups together: how many addresses, how often each, which bits
    never change, which pair up at one bit, and how they fall on banks, rows and columns."""
    found = [rows for g in groups if g.tally is not None for rows in g.tally.index]
    if log is None or not found:
        return {}
    index = np.unique(np.concatenate(found))
    index = index[log.has_address[index]]
    if not index.size:
        return {}
    distinct = np.unique(log.address[index])
    said = {
        "addresses": math.log10(distinct.size),
        "again": math.log10(float(log.times[index].sum()) / distinct.size),
    }
    return said | _bits(_some(distinct), _used(log, board)) | _cells(log, index, board)


def _some(addresses: Words) -> Words:
    step = -(-addresses.size // ENOUGH)
    return addresses[::step]


def _used(log: ErrorLog, board: Board) -> list[np.uint64]:
    """The address bits that a test can change: those of the board's map, else those that do."""
    known = {tap for field in board.address for bit in field.bits for tap in bit}
    if known:
        return [np.uint64(tap) for tap in sorted(known)]
    every = _some(np.unique(log.address[log.has_address]))
    shifts = np.arange(BITS, dtype=np.uint64)
    return [s for s in shifts if len(np.unique(every >> s & np.uint64(1))) > 1]


def _bits(distinct: Words, used: Sequence[np.uint64]) -> Numbers:
    """What the bits of the addresses have in common, of those that are used."""
    if distinct.size < 2 or not used:
        return {}
    high = [float((distinct >> s & np.uint64(1)).mean()) for s in used]
    paired = sorted(float(np.isin(distinct ^ (np.uint64(1) << s), distinct).mean()) for s in used)
    steps = np.diff(np.sort(distinct).astype(np.int64))
    return {
        "constant bits": float(sum(h in (0.0, 1.0) for h in high)),
        "evenest bit": min(abs(h - 0.5) for h in high),
        "one bit apart": paired[-1],
        "one bit apart, next": paired[-2] if len(paired) > 1 else 0.0,
        "stride": math.log2(int(np.gcd.reduce(steps))),
    }


def _cells(log: ErrorLog, index: npt.NDArray[np.int64], board: Board) -> Numbers:
    parts = _parts(log, index, board)
    said: Numbers = {}
    for name, values in zip(("bank", "row", "column"), parts, strict=bool(parts)):
        counts = Counter(values)
        said[f"{name}s"] = math.log10(len(counts))
        said[f"top {name}"] = max(counts.values()) / len(values)
    return said


def _parts(log: ErrorLog, index: npt.NDArray[np.int64], board: Board) -> list[Sequence[int]]:
    """Bank, row and column of each word, as printed or by the board's address map."""
    if log.has_cell[index].all():
        return [log.bank[index].tolist(), log.row[index].tolist(), log.col[index].tolist()]
    fields = {field.name: field.bits for field in board.address}
    if not {"bank", "row"} <= fields.keys() or not {"col", "column"} & fields.keys():
        return []
    names = ("bank", "row", "col" if "col" in fields else "column")
    return [_decoded(log.address[index], fields[name]) for name in names]


def _decoded(addresses: Words, bits: Sequence[Sequence[int]]) -> list[int]:
    value = np.zeros(addresses.size, np.uint64)
    for place, taps in enumerate(bits):
        bit = np.zeros(addresses.size, np.uint64)
        for tap in taps:
            bit ^= addresses >> np.uint64(tap) & np.uint64(1)
        value |= bit << np.uint64(place)
    return [int(v) for v in value]
