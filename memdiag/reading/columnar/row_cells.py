"""The cells of one cut, column by column, as the values they stand for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from memdiag.model import schema
from memdiag.model.error_log import LogKey
from memdiag.reading import converters
from memdiag.reading.columnar import values
from memdiag.reading.columnar.cutting import Cut
from memdiag.reading.columnar.row_plans import FIELD_OF, KEYS, LATE, RowPlan
from memdiag.reading.error_log_columns import distinct

Flags = npt.NDArray[np.bool_]
I64 = npt.NDArray[np.int64]


class RowCells:
    """One cut being read: which rows are still fine, which contradict themselves, and the columns
    so far."""

    def __init__(self, plan: RowPlan, cut: Cut, context: Mapping[str, str]) -> None:
        self.plan, self.cut = plan, cut
        self.n = len(cut.lines)
        self.fine = cut.fine.copy()
        self.contrary = np.zeros(self.n, bool)
        known = schema.columns(plan.table)
        self.texts = {
            c: t
            for c, t in context.items()
            if c in known and c not in plan.columns and c not in LATE
        }
        self.texts |= {c: f for c, f in plan.columns.items() if isinstance(f, str)}

    def part_contrary(self) -> I64:
        """Take from the rows whose cells are all fine those that contradict themselves: their
        lines."""
        contrary = self.contrary & self.fine
        self.fine &= ~contrary
        lines: I64 = self.cut.lines[contrary]
        return lines

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
        codes, found, fine = values.coded(text, name, convert)
        if not fine.all():
            self.fine &= fine[codes]
        return codes, found

    def _fixed(self, name: str, convert: Any) -> Any:
        text = self.texts.get(name)
        try:
            return None if text is None else values.plain(text, name, convert)
        except converters.Wrong:
            self.fine[:] = False
            return None

    def whole(self, name: str) -> tuple[I64, Flags] | None:
        """A column of whole numbers and which are said; None where none is."""
        text = self.column(name)
        if text is not None:
            found, said, fine = values.whole(text, name)
            self.fine &= fine
            return found, said
        value = self._fixed(name, converters.converter(self.plan.table, name))
        if value is None:
            return None
        return np.full(self.n, value, np.int64), np.ones(self.n, bool)

    def keys(self) -> tuple[tuple[LogKey, ...], npt.NDArray[np.int32]]:
        """What the rows have in common, in order of first mention, and each row's part of it."""
        code: Any = None
        spans: list[tuple[str, list[Any]]] = []
        for name in KEYS:
            codes, found = self.words(name)
            spans.append((name, found))
            if codes is not None and len(found) > 1:
                code = codes.astype(np.int64) if code is None else code * len(found) + codes
            # A column that is the same in all rows has one value, and adds nothing to the code.
        if code is None:
            code = np.zeros(self.n, np.int64)
        most = math.prod(len(found) for _, found in spans)
        if most > 2**62:
            self.fine[:] = False  # words of many kinds: no table has so many places
            return (LogKey(),), np.zeros(self.n, np.int32)
        codes_, first, inverse = distinct(code, most)
        numbered: dict[LogKey, int] = {}
        remap = np.zeros(len(codes_), np.int32)
        for at in np.argsort(first, kind="stable").tolist():
            rest, chosen = int(codes_[at]), {}
            for name, found in reversed(spans):
                rest, number = divmod(rest, len(found))
                chosen[FIELD_OF[name]] = found[number]
            remap[at] = numbered.setdefault(LogKey().given(chosen), len(numbered))
        return tuple(numbered), remap[inverse]
