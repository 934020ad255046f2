"""Cut columns -> typed rows of error and count tables, many at once.

The values are those that `row_builder` gives one by one. A row with any cell that is not plainly
right is left out of what is given back, and read by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from memdiag.layouts.row_shapes import Shape, Taken
from memdiag.model import schema
from memdiag.model.error_log import EDC_BAD, EDC_OK, EDC_UNSAID, LIMB, ErrorLog, LogKey
from memdiag.reading import converters
from memdiag.reading.columnar import numbers
from memdiag.reading.columnar.cutting import Cut, Wanted
from memdiag.reading.error_log_builder import distinct, same, used_keys
from memdiag.reading.row_builder import UNSAID

KEYS = (*schema.SCOPE, *schema.SETTING)
_FIELDS = {c.name: c.fills for c in (*schema.PLACE_COLUMNS, *schema.SETTING_COLUMNS)}
_WHOLE = {
    table: tuple(c.name for c in schema.TABLES[table] if c.cell is schema.Cell.WHOLE)
    for table in ("errors", "counts")
}
TABLES = tuple(_WHOLE)
"""The tables that can be read in columns."""

Flags = npt.NDArray[np.bool_]
I64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """How the lines of one shape become rows of a table: for each column, the field it is in or
    its fixed text. `own` is True for a rule of the layout's own, False for cells under columns."""

    shape: Shape
    table: str
    columns: Mapping[str, int | str]
    own: bool

    @property
    def wanted(self) -> Wanted:
        return {
            field: "numbers" if column in schema.bulk_columns(self.table) else "words"
            for column, field in self.columns.items()
            if isinstance(field, int)
        }


def plan(shape: Shape, table: str, header: Sequence[str] | None) -> Plan | None:
    """The plan for a shape. `header` names the columns of the open table, None for a rule of the
    layout's own. None where the table has columns that cannot be read this way."""
    columns: dict[str, int | str] = {}
    for taken in shape.taken:
        name = taken.column if header is None else header[int(taken.column)]
        columns[name] = _source(taken)
    if any(name not in schema.columns(table) for name in columns):
        return None
    if header is None and table == "errors" and not _says_words(columns):
        return None
    return Plan(shape, table, columns, header is None)


def _source(taken: Taken) -> int | str:
    return taken.field if taken.field is not None else taken.value or ""


def _says_words(columns: Mapping[str, object]) -> bool:
    return "mask" in columns or ("wrote" in columns and "read" in columns)


LATE = frozenset({*KEYS, "test"})
"""Columns that rows may take from a heading after they were read."""


def late(plan: Plan, context: Mapping[str, str]) -> dict[str, Any] | None:
    """What headings give to the rows of a plan, by column; None where it cannot be used."""
    found: dict[str, Any] = {}
    for name, text in context.items():
        if name in LATE and name in schema.columns(plan.table) and name not in plan.columns:
            convert = converters.converter(plan.table, name)
            try:
                found[name] = None if text in UNSAID else convert(name, text)
            except converters.Wrong:
                return None
    return found


def placed(keys: tuple[LogKey, ...], found: Mapping[str, Any]) -> tuple[LogKey, ...]:
    """Keys with what headings give."""
    more = {_FIELDS[name]: value for name, value in found.items() if name in KEYS}
    return tuple(key.given(more) for key in keys) if more else keys


@dataclass(slots=True)
class Made:
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


class _Reading:
    """One cut being read: which rows are still fine, and the columns so far."""

    def __init__(self, plan: Plan, cut: Cut, context: Mapping[str, str]) -> None:
        self.plan, self.cut = plan, cut
        self.n = len(cut.lines)
        self.fine = cut.fine.copy()
        known = schema.columns(plan.table)
        self.texts = {
            c: t
            for c, t in context.items()
            if c in known and c not in plan.columns and c not in LATE
        }
        self.texts |= {c: f for c, f in plan.columns.items() if isinstance(f, str)}

    def column(self, name: str) -> Any:
        """The cells of a column, None where it has none."""
        field = self.plan.columns.get(name)
        return self.cut.cells[field] if isinstance(field, int) else None

    def words(self, name: str) -> tuple[npt.NDArray[np.int32] | None, list[Any]]:
        """A column of few words: each row's word number (None: the same in all) and the values."""
        convert = converters.converter(self.plan.table, name)
        text = self.column(name)
        if text is None:
            return None, [self._fixed(name, convert)]
        codes, values, fine = numbers.coded(text, name, convert)
        if not fine.all():
            self.fine &= fine[codes]
        return codes, values

    def _fixed(self, name: str, convert: Any) -> Any:
        text = self.texts.get(name)
        if text is None or text in UNSAID:
            return None
        try:
            return convert(name, text)
        except converters.Wrong:
            self.fine[:] = False
            return None

    def whole(self, name: str) -> tuple[I64, Flags] | None:
        """A column of whole numbers and which are said; None where none is."""
        text = self.column(name)
        if text is not None:
            values, said, fine = numbers.whole(text, name)
            self.fine &= fine
            return values, said
        value = self._fixed(name, converters.converter(self.plan.table, name))
        if value is None:
            return None
        return np.full(self.n, value, np.int64), np.ones(self.n, bool)

    def keys(self) -> tuple[tuple[LogKey, ...], npt.NDArray[np.int32]]:
        """What the rows have in common, in order of first mention, and each row's part of it."""
        code: Any = None
        spans: list[tuple[str, list[Any]]] = []
        for name in KEYS:
            codes, values = self.words(name)
            spans.append((name, values))
            if codes is not None and len(values) > 1:
                code = codes.astype(np.int64) if code is None else code * len(values) + codes
            # A column that is the same in all rows has one value, and adds nothing to the code.
        if code is None:
            code = np.zeros(self.n, np.int64)
        most = math.prod(len(values) for _, values in spans)
        if most > 2**62:
            self.fine[:] = False  # words of many kinds: no table has so many places
            return (LogKey(),), np.zeros(self.n, np.int32)
        codes_, first, inverse = distinct(code, most)
        found: dict[LogKey, int] = {}
        remap = np.zeros(len(codes_), np.int32)
        for at in np.argsort(first, kind="stable").tolist():
            rest, chosen = int(codes_[at]), {}
            for name, values in reversed(spans):
                rest, number = divmod(rest, len(values))
                chosen[_FIELDS[name]] = values[number]
            remap[at] = found.setdefault(LogKey().given(chosen), len(found))
        return tuple(found), remap[inverse]


# -- error words --------------------------------------------------------------------------------


def errors(
    plan: Plan, cut: Cut, context: Mapping[str, str], first_line: int
) -> tuple[ErrorLog, I64] | None:
    """The rows of an error table as a log, and their line numbers in the block. `first_line` is
    the number of the block's first line in the text. None where no row is fine."""
    at = _Reading(plan, cut, context)
    n = at.n
    if any(name in at.texts for name in schema.HEX):
        return None  # words that a heading or a fixed value gives: no rig prints such
    hexes: dict[str, Any] = {}
    for name in schema.HEX:
        text = at.column(name)
        if text is not None:
            hexes[name] = numbers.words(text, bare=plan.own)
            at.fine &= hexes[name][3]
    no_word = (np.zeros((n, 1), np.uint64), np.zeros(n, np.int32), np.zeros(n, bool), None)
    wrote, read, mask = (hexes.get(name, no_word) for name in ("wrote", "read", "mask"))
    limbs = max(w[0].shape[1] for w in (wrote, read, mask))
    w, r, m = (_wide(word[0], limbs) for word in (wrote, read, mask))
    said_w, said_r, said_m = wrote[2], read[2], mask[2]
    both = said_w & said_r
    wrong = np.where(said_m[:, None], m, w ^ r) if said_m.any() else w ^ r
    at.fine &= said_m | both
    if said_m.any():
        at.fine &= ~(both & said_m) | (wrong == (w ^ r)).all(axis=1)
    at.fine &= wrong.any(axis=1)
    directed = said_w | said_r
    if not said_w.all():
        w = np.where(said_w[:, None], w, np.where(said_r[:, None], r ^ wrong, np.uint64(0)))
    width = np.maximum(np.maximum(wrote[1], read[1]), mask[1])
    address = hexes.get("address")
    if address is not None:
        at.fine &= (address[1] <= 64) | ~address[2]
    whole = {name: at.whole(name) for name in _WHOLE["errors"]}
    codes, values = at.words("edc")
    kinds = np.array(
        [EDC_UNSAID if v is None else EDC_BAD if v else EDC_OK for v in values], np.int8
    )
    keys, key = at.keys()
    keep = at.fine
    if not keep.any():
        return None
    all_fine = bool(keep.all())

    def kept(column: Any) -> Any:
        return column if all_fine else column[keep]

    size = int(keep.sum())

    def number(name: str) -> tuple[Any, Any]:
        found = whole[name]
        if found is None:
            return same(0, size, np.int64), same(0, size, np.bool_)
        return kept(found[0]), kept(found[1])

    (bank, bank_said), (row, row_said), (col, col_said) = map(number, ("bank", "row", "col"))
    cell = same(0, size, np.bool_)
    if whole["bank"] and whole["row"] and whole["col"]:
        cell = bank_said & row_said & col_said
        bank, row, col = (np.where(cell, v, 0) for v in (bank, row, col))
    else:
        bank = row = col = same(0, size, np.int64)
    beat, has_beat = number("beat")
    lines = kept(cut.lines)
    if address is None:
        where, has_address = same(0, size, np.uint64), same(0, size, np.bool_)
    else:
        where = kept(np.where(address[2], address[0][:, 0], np.uint64(0)))
        has_address = kept(address[2])
    width = kept(width)
    limbs = max(1, -(-int(width.max()) // LIMB))
    used, key = (keys, key) if all_fine else used_keys(keys, key[keep])
    log = ErrorLog(
        used,
        key,
        lines + first_line,
        where,
        has_address,
        kept(wrong)[:, :limbs],
        kept(w)[:, :limbs],
        kept(directed),
        width,
        same(int(kinds[0]), size, np.int8) if codes is None else kept(kinds[codes]),
        bank,
        row,
        col,
        cell,
        np.where(has_beat, beat, 0) if whole["beat"] else beat,
        has_beat,
        same(1, size, np.int64),
        size,
    )
    return log, lines


def _wide(words: npt.NDArray[np.uint64], limbs: int) -> npt.NDArray[np.uint64]:
    if words.shape[1] == limbs:
        return words
    return np.pad(words, ((0, 0), (0, limbs - words.shape[1])))


# -- counts -------------------------------------------------------------------------------------


def counts(plan: Plan, cut: Cut, context: Mapping[str, str]) -> Made | None:
    """The rows of a count table in columns: `test` as (word number, words), the others as
    (values, said) or None. None where no row is fine."""
    at = _Reading(plan, cut, context)
    whole = {name: at.whole(name) for name in _WHOLE["counts"]}
    nothing = (np.zeros(at.n, np.int64), np.zeros(at.n, bool))
    bits, errors_, rose, fell, cells_ = (
        whole[name] or nothing for name in ("bits", "errors", "rose", "fell", "cells")
    )
    turned = np.where(rose[1], rose[0], 0) + np.where(fell[1], fell[0], 0)
    most = np.maximum(
        np.maximum(np.where(errors_[1], errors_[0], 0), turned), np.where(cells_[1], cells_[0], 0)
    )
    at.fine &= ~bits[1] | (most <= bits[0])
    at.fine &= ~errors_[1] | (turned <= errors_[0])
    at.fine &= ~(errors_[1] & cells_[1]) | (cells_[0] <= errors_[0])
    if not plan.own:  # a line of words alone may be a header line
        at.fine &= bits[1] | errors_[1] | rose[1] | fell[1] | cells_[1]
    at.fine &= (rose[0] < 2**62) & (fell[0] < 2**62)  # their sum could run over
    tests, names = at.words("test")
    keys, key = at.keys()
    keep = at.fine
    if not keep.any():
        return None
    columns: dict[str, Any] = {
        name: None if found is None else (found[0][keep], found[1][keep])
        for name, found in whole.items()
    }
    size = int(keep.sum())
    columns["test"] = (np.zeros(size, np.int32) if tests is None else tests[keep], names)
    used, numbered = used_keys(keys, key[keep])
    return Made(cut.lines[keep], used, numbered, columns)
