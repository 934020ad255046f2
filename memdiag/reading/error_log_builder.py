"""Builds an `ErrorLog` from millions of rows in bounded memory.

Up to `MOST_LOG_ROWS` rows the log is exact. Beyond, rows that differ in nothing but their line
become one that counts how often it was printed. Where that does not suffice, of each address the
first words stand for all of its words; and then whole addresses are left out by a hash
(`error_log_thinning`), so that of an address that is kept every row is counted, and repeats stay
countable. All of this happens after so many rows, however they come: the log does not depend on how
its text was cut.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
from msgspec.structs import replace

from memdiag.model import ErrorRow
from memdiag.model.error_log import EDC_BAD, EDC_OK, LIMB, ErrorLog, LogKey
from memdiag.reading.error_log_columns import joined, rows_of, same, used_keys
from memdiag.reading.error_log_repeats import collapse, limit, repeats
from memdiag.reading.error_log_thinning import Thinning

MOST_LOG_ROWS = 1_000_000
"""Rows a log holds at most."""
PER_ADDRESS = 64
"""Different words of one address that are told apart in a log that is too long."""
_PENDING = 20_000

U64 = npt.NDArray[np.uint64]


class LogBuilder:
    """Takes rows one by one or in columns, in the order of their lines."""

    def __init__(self, most: int | None = None) -> None:
        self.most = most or MOST_LOG_ROWS
        self.total = 0
        self.repeats = 0  # rows that were printed before, in every cell
        self.first_repeat = 0  # the line of the first of them
        self.collapsed = False
        self.thinned = False
        self._thinning = Thinning()
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
        self.add_parts(((log, which, keys or log.keys),))

    def add_parts(self, parts: Sequence[tuple[ErrorLog, slice, tuple[LogKey, ...]]]) -> None:
        """The same of several logs, whose lines lie between each other's."""
        self._flush()
        part = joined(
            replace(log if which == slice(0, len(log)) else rows_of(log, which), keys=keys)
            for log, which, keys in parts
        )
        if len(parts) > 1:
            part = rows_of(part, np.argsort(part.line, kind="stable"))
        self.total += len(part)
        self._take(part)

    def _flush(self) -> None:
        part = from_rows(self._pending)
        self._pending = []
        if part is not None:
            self._take(part)

    def _take(self, part: ErrorLog) -> None:
        """Take rows until one more than `most` are held, make them fewer, and so on."""
        at = 0
        while at < len(part):
            room = self.most + 1 - self._held
            piece = self._thinning.kept(rows_of(part, slice(at, at + room)))
            at += room
            if len(piece):
                self._parts.append(piece)
                self._held += len(piece)
            if self._held > self.most:
                self._shrink()

    def _shrink(self) -> None:
        """Down to half of `most` rows, so that it is not needed again at once."""
        log = collapse(self._once(joined(self._parts)))
        self.collapsed = True
        if len(log) > self.most // 2:
            self.thinned = True
            log = limit(log, min(PER_ADDRESS, max(1, self.most // 4)))
            log = self._thinning.down_to(log, self.most // 2)
        self._parts, self._held = [log], len(log)

    def _once(self, log: ErrorLog) -> ErrorLog:
        """Without the rows that were printed before, word for word."""
        again = repeats(log)
        if not len(again):
            return log
        self.repeats += len(again)
        line = int(log.line[again].min())
        self.first_repeat = min(self.first_repeat or line, line)
        keep = np.ones(len(log), bool)
        keep[again] = False
        return rows_of(log, keep)

    def __len__(self) -> int:
        return self.total

    def finish(self) -> ErrorLog | None:
        """The log, None where there were no rows."""
        self._flush()
        if not self._parts:
            return None
        log = self._once(joined(self._parts))
        keys, key = used_keys(log.keys, log.key)
        limbs = max(1, -(-int(log.width.max()) // LIMB))  # rows of wider words may be gone
        return replace(
            log,
            keys=keys,
            key=key,
            wrong=log.wrong[:, :limbs],
            wrote=log.wrote[:, :limbs],
            stands=self._thinning.stands(log),
            total=self.total - self.repeats,
        )


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
    width, edc, mark = np.zeros(n, np.int32), np.zeros(n, np.int8), np.zeros(n, np.uint64)
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
        mark[i] = _mark(r)
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
        mark,
        np.ones(n, np.int64),
        same(1, n, np.int64),
        n,
    )


def _mark(row: ErrorRow) -> int:
    """The pass, from 1, 0 where it is not said; mixed with the cells of columns that memdiag does
    not know."""
    mark = 0 if row.pass_ is None else row.pass_ + 1
    if row.extra:
        mark ^= zlib.crc32(repr(sorted(row.extra.items())).encode()) << 31
    return mark % 2**64
