"""Error words in columns: a stress run prints millions, so they are never one object each.

The log is exact up to a size; a reader that streams more keeps a thinned log (whole addresses
are kept or dropped by a hash, so repeats stay countable) and says so in `share`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from memdiag.model.records import ErrorRow

LIMB = 64

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

EDC_UNSAID, EDC_OK, EDC_BAD = 0, 1, 2


@dataclass(frozen=True, slots=True)
class ErrorKey:
    """What rows of a log have in common: their scope (as in `records.Scope`) and setting."""

    site: str | None = None
    channel: int | str | None = None
    rank: int | None = None
    lane: int | None = None
    dq: int | None = None
    attempt: int | None = None
    point: str | None = None
    temp: float | None = None


@dataclass(frozen=True, slots=True)
class ErrorLog:
    """`n` failing words. All arrays have `n` rows; words are split in 64-bit limbs, least first."""

    keys: tuple[ErrorKey, ...]
    key: npt.NDArray[np.int32]  # index into keys
    line: I64  # 1-based line of the pasted text
    address: U64
    has_address: Flags
    wrong: U64  # (n, limbs)
    wrote: U64  # (n, limbs); only where `directed`
    directed: Flags
    width: npt.NDArray[np.int32]  # bits of the word as printed
    edc: npt.NDArray[np.int8]  # EDC_UNSAID, EDC_OK or EDC_BAD
    bank: I64
    row: I64
    col: I64
    has_cell: Flags  # bank, row and col were all printed
    beat: I64
    has_beat: Flags
    times: I64  # how many printed rows this one stands for
    total: int  # printed rows in all, also those thinned out
    share: float = 1.0  # share of the distinct addresses that was kept

    def __len__(self) -> int:
        return int(self.key.size)


def split(word: int, limbs: int) -> list[int]:
    """A word as `limbs` 64-bit pieces, least significant first."""
    mask = (1 << LIMB) - 1
    return [(word >> (LIMB * i)) & mask for i in range(limbs)]


def from_rows(rows: Iterable[ErrorRow]) -> ErrorLog | None:
    """A log from `records.ErrorRow`s, None where there are none. Scopes keep first-seen order."""
    items = list(rows)
    if not items:
        return None
    n = len(items)
    limbs = max(1, *(-(-r.digits // LIMB) for r in items))
    keys: dict[ErrorKey, int] = {}
    index = np.zeros(n, np.int32)
    ints = {name: np.zeros(n, np.int64) for name in ("line", "bank", "row", "col", "beat")}
    address = np.zeros(n, np.uint64)
    wrong, wrote = np.zeros((n, limbs), np.uint64), np.zeros((n, limbs), np.uint64)
    width, edc = np.zeros(n, np.int32), np.zeros(n, np.int8)
    flags = {name: np.zeros(n, np.bool_) for name in ("address", "directed", "cell", "beat")}
    for i, r in enumerate(items):
        s = r.scope
        k = ErrorKey(s.site, s.channel, s.rank, s.lane, s.dq, r.attempt, r.point, r.temp)
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
