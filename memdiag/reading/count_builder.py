"""Builds the rows of a count table from millions of them in bounded memory.

Up to `MOST_COUNT_ROWS` rows each row is kept. Beyond, rows of the same place, setting and test are
added up: their bits, errors and directions are sums; of their distinct cells the largest is kept,
because how many of them are the same ones is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from memdiag.model import CountRow
from memdiag.model.error_log import LogKey
from memdiag.model.problems import Position

MOST_COUNT_ROWS = 100_000
"""Rows that are kept one by one at most, and groups that are told apart when added up."""
NUMBERS = ("bits", "errors", "rose", "fell", "edc", "cells")

I64 = npt.NDArray[np.int64]
Group = tuple[LogKey, str | None]
_HALF = 1 << 32


class Columns(Protocol):
    """Rows in columns: `test` as (word numbers, words), the others as (values, said) or None."""

    @property
    def keys(self) -> Sequence[LogKey]: ...
    @property
    def key(self) -> npt.NDArray[np.int32]: ...
    @property
    def columns(self) -> Mapping[str, Any]: ...


class _Part(Struct):
    group: I64
    line: I64
    values: I64  # (n, len(NUMBERS))
    said: npt.NDArray[np.bool_]


class CountBuilder(Struct):
    """Takes rows one by one or in columns, in the order of their lines."""

    most: int = field(default_factory=lambda: MOST_COUNT_ROWS)
    total: int = 0
    added_up: bool = False
    _rows: list[CountRow] = field(default_factory=list)
    _extra: dict[int, CountRow] = field(default_factory=dict)  # rows with cells of other columns
    _parts: list[_Part] = field(default_factory=list)
    _held: int = 0
    _groups: dict[Group, int] = field(default_factory=dict)
    _names: list[Group] = field(default_factory=list)
    _first: dict[int, int] = field(default_factory=dict)
    _sums: dict[int, list[int | None]] = field(default_factory=dict)

    def add(self, row: CountRow) -> None:
        self.total += 1
        self._rows.append(row)
        if len(self._rows) > self.most:
            self._into_columns()

    def add_columns(self, made: Columns, line: I64) -> None:
        """Rows that were read in columns, and their lines."""
        self._into_columns()
        self.total += len(line)
        keys, key, columns = made.keys, made.key, made.columns
        codes, words = columns["test"]
        found, inverse = np.unique(key.astype(np.int64) * len(words) + codes, return_inverse=True)
        group = [
            self._number((keys[int(p) // len(words)], words[int(p) % len(words)])) for p in found
        ]
        values = np.zeros((len(line), len(NUMBERS)), np.int64)
        said = np.zeros(values.shape, bool)
        for place, name in enumerate(NUMBERS):
            if columns[name] is not None:
                values[:, place], said[:, place] = columns[name]
        self._take(_Part(np.array(group, np.int64)[inverse.reshape(-1)], line, values, said))

    def _number(self, group: Group) -> int:
        """The group's number. Where there are too many groups, tests and then places are no
        longer told apart: the memory they take is bounded."""
        if group not in self._groups and len(self._groups) >= self.most:
            group = (group[0], None) if len(self._groups) < 2 * self.most else (LogKey(), None)
        return self._groups.setdefault(group, len(self._groups))

    def _into_columns(self) -> None:
        rows, self._rows = self._rows, []
        if not rows:
            return
        group = []
        for r in rows:
            key = LogKey(r.place, r.attempt, r.point, r.temp)
            group.append(self._number((key, r.test)))
            if r.extra and len(self._extra) < self.most:
                self._extra[r.position.line] = r
        cells = [[getattr(r, name) for name in NUMBERS] for r in rows]
        said = np.array([[cell is not None for cell in row] for row in cells], bool)
        values = np.array([[cell or 0 for cell in row] for row in cells], np.int64)
        line = np.array([r.position.line for r in rows], np.int64)
        self._take(_Part(np.array(group, np.int64), line, values, said))

    def _take(self, part: _Part) -> None:
        self._parts.append(part)
        self._held += len(part.line)
        if self._held > self.most:
            self._add_up()

    def _add_up(self) -> None:
        """Everything held is added to the sums of its groups."""
        self.added_up = True
        parts, self._parts, self._held = self._parts, [], 0
        for part in parts:
            found, first, inverse = np.unique(part.group, return_index=True, return_inverse=True)
            inverse, n = inverse.reshape(-1), len(found)
            for group, line in zip(found.tolist(), part.line[first].tolist(), strict=True):
                # Rows of several rules, each in columns, lie between each other.
                self._first[group] = min(self._first.get(group, line), line)
                self._sums.setdefault(group, [None] * len(NUMBERS))
            for place, name in enumerate(NUMBERS):
                there = part.said[:, place]
                at, column = inverse[there], part.values[there, place]
                if name == "cells":
                    largest = np.zeros(n, np.int64)
                    np.maximum.at(largest, at, column)
                    totals = [int(v) for v in largest]
                else:  # in two halves: each sum stays below 2**53 and is exact as a float
                    high = np.bincount(at, column >> 32, n).tolist()
                    low = np.bincount(at, column & (_HALF - 1), n).tolist()
                    totals = [int(h) * _HALF + int(w) for h, w in zip(high, low, strict=True)]
                for i in np.flatnonzero(np.bincount(at, minlength=n)).tolist():
                    sums = self._sums[int(found[i])]
                    before = sums[place]
                    if name == "cells":
                        sums[place] = max(before or 0, totals[i])
                    else:
                        sums[place] = (before or 0) + totals[i]

    def __len__(self) -> int:
        return self.total

    def finish(self) -> tuple[CountRow, ...]:
        """The rows, in the order of their (first) lines."""
        if not self._parts and not self.added_up:
            return tuple(self._rows)
        self._into_columns()
        if self.added_up:
            self._add_up()
            ordered = sorted(self._sums, key=self._first.__getitem__)
            return tuple(self._row(g, self._first[g], self._sums[g]) for g in ordered)
        made = []
        for part in self._parts:
            for group, line, values, said in zip(
                part.group.tolist(),
                part.line.tolist(),
                part.values.tolist(),
                part.said.tolist(),
                strict=True,
            ):
                cells = [v if s else None for v, s in zip(values, said, strict=True)]
                made.append(self._extra.get(line) or self._row(group, line, cells))
        made.sort(key=lambda row: row.position.line)  # rows of several rules, each in columns
        return tuple(made)

    def _row(self, group: int, line: int, cells: Sequence[int | None]) -> CountRow:
        if len(self._names) != len(self._groups):
            self._names = list(self._groups)
        key, test = self._names[group]
        return CountRow(
            position=Position(line),
            place=key.place,
            attempt=key.attempt,
            point=key.point,
            temp=key.temp,
            test=test,
            bits=cells[0],
            errors=cells[1],
            rose=cells[2],
            fell=cells[3],
            edc=cells[4],
            cells=cells[5],
        )
