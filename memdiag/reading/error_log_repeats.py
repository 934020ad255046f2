"""Rows of an error log that say the same, found by hashes; and fewer rows that stand for many."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from memdiag.model.error_log import ErrorLog
from memdiag.reading.error_log_columns import ROWWISE, is_same, rows_of

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]


def mixed(values: U64) -> U64:
    """A well spread 64-bit number for each: the finalizer of SplitMix64 (Steele, Lea and Flood
    2014)."""
    x = values + np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    hashed: U64 = x ^ (x >> np.uint64(31))
    return hashed


def spread(log: ErrorLog) -> U64:
    """What decides whether a row stays: its address; its line where it has none."""
    return mixed(np.where(log.has_address, log.address, log.line.astype(np.uint64)))


def repeats(log: ErrorLog) -> I64:
    """The rows that say in every cell what one before them said. Words without an address are
    never taken for the same one: they may be wrong at many."""
    if not log.has_address.any() or not _may_repeat(log):
        return np.zeros(0, np.int64)
    compared = [name for name in ROWWISE if name not in ("line", "times")]
    state = _state(log, compared)
    _, first, group = np.unique(state, return_index=True, return_inverse=True)
    leader = first[group.reshape(-1)]
    again = np.flatnonzero((leader != np.arange(len(log))) & log.has_address)
    alike = np.ones(len(again), bool)
    for name in compared:  # two unlike rows of one hash stay two
        column = getattr(log, name)
        if not is_same(column):
            equal = column[again] == column[leader[again]]
            alike &= equal.all(axis=1) if equal.ndim == 2 else equal
    found: I64 = again[alike]
    return found


def _may_repeat(log: ErrorLog) -> bool:
    """A quick look: whether any two rows name one address, one word and one mark."""
    with np.errstate(over="ignore"):
        state = log.address ^ (log.wrong[:, 0] * np.uint64(0x9E3779B97F4A7C15))
        state = np.sort(state ^ (log.mark * np.uint64(0xBF58476D1CE4E5B9)))
    return bool((state[1:] == state[:-1]).any())


def _state(log: ErrorLog, compared: Iterable[str]) -> U64:
    """A number for each row that is the same where these columns are."""
    state = np.zeros(len(log), np.uint64)
    with np.errstate(over="ignore"):
        for name in compared:
            column = getattr(log, name)
            if is_same(column):
                continue
            for part in column.T if column.ndim == 2 else (column,):
                state = mixed(state ^ part.astype(np.uint64))
    return state


def collapse(log: ErrorLog) -> ErrorLog:
    """Rows that differ in nothing but their line and mark made one, at the first of their lines."""
    compared = [name for name in ROWWISE if name not in ("line", "times", "mark")]
    state = _state(log, compared)
    _, first, group = np.unique(state, return_index=True, return_inverse=True)
    leader = first[group]
    again = np.flatnonzero(leader != np.arange(len(log)))
    alike = np.ones(len(log), bool)
    for name in compared:  # two unlike rows of one hash stay two
        column = getattr(log, name)
        if not is_same(column):
            equal = column[again] == column[leader[again]]
            alike[again] &= equal.all(axis=1) if equal.ndim == 2 else equal
    times = np.bincount(group[alike], weights=log.times[alike], minlength=len(first))
    counted = np.array(log.times)
    counted[first] = times.astype(np.int64)
    keep = np.zeros(len(log), bool)
    keep[first] = True
    keep |= ~alike
    return rows_of(replace(log, times=counted), keep)


def limit(log: ErrorLog, words: int) -> ErrorLog:
    """At most so many rows of each address (and key): the first ones, which count for the others
    in turn. Rows without an address stay as they are."""
    with np.errstate(over="ignore"):
        where = mixed(spread(log) ^ mixed(log.key.astype(np.uint64)))
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
    return rows_of(replace(log, times=counted), keep)
