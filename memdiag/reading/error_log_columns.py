"""Columns of error logs: put together, cut, and the same value in all rows without any room."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from memdiag.model.error_log import ErrorLog, LogKey

I64 = npt.NDArray[np.int64]
ROWWISE = tuple(name for name in ErrorLog.__struct_fields__ if name not in ("keys", "total"))
"""The columns of a log."""


def joined(parts: Iterable[ErrorLog]) -> ErrorLog:
    """Logs one after the other; keys keep first-seen order."""
    parts = list(parts)
    if len(parts) == 1:
        return parts[0]
    keys: dict[LogKey, int] = {}
    columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in ROWWISE}
    limbs = max(part.wrong.shape[1] for part in parts)
    for part in parts:
        remap = np.array([keys.setdefault(k, len(keys)) for k in part.keys], np.int32)
        for name in ROWWISE:
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


def is_same(column: npt.NDArray[Any]) -> bool:
    """Whether it is a column of one value."""
    return column.ndim == 1 and len(column) > 0 and column.strides == (0,)


def _joined_column(pieces: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    if all(map(is_same, pieces)) and len({piece[0].item() for piece in pieces}) == 1:
        return same(pieces[0][0].item(), sum(map(len, pieces)), pieces[0].dtype)
    return np.concatenate(pieces)


def rows_of(log: ErrorLog, which: slice | npt.NDArray[Any]) -> ErrorLog:
    """Only these rows: a slice, their numbers, or a flag for each."""
    if isinstance(which, slice):
        return replace(log, **{name: getattr(log, name)[which] for name in ROWWISE})
    if which.dtype == np.bool_:
        which = np.flatnonzero(which)
    made: dict[str, Any] = {}
    for name in ROWWISE:
        column = getattr(log, name)
        if is_same(column):
            made[name] = same(column[0].item(), len(which), column.dtype)
        elif column.ndim == 2:  # limb by limb: much faster than whole rows
            made[name] = np.stack([np.take(limb, which) for limb in column.T], axis=1)
        else:
            made[name] = np.take(column, which)
    return replace(log, **made)
