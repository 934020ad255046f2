"""Leaves whole addresses out of a log that is too long, by a hash, and remembers how many.

Each place and setting has a share of its own: a lane with a few errors keeps them all beside one
with millions.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from memdiag.model.error_log import ErrorLog, LogKey
from memdiag.reading.error_log_columns import rows_of, same
from memdiag.reading.error_log_repeats import spread

I64 = npt.NDArray[np.int64]

_MOST_HALVINGS = 62
_LEAST_EACH = 8
"""Rows that there must be room for of each key; with more keys all have one share."""


class Thinning(Struct):
    """How often the addresses of each key were halved."""

    _halved: dict[LogKey, int] = field(default_factory=dict)
    _all: int = 0  # how often those of all keys were

    def kept(self, part: ErrorLog) -> ErrorLog:
        """The rows of a part whose addresses are kept."""
        if not (self._halved or self._all):
            return part
        return rows_of(part, _is_kept(part, self._halvings(part.keys)[part.key]))

    def down_to(self, log: ErrorLog, most: int) -> ErrorLog:
        """The log with so many rows at most, if it has two addresses that differ in their hash."""
        while len(log) > most:
            rows = np.bincount(log.key, minlength=len(log.keys))
            if np.count_nonzero(rows) * _LEAST_EACH > most:
                self._all = int(self._halvings(log.keys)[log.key].min()) + 1
            else:
                for number in np.flatnonzero(rows > _quota(rows, most)).tolist():
                    key = log.keys[number]
                    self._halved[key] = max(self._halved.get(key, 0), self._all) + 1
            halvings = self._halvings(log.keys)
            if int(halvings.max()) > _MOST_HALVINGS:
                return log  # one address alone is left: it stays
            log = rows_of(log, _is_kept(log, halvings[log.key]))
        return log

    def stands(self, log: ErrorLog) -> I64:
        """For how many addresses each row's stands."""
        if not (self._halved or self._all):
            return same(1, len(log), np.int64)
        found: I64 = np.int64(1) << self._halvings(log.keys)[log.key]
        return found

    def _halvings(self, keys: Sequence[LogKey]) -> I64:
        return np.array([max(self._halved.get(key, 0), self._all) for key in keys], np.int64)


def _is_kept(log: ErrorLog, halvings: I64) -> npt.NDArray[np.bool_]:
    """Which rows have an address with so many zeros at the top of its hash."""
    top = spread(log) >> (np.uint64(64) - np.maximum(halvings, 1).astype(np.uint64))
    found: npt.NDArray[np.bool_] = (top == 0) | (halvings == 0)
    return found


def _quota(rows: I64, most: int) -> int:
    """How many rows each key may have, so that those that have more together use what the others
    leave."""
    ordered = np.sort(rows)
    before = np.concatenate((np.zeros(1, np.int64), np.cumsum(ordered)[:-1]))
    each = (most - before) // np.arange(len(rows), 0, -1)
    fits = np.flatnonzero(ordered >= each)
    return int(each[fits[0]]) if len(fits) else int(ordered[-1])
