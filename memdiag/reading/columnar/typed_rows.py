"""Cut columns -> typed rows of error and count tables, many at once.

The values are those that `row_builder` gives one by one. A row with any cell that is not plainly
right is left out of what is given back, and read by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from memdiag.model import schema
from memdiag.model.error_log import EDC_BAD, EDC_OK, EDC_UNSAID, LIMB, ErrorLog, LogKey
from memdiag.reading import converters
from memdiag.reading.columnar import values
from memdiag.reading.columnar.cutting import Cut
from memdiag.reading.columnar.row_cells import RowCells
from memdiag.reading.columnar.row_plans import FIELD_OF, KEYS, LATE, WHOLE, RowPlan
from memdiag.reading.error_log_columns import same, used_keys

Flags = npt.NDArray[np.bool_]
I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]


def late(plan: RowPlan, context: Mapping[str, str]) -> dict[str, Any] | None:
    """What headings give to the rows of a plan, by column; None where it cannot be used."""
    found: dict[str, Any] = {}
    for name, text in context.items():
        if name in LATE and name in schema.columns(plan.table) and name not in plan.columns:
            convert = converters.converter(plan.table, name)
            try:
                found[name] = values.plain(text, name, convert)
            except converters.Wrong:
                return None
    return found


def placed(keys: tuple[LogKey, ...], found: Mapping[str, Any]) -> tuple[LogKey, ...]:
    """Keys with what headings give."""
    more = {FIELD_OF[name]: value for name, value in found.items() if name in KEYS}
    return tuple(key.given(more) for key in keys) if more else keys


class Made(Struct):
    """Rows in columns: `lines` are their numbers in the block, from 0."""

    lines: I64
    keys: tuple[LogKey, ...]
    key: npt.NDArray[np.int32]
    columns: dict[str, Any]

    def part(self, which: slice, found: Mapping[str, Any]) -> Made:
        """Some of the rows, with what headings give."""
        codes, words = self.columns["test"]
        if "test" in found:
            words = [found["test"]]
        columns = {
            name: None if held is None else (held[0][which], held[1][which])
            for name, held in self.columns.items()
            if name != "test"
        }
        columns["test"] = (codes[which], words)
        return Made(self.lines[which], placed(self.keys, found), self.key[which], columns)


# -- error words --------------------------------------------------------------------------------


class _Words(Struct, frozen=True):
    """What error rows say of their words: `(n, limbs)` wrong bits and words written, whether those
    are said, printed widths in bits, and addresses (None where no row has one)."""

    wrong: U64
    wrote: U64
    directed: Flags
    width: npt.NDArray[np.int32]
    address: tuple[U64, Flags] | None


class ErrorRows(Struct, frozen=True):
    """The rows of an error table as a log (None where none is fine), and their line numbers in the
    block, from 0; and the lines of rows that are lost, for they contradict themselves."""

    log: ErrorLog | None
    lines: I64
    contrary: I64


_NO_LINES = np.zeros(0, np.int64)


def errors(plan: RowPlan, cut: Cut, context: Mapping[str, str], first_line: int) -> ErrorRows:
    """The rows of an error table. `first_line` is the number of the block's first line in the
    text."""
    at = RowCells(plan, cut, context)
    if any(name in at.texts for name in schema.HEX):
        # Words that a heading or a fixed value gives: no rig prints such.
        return ErrorRows(None, _NO_LINES, _NO_LINES)
    whole = {name: at.whole(name) for name in WHOLE["errors"]}
    words = _error_words(at, _all_said(at.n, whole))
    codes, found = at.words("edc")
    kinds = np.array(
        [EDC_UNSAID if v is None else EDC_BAD if v else EDC_OK for v in found], np.int8
    )
    keys, key = at.keys()
    contrary = at.part_contrary()
    if not at.fine.any():
        return ErrorRows(None, _NO_LINES, contrary)
    kept, size = _Kept(at.fine), int(at.fine.sum())
    bank, row, col, has_cell = _cells(kept, size, whole)
    beat, has_beat = kept.number(whole["beat"], size)
    address, has_address = same(0, size, np.uint64), same(0, size, np.bool_)
    if words.address is not None:
        address, has_address = (kept(column) for column in words.address)
    lines, width = kept(cut.lines), kept(words.width)
    limbs = max(1, -(-int(width.max()) // LIMB))
    used, key = (keys, key) if kept.all_of_them else used_keys(keys, kept(key))
    log = ErrorLog(
        used,
        key,
        lines + first_line,
        address,
        has_address,
        kept(words.wrong)[:, :limbs],
        kept(words.wrote)[:, :limbs],
        kept(words.directed),
        width,
        same(int(kinds[0]), size, np.int8) if codes is None else kept(kinds[codes]),
        bank,
        row,
        col,
        has_cell,
        np.where(has_beat, beat, 0) if whole["beat"] else beat,
        has_beat,
        same(0, size, np.uint64) if whole["pass"] is None else _marks(kept, whole["pass"], size),
        same(1, size, np.int64),
        same(1, size, np.int64),
        size,
    )
    return ErrorRows(log, lines, contrary)


def _all_said(n: int, whole: Mapping[str, tuple[I64, Flags] | None]) -> Flags:
    """Which rows say bank, row and column."""
    said = np.ones(n, bool)
    for name in ("bank", "row", "col"):
        column = whole[name]
        said = np.zeros(n, bool) if column is None else said & column[1]
    return said


def _error_words(at: RowCells, placed: Flags) -> _Words:
    """The words of the rows; those that say too little are not fine, and some contradict
    themselves. `placed`: which say their bank, row and column."""
    hexes: dict[str, Any] = {}
    for name in schema.HEX:
        text = at.column(name)
        if text is not None:
            hexes[name] = values.hex_words(text, bare=at.plan.own)
            at.fine &= hexes[name][3]
    no_word = (np.zeros((at.n, 1), np.uint64), np.zeros(at.n, np.int32), np.zeros(at.n, bool))
    wrote, read, mask = (hexes.get(name, no_word) for name in ("wrote", "read", "mask"))
    limbs = max(w[0].shape[1] for w in (wrote, read, mask))
    w, r, m = (_wide(word[0], limbs) for word in (wrote, read, mask))
    said_w, said_r, said_m = wrote[2], read[2], mask[2]
    both = said_w & said_r
    wrong = w ^ r
    address = hexes.get("address")
    blank = ~(said_w | said_r | said_m) & (placed if address is None else placed | address[2])
    at.fine &= said_m | both | blank
    if said_m.any():
        at.contrary |= both & said_m & (m != wrong).any(axis=1)
        wrong = np.where(said_m[:, None], m, wrong)
    at.contrary |= ~(wrong.any(axis=1) | blank)
    if not said_w.all():
        w = np.where(said_w[:, None], w, np.where(said_r[:, None], r ^ wrong, np.uint64(0)))
    width = np.maximum(np.maximum(wrote[1], read[1]), mask[1])
    if address is None:
        return _Words(wrong, w, said_w | said_r, width, None)
    at.fine &= (address[1] <= 64) | ~address[2]
    where = np.where(address[2], address[0][:, 0], np.uint64(0))
    return _Words(wrong, w, said_w | said_r, width, (where, address[2]))


class _Kept:
    """Keeps those rows of a column that are fine."""

    def __init__(self, fine: Flags) -> None:
        self._fine = fine
        self.all_of_them = bool(fine.all())

    def __call__(self, column: Any) -> Any:
        return column if self.all_of_them else column[self._fine]

    def number(self, found: tuple[I64, Flags] | None, size: int) -> tuple[Any, Any]:
        """Values and which are said; of a column that is not there `size` that are not."""
        if found is None:
            return same(0, size, np.int64), same(0, size, np.bool_)
        return self(found[0]), self(found[1])


def _marks(kept: _Kept, found: tuple[I64, Flags], size: int) -> U64:
    """The pass of each row, from 1; 0 where it is not said."""
    number, said = kept.number(found, size)
    marks: U64 = np.where(said, number + 1, 0).astype(np.uint64)
    return marks


def _cells(
    kept: _Kept, size: int, whole: Mapping[str, tuple[I64, Flags] | None]
) -> tuple[Any, Any, Any, Any]:
    """Bank, row and column of a cell, and which rows say all three: less than that says nothing."""
    nothing = same(0, size, np.int64)
    if not (whole["bank"] and whole["row"] and whole["col"]):
        return nothing, nothing, nothing, same(0, size, np.bool_)
    (bank, bank_said), (row, row_said), (col, col_said) = (
        kept.number(whole[name], size) for name in ("bank", "row", "col")
    )
    cell = bank_said & row_said & col_said
    bank, row, col = (np.where(cell, v, 0) for v in (bank, row, col))
    return bank, row, col, cell


def _wide(words: U64, limbs: int) -> U64:
    if words.shape[1] == limbs:
        return words
    return np.pad(words, ((0, 0), (0, limbs - words.shape[1])))


# -- counts -------------------------------------------------------------------------------------


def counts(plan: RowPlan, cut: Cut, context: Mapping[str, str]) -> tuple[Made | None, I64]:
    """The rows of a count table in columns: `test` as (word number, words), the others as
    (values, said) or None. None where no row is fine. And the lines of rows that contradict
    themselves."""
    at = RowCells(plan, cut, context)
    whole = {name: at.whole(name) for name in WHOLE["counts"]}
    nothing = (np.zeros(at.n, np.int64), np.zeros(at.n, bool))
    bits, errors_, rose, fell, cells_ = (
        whole[name] or nothing for name in ("bits", "errors", "rose", "fell", "cells")
    )
    turned = np.where(rose[1], rose[0], 0) + np.where(fell[1], fell[0], 0)
    most = np.maximum(
        np.maximum(np.where(errors_[1], errors_[0], 0), turned), np.where(cells_[1], cells_[0], 0)
    )
    at.contrary |= bits[1] & (most > bits[0])
    at.contrary |= errors_[1] & (turned > errors_[0])
    at.contrary |= errors_[1] & cells_[1] & (cells_[0] > errors_[0])
    if not plan.own:  # a line of words alone may be a header line
        at.fine &= bits[1] | errors_[1] | rose[1] | fell[1] | cells_[1]
    at.fine &= (rose[0] < 2**62) & (fell[0] < 2**62)  # their sum could run over
    tests, names = at.words("test")
    keys, key = at.keys()
    contrary, keep = at.part_contrary(), at.fine
    if not keep.any():
        return None, contrary
    columns: dict[str, Any] = {
        name: None if found is None else (found[0][keep], found[1][keep])
        for name, found in whole.items()
    }
    size = int(keep.sum())
    columns["test"] = (np.zeros(size, np.int32) if tests is None else tests[keep], names)
    used, numbered = used_keys(keys, key[keep])
    return Made(cut.lines[keep], used, numbered, columns), contrary
