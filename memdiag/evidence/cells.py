"""Where in an array addresses lie: bank, row and column, as printed or through the board's map."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from memdiag.evidence import address_patterns as patterns
from memdiag.model import Board
from memdiag.model.error_log import ErrorLog

I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]


class Cells(Struct, frozen=True):
    """Distinct places of an array, in the order of `code`, which holds all three in one number;
    `columns` is how many columns a row has."""

    bank: I64
    row: I64
    col: I64
    code: I64
    columns: int

    def __len__(self) -> int:
        return len(self.code)


LEAST_COLUMNS = 64
"""Bursts of a row, at the least (JESD79-3: 1024 columns, which are 128 bursts of eight; JESD250:
64)."""


def cells_of(log: ErrorLog, index: I64, board: Board, bare: U64) -> Cells | None:
    """The places of the rows of `index`, from print or map; None without. `bare`: their different
    addresses, as far as they say one."""
    if log.has_cell[index].all():
        found: list[I64] | None = [log.bank[index], log.row[index], log.col[index]]
    elif log.has_address[index].all():
        found = _mapped(bare, board)
    else:
        found = None
    if found is None:
        return None
    widths = [int(values.max()).bit_length() for values in found]
    if sum(widths) > _WORD:
        # Numbers that no memory has: told apart, though not by their bits.
        found = [np.unique(values, return_inverse=True)[1].reshape(-1) for values in found]
        widths = [int(values.max()).bit_length() for values in found]
    bank, row, col = found
    code = patterns.distinct(bank << (widths[1] + widths[2]) | row << widths[2] | col)
    bank, row = code >> (widths[1] + widths[2]), code >> widths[2] & ((1 << widths[1]) - 1)
    most = 1 << widths[2]
    for field in board.address:
        if field.name in ("col", "column"):
            most = 1 << len(field.bits)
    col = code & ((1 << widths[2]) - 1)
    return Cells(bank, row, col, code, max(most, LEAST_COLUMNS))


_WORD = 62


def _mapped(address: U64, board: Board) -> list[I64] | None:
    if not board.address:
        return None
    found: dict[str, I64] = {}
    for field in board.address:
        value = np.zeros(len(address), np.int64)
        for place, taps in enumerate(field.bits):
            bit = np.zeros(len(address), np.uint64)
            for tap in taps:
                bit ^= (address >> np.uint64(tap)) & np.uint64(1)
            value |= bit.astype(np.int64) << place
        found[field.name] = value
    bank = np.zeros(len(address), np.int64)
    for name in ("bankgroup", "group", "bg", "bank", "ba", "rank"):
        if name in found:
            bank = bank * 64 + found[name]
    row = found.get("row")
    column = found.get("column", found.get("col"))
    return None if row is None or column is None else [bank, row, column]


def one_number(high: I64, low: I64) -> I64:
    """Both numbers as one, in their order."""
    width = int(low.max()).bit_length()
    if int(high.max()).bit_length() + width > _WORD:
        high = np.unique(high, return_inverse=True)[1].reshape(-1)
    return high << width | low
