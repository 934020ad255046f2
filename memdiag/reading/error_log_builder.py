"""Builds an `ErrorLog` from millions of rows in bounded memory.

Up to `MOST_LOG_ROWS` rows the log is exact. Beyond, rows that differ in nothing but their line
become one that counts how often it was printed. Where that does not suffice, of each address the
first words stand for all of its words; and then whole addresses are left out by a hash, so that of
an address that is kept every row is counted, and repeats stay countable.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from memdiag.model import ErrorRow
from memdiag.model.error_log import EDC_BAD, EDC_OK, LIMB, ErrorLog, LogKey

MOST_LOG_ROWS = 1_000_000
"""Rows a log holds at most."""
PER_ADDRESS = 64
"""Different words of one address that are told apart in a log that is too long."""
_PENDING = 20_000

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
_ROWWISE = tuple(f.name for f in fields(ErrorLog) if f.name not in ("keys", "total", "share"))


class LogBuilder:
    """Takes rows one by one or in columns, in the order of their lines."""

    def __init__(self, most: int | None = None) -> None:
        self.most = most or MOST_LOG_ROWS
        self.total = 0
        self.share = 1.0
        self.collapsed = False
        self.thinned = False
        self._pending: list[ErrorRow] = []
        self._parts: list[ErrorLog] = []
        self._held = 0

    def add(self, row: ErrorRow) -> None:
        self.total += 1
        self._pending.append(row)
        if len(self._pending) >= _PENDING:
            self._flush()

    def add_part(self, log: ErrorLog, which: slice, keys: tuple[LogKey, ...] | None = None) -> None:
        """Some rows of a log that was read in columns; `keys` instead of its own."""
        self._flush()
        part = log if which == slice(0, len(log)) else _rows_of(log, which)
        if keys is not None:
            part = replace(part, keys=keys)
        self.total += len(part)
        self._take(part)

    def _flush(self) -> None:
        part = from_rows(self._pending)
        self._pending = []
        if part is not None:
            self._take(part)

    def _take(self, part: ErrorLog) -> None:
        if self.share < 1:
            part = _rows_of(part, _spread(part) < _bound(self.share))
        if len(part):
            self._parts.append(part)
            self._held += len(part)
        if self._held > self.most:
            self._shrink()

    def _shrink(self) -> None:
        """Down to half of `most` rows, so that it is not needed again at once."""
        log = collapse(joined(self._parts))
        self.collapsed = True
        if len(log) > self.most // 2:
            self.thinned = True
            log = limit(log, min(PER_ADDRESS, max(1, self.most // 4)))
        while len(log) > self.most // 2:
            spread = _spread(log)
            kept = spread < _bound(self.share / 2)
            if not kept.any():  # one address alone is left: it stays
                kept = spread == spread.min()
            self.share /= 2
            log = _rows_of(log, kept)
        self._parts, self._held = [log], len(log)

    def __len__(self) -> int:
        return self.total

    def finish(self) -> ErrorLog | None:
        """The log, None where there were no rows."""
        self._flush()
        if not self._parts:
            return None
        log = joined(self._parts)
        if (np.diff(log.line) < 0).any():  # rows of several rules, each in columns
            log = _rows_of(log, np.argsort(log.line, kind="stable"))
        keys, key = used_keys(log.keys, log.key)
        limbs = max(1, -(-int(log.width.max()) // LIMB))  # rows of wider words may be gone
        return replace(
            log,
            keys=keys,
            key=key,
            wrong=log.wrong[:, :limbs],
            wrote=log.wrote[:, :limbs],
            total=self.total,
            share=self.share,
        )


def joined(parts: Iterable[ErrorLog]) -> ErrorLog:
    """Logs one after the other; keys keep first-seen order."""
    parts = list(parts)
    if len(parts) == 1:
        return parts[0]
    keys: dict[LogKey, int] = {}
    columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in _ROWWISE}
    limbs = max(part.wrong.shape[1] for part in parts)
    for part in parts:
        remap = np.array([keys.setdefault(k, len(keys)) for k in part.keys], np.int32)
        for name in _ROWWISE:
            column = getattr(part, name)
            if name == "key":
                column = remap[column]
            elif column.ndim == 2 and column.shape[1] < limbs:
                column = np.pad(column, ((0, 0), (0, limbs - column.shape[1])))
            columns[name].append(column)
    made: dict[str, Any] = {name: _joined_column(pieces) for name, pieces in columns.items()}
    return ErrorLog(keys=tuple(keys), total=sum(p.total for p in parts), **made)


def distinct(code: I64, most: int) -> tuple[I64, I64, I64]:
    """The distinct codes, all below `most`; where each is first; the number of each row's code."""
    if most > 1 << 20:
        found, first, inverse = np.unique(code, return_index=True, return_inverse=True)
        return found, first, inverse.reshape(-1)
    firsts = np.full(most, -1, np.int64)
    firsts[code[::-1]] = np.arange(len(code) - 1, -1, -1)  # the last to be written is the first
    found = np.flatnonzero(firsts >= 0)
    numbered = np.zeros(most, np.int64)
    numbered[found] = np.arange(len(found))
    return found, firsts[found], numbered[code]


def used_keys(
    keys: tuple[LogKey, ...], key: npt.NDArray[np.int32]
) -> tuple[tuple[LogKey, ...], npt.NDArray[np.int32]]:
    """Only the keys that rows have, in order of first mention, and each row's number in them."""
    found, first, inverse = distinct(key.astype(np.int64), max(1, len(keys)))
    order = np.argsort(first, kind="stable")
    place = np.empty(len(order), np.int32)
    place[order] = np.arange(len(order), dtype=np.int32)
    return tuple(keys[int(found[i])] for i in order), place[inverse]


def same(value: int, n: int, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """A column of one value that takes no room: what is not printed is not stored n times."""
    return np.broadcast_to(np.asarray(value, dtype), (n,))


def _is_same(column: npt.NDArray[Any]) -> bool:
    return column.ndim == 1 and len(column) > 0 and column.strides == (0,)


def _joined_column(pieces: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    if all(map(_is_same, pieces)) and len({piece[0].item() for piece in pieces}) == 1:
        return same(pieces[0][0].item(), sum(map(len, pieces)), pieces[0].dtype)
    return np.concatenate(pieces)


def _rows_of(log: ErrorLog, which: slice | npt.NDArray[Any]) -> ErrorLog:
    """Only these rows: a slice, their numbers, or a flag for each."""
    if isinstance(which, slice):
        return replace(log, **{name: getattr(log, name)[which] for name in _ROWWISE})
    if which.dtype == np.bool_:
        which = np.flatnonzero(which)
    made: dict[str, Any] = {}
    for name in _ROWWISE:
        column = getattr(log, name)
        if _is_same(column):
            made[name] = same(column[0].item(), len(which), column.dtype)
        elif column.ndim == 2:  # limb by limb: much faster than whole rows
            made[name] = np.stack([np.take(limb, which) for limb in column.T], axis=1)
        else:
            made[name] = np.take(column, which)
    return replace(log, **made)


# -- hashes -------------------------------------------------------------------------------------


def mixed(values: U64) -> U64:
    """A well spread 64-bit number for each: the finalizer of SplitMix64 (Steele, Lea and Flood
    2014)."""
    x = values + np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    spread: U64 = x ^ (x >> np.uint64(31))
    return spread


def _spread(log: ErrorLog) -> U64:
    """What decides whether a row stays: its address; its line where it has none."""
    return mixed(np.where(log.has_address, log.address, log.line.astype(np.uint64)))


def _bound(share: float) -> np.uint64:
    return np.uint64(int(share * 2**64)) if share < 1 else np.uint64(2**64 - 1)


def collapse(log: ErrorLog) -> ErrorLog:
    """Rows that differ in nothing but their line made one, at the first of their lines."""
    state = np.zeros(len(log), np.uint64)
    compared = [name for name in _ROWWISE if name not in ("line", "times")]
    with np.errstate(over="ignore"):
        for name in compared:
            column = getattr(log, name)
            if _is_same(column):
                continue
            for part in column.T if column.ndim == 2 else (column,):
                state = mixed(state ^ part.astype(np.uint64))
    _, first, group = np.unique(state, return_index=True, return_inverse=True)
    leader = first[group]
    again = np.flatnonzero(leader != np.arange(len(log)))
    alike = np.ones(len(log), bool)
    for name in compared:  # two unlike rows of one hash stay two
        column = getattr(log, name)
        if not _is_same(column):
            equal = column[again] == column[leader[again]]
            alike[again] &= equal.all(axis=1) if equal.ndim == 2 else equal
    times = np.bincount(group[alike], weights=log.times[alike], minlength=len(first))
    counted = np.array(log.times)
    counted[first] = times.astype(np.int64)
    keep = np.zeros(len(log), bool)
    keep[first] = True
    keep |= ~alike
    return _rows_of(replace(log, times=counted), keep)


def limit(log: ErrorLog, words: int) -> ErrorLog:
    """At most so many rows of each address (and key): the first ones, which count for the others
    in turn. Rows without an address stay as they are."""
    with np.errstate(over="ignore"):
        where = mixed(_spread(log) ^ mixed(log.key.astype(np.uint64)))
    order = np.argsort(where, kind="stable")
    grouped = where[order]
    new = np.concatenate((np.ones(1, bool), grouped[1:] != grouped[:-1]))
    start = np.flatnonzero(new)[np.cumsum(new) - 1]
    rank = np.arange(len(log)) - start
    times = np.bincount(start + rank % words, weights=log.times[order], minlength=len(log))
    counted = np.zeros(len(log), np.int64)
    counted[order] = times.astype(np.int64)
    keep = np.zeros(len(log), bool)
    keep[order] = rank < words
    return _rows_of(replace(log, times=counted), keep)


def split(word: int, limbs: int) -> list[int]:
    """A word as `limbs` 64-bit pieces, least significant first."""
    mask = (1 << LIMB) - 1
    return [(word >> (LIMB * i)) & mask for i in range(limbs)]


def from_rows(rows: Iterable[ErrorRow]) -> ErrorLog | None:
    """A log from `records.ErrorRow`s, None where there are none. Keys keep first-seen order."""
    items = list(rows)
    if not items:
        return None
    n = len(items)
    limbs = max(1, *(-(-r.digits // LIMB) for r in items))
    keys: dict[LogKey, int] = {}
    index = np.zeros(n, np.int32)
    ints = {name: np.zeros(n, np.int64) for name in ("line", "bank", "row", "col", "beat")}
    address = np.zeros(n, np.uint64)
    wrong, wrote = np.zeros((n, limbs), np.uint64), np.zeros((n, limbs), np.uint64)
    width, edc = np.zeros(n, np.int32), np.zeros(n, np.int8)
    flags = {name: np.zeros(n, np.bool_) for name in ("address", "directed", "cell", "beat")}
    for i, r in enumerate(items):
        k = LogKey(r.place, r.attempt, r.point, r.temp)
        index[i] = keys.setdefault(k, len(keys))
        ints["line"][i] = r.position.line
        if r.address is not None:
            address[i], flags["address"][i] = r.address, True
        wrong[i] = split(r.wrong, limbs)
        width[i] = r.digits
        if r.wrote is not None:
            wrote[i], flags["directed"][i] = split(r.wrote, limbs), True
        if r.edc_bad is not None:
            edc[i] = EDC_BAD if r.edc_bad else EDC_OK
        if r.bank is not None and r.row is not None and r.col is not None:
            ints["bank"][i], ints["row"][i], ints["col"][i] = r.bank, r.row, r.col
            flags["cell"][i] = True
        if r.beat is not None:
            ints["beat"][i], flags["beat"][i] = r.beat, True
    return ErrorLog(
        tuple(keys),
        index,
        ints["line"],
        address,
        flags["address"],
        wrong,
        wrote,
        flags["directed"],
        width,
        edc,
        ints["bank"],
        ints["row"],
        ints["col"],
        flags["cell"],
        ints["beat"],
        flags["beat"],
        np.ones(n, np.int64),
        n,
    )
