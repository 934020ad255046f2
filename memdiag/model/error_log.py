"""Error words in columns: a stress run prints millions, so they are never one object each.

The log is exact up to a size; a reader that streams more keeps a thinned log (whole addresses
are kept or dropped by a hash, so repeats stay countable). Of places with many addresses more are
dropped than of those with few: `stands` says for each row how many there were for this one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from msgspec import Struct
from msgspec.structs import replace

from memdiag.model.place import WHOLE_BOARD, Place

LIMB = 64

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

EDC_UNSAID, EDC_OK, EDC_BAD = 0, 1, 2


class LogKey(Struct, frozen=True):
    """What rows of a log have in common: the place they name, and their setting."""

    place: Place = WHOLE_BOARD
    attempt: int | None = None
    point: str | None = None
    temp: float | None = None

    def given(self, more: Mapping[str, Any]) -> LogKey:
        """The key with some of its fields, or its place's, set."""
        at = {name: value for name, value in more.items() if name in _OF_PLACE}
        rest = {name: value for name, value in more.items() if name not in _OF_PLACE}
        return replace(self, place=replace(self.place, **at), **rest)


_OF_PLACE = frozenset({"site", "channel", "rank", "lane", "dq"})


class ErrorLog(Struct, frozen=True):
    """`n` failing words. All arrays have `n` rows; words are split in 64-bit limbs, least first."""

    keys: tuple[LogKey, ...]
    key: npt.NDArray[np.int32]  # index into keys
    line: I64  # 1-based line of the pasted text
    address: U64
    has_address: Flags
    wrong: U64  # (n, limbs)
    wrote: U64  # (n, limbs); only where `directed`
    directed: Flags
    width: npt.NDArray[np.int32]  # bits of the word as printed, 0 where none were
    edc: npt.NDArray[np.int8]  # EDC_UNSAID, EDC_OK or EDC_BAD
    bank: I64
    row: I64
    col: I64
    has_cell: Flags  # bank, row and col were all printed
    beat: I64
    has_beat: Flags
    mark: U64  # what else the row said (its pass): rows alike in all but this were printed apart
    times: I64  # how many printed rows of its address this one stands for
    stands: I64  # how many addresses its own stands for; more than 1 where others were dropped
    total: int  # readings in all, also those thinned out

    def __len__(self) -> int:
        return int(self.key.size)

    @property
    def weight(self) -> I64:
        """How many printed rows each row stands for, those of dropped addresses included: a
        count of them, on the average."""
        return self.weight_of(slice(None))

    def weight_of(self, rows: I64 | Flags | slice) -> I64:
        """`weight` of these rows only: a log is asked that of every lane."""
        found: I64 = self.times[rows] * self.stands[rows]
        return found

    @property
    def share(self) -> float:
        """Which share of the distinct addresses was kept, of the place with the most."""
        return 1.0 / int(self.stands.max()) if len(self) else 1.0

    def extents(self) -> tuple[list[int], list[int]]:
        """Of each key: its first line, and how many printed rows it has."""
        n = len(self.keys)
        first = np.full(n, np.iinfo(np.int64).max)
        np.minimum.at(first, self.key, self.line)
        rows = np.bincount(self.key, weights=self.weight, minlength=n)
        return [int(f) for f in first], [int(r) for r in rows]
