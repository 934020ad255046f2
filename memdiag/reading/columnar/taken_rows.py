"""The rows of a window that were read in columns, in the order of their lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from memdiag.model.error_log import ErrorLog
from memdiag.reading.columnar import typed_rows
from memdiag.reading.columnar.cutting import Cut, Index
from memdiag.reading.columnar.row_plans import LATE, RowPlan
from memdiag.reading.run_builder import ColumnRows


class TakenRows:
    """Rows of `n` lines, the first of which is line `first_line` of the text. `mask` is True for
    lines that gave one, `contrary` for those of them that contradict themselves and are lost."""

    def __init__(self, n: int, first_line: int) -> None:
        self.mask = np.zeros(n, bool)
        self.contrary = np.zeros(n, bool)
        self._first_line = first_line
        self._logs: list[tuple[RowPlan, ErrorLog, Index]] = []
        self._counts: list[tuple[RowPlan, typed_rows.Made]] = []
        self._plans: list[RowPlan] = []  # of rows that contradict themselves

    def add(self, plan: RowPlan, cut: Cut, context: Mapping[str, str]) -> None:
        """The rows of a cut, with what of the context cannot be given to them afterwards."""
        now = dict(fixed(context))
        if plan.table == "errors":
            found = typed_rows.errors(plan, cut, now, self._first_line)
            contrary = found.contrary
            if found.log is not None:
                self._logs.append((plan, found.log, found.lines))
                self.mask[found.lines] = True
        else:
            made, contrary = typed_rows.counts(plan, cut, now)
            if made is not None:
                self._counts.append((plan, made))
                self.mask[made.lines] = True
        if len(contrary):
            self._plans.append(plan)
            self.mask[contrary] = self.contrary[contrary] = True

    def between(self, first: int, last: int, context: Mapping[str, str]) -> ColumnRows | None:
        """The rows of lines `first` to `last` (numbers from 0, the last not included), with what
        headings give them; None where a heading cannot be used."""
        said: dict[RowPlan, dict[str, Any]] = {}
        for plan in (*(p for p, *_ in self._logs), *(p for p, _ in self._counts), *self._plans):
            late = typed_rows.late(plan, context)
            if late is None:
                return None
            said[plan] = late
        logs, counts = [], []
        for plan, log, lines in self._logs:
            which = _slice(lines, first, last)
            if which is not None:
                logs.append((log, which, typed_rows.placed(log.keys, said[plan])))
        for plan, made in self._counts:
            which = _slice(made.lines, first, last)
            if which is not None:
                part = made.part(which, said[plan])
                counts.append((part, part.lines + self._first_line))
        lost = np.flatnonzero(self.contrary[first:last]) + self._first_line + first
        return ColumnRows(self._first_line + first, self._first_line + last - 1, logs, counts, lost)


def fixed(context: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """What headings say that rows cannot be given afterwards."""
    return tuple((name, text) for name, text in context.items() if name not in LATE)


def _slice(lines: Index, first: int, last: int) -> slice | None:
    low, high = np.searchsorted(lines, (first, last)).tolist()
    return slice(low, high) if low < high else None
