"""Which lane and data line each bit of an error word is, and the tallies that follow from it.

Bits run from dq 0 of the lowest lane named, least significant first, upwards through the lanes
of the channel (or of the site, where only that is named); a word wider than that holds
successive beats, first beat least significant. A row that says neither words nor mask is a wrong
word of the place that it names, of no line and, where that place has several lanes, of none of
them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt
from msgspec import field
from msgspec.structs import replace

from memdiag.evidence.address_patterns import FULL, changing, distinct
from memdiag.evidence.byte_sums import ByteSums
from memdiag.model import LANE_LINES, Board, Place
from memdiag.model.error_log import EDC_BAD, EDC_OK, LIMB, ErrorLog, LogKey

Rows = npt.NDArray[np.intp]
Bytes = npt.NDArray[np.uint8]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]


class LaneTally(ByteSums, kw_only=True, dict=True):
    """What an error log says of one lane, or of a wider place by rows that say no words."""

    place: Place
    first_line: int = 0
    rows: int = 0
    blank: int = 0
    """How many of the rows say no words: at least one bit was wrong, nobody knows which."""
    edc_ok: int = 0
    edc_bad: int = 0
    index: list[Rows] = field(default_factory=list)
    """Row numbers of the log that touch this lane."""
    masks: list[Bytes] = field(default_factory=list)
    """For each of those rows, the data lines that were wrong, dq 0 least significant."""
    addresses: list[tuple[U64, I64]] = field(default_factory=list)
    """The addresses of those rows that say one, and how many addresses each stands for."""

    @cached_property
    def cells(self) -> int:
        """How many different addresses were wrong, on the average where some were left out."""
        if not self.addresses:
            return 0
        address, stands = (np.concatenate(column) for column in zip(*self.addresses, strict=True))
        if (stands == 1).all():
            return len(distinct(address))
        order = np.lexsort((stands, address))
        new = np.ones(len(order), bool)
        np.not_equal(address[order][1:], address[order][:-1], out=new[1:])
        return int(stands[order][new].sum())

    @cached_property
    def fills(self) -> bool:
        """Whether those are a good part of a space that is no smaller than a test's."""
        if self.cells < FULL * LEAST_TESTED:
            return False
        space = (
            2 ** changing(np.concatenate([address for address, _ in self.addresses])).bit_count()
        )
        return bool(self.cells >= FULL * space)

    @property
    def wrong_bits(self) -> int:
        """How many bits were wrong at the least."""
        return int(self.wrong.sum()) + self.blank

    @property
    def span(self) -> float:
        """How many lines are wrong together in all beats but the narrowest: a lane that reads what
        nothing drives is wrong on one or two of them in one beat of seven (eight fair coins)."""
        beats = np.cumsum(self.spans)
        return float(np.searchsorted(beats, NARROWEST * beats[-1]))

    @property
    def same_lines(self) -> bool:
        """Whether several words are wrong on the very same data lines: whatever that is, it is not
        what nothing drives, which is wrong here and there by chance."""
        masks = np.concatenate(self.masks) if self.masks else np.zeros(0, np.uint8)
        return self.rows >= LEAST_ALIKE and bool(masks.size and masks.min() == masks.max())


LEAST_TESTED = 1 << 14
"""Bursts that a test goes through at the least: a megabyte (common practice, no source)."""

LEAST_ALIKE = 3
"""Two words may be wrong on the same lines by chance."""

NARROWEST = 0.3
"""Twice the share of beats with one or two lines wrong where each is wrong by chance, 36 in 255."""


def _itself(place: Place) -> Place:
    return place


def lanes_of(key: LogKey, board: Board, width: int) -> list[Place]:
    """The channel and lane of each byte of a beat, in bit order, for rows of this key.

    `width` is the printed width of the word in bits; it decides only where neither the row nor
    the board names lanes.
    """
    at = key.place
    if at.lane is not None:
        return [Place(None, at.channel, None, at.lane)]
    if at.channel is not None:
        known = [Place(None, at.channel, None, n) for n in board.lanes_of(at.channel, at.site)]
    else:
        links = board.links(at) if at.site is not None else ()
        own = {(link.channel, link.lane) for _, link in links if link.lane is not None}
        known = [Place(None, c, None, n) for c, n in sorted(own, key=lambda p: (str(p[0]), p[1]))]
    if known:
        return known
    return [Place(None, at.channel, None, n) for n in range(max(1, min(width, LIMB) // LANE_LINES))]


def tallies(
    log: ErrorLog | None, board: Board, at: Callable[[Place], Place] = _itself
) -> list[LaneTally]:
    """One tally for each lane that any row of the log touches, in order of first mention. `at`:
    which place a lane is grouped under, so that one lane named in two ways has one tally."""
    if log is None:
        return []
    found: dict[Place, LaneTally] = {}

    def tally(place: Place, first: int) -> LaneTally:
        place = at(place)
        return found.setdefault(place, LaneTally(place=place, first_line=first))

    for number, where in _by_key(log):
        key, width = log.keys[number], int(log.width[where[0]])
        if not width:
            _tally_blank(log, where, key, board, tally)
        else:
            lanes = lanes_of(key, board, int(log.width[where].max()))
            _tally_key(log, where, key, lanes, board, tally)
    return list(found.values())


def _by_key(log: ErrorLog) -> Iterator[tuple[int, Rows]]:
    """The rows of each key, those without words first and apart, each in the order of lines. A log
    may have as many keys as rows: they are sorted once, not looked for one by one."""
    state = 2 * log.key.astype(np.int64) + (log.width > 0)
    if len(log.keys) < 1 << 15:
        state = state.astype(np.uint16)  # short numbers are sorted in linear time
    order = np.argsort(state, kind="stable")
    grouped = state[order]
    ends = np.flatnonzero(grouped[1:] != grouped[:-1]) + 1
    for where in np.split(order, ends):
        if where.size:
            yield int(log.key[where[0]]), where


def _tally_blank(
    log: ErrorLog, where: Rows, key: LogKey, board: Board, tally: Callable[[Place, int], LaneTally]
) -> None:
    """Rows of one key that say no words."""
    place = replace(key.place.link, site=key.place.site or _only_owner(board, key.place))
    mine = tally(place, int(log.line[where[0]]))
    mine.blank += int(log.weight_of(where).sum())
    _add_rows(mine, log, where)
    mine.masks.append(np.zeros(where.size, np.uint8))


def _tally_key(
    log: ErrorLog,
    where: Rows,
    key: LogKey,
    lanes: Sequence[Place],
    board: Board,
    tally: Callable[[Place, int], LaneTally],
) -> None:
    wrong, wrote = _by_lane(log, where, len(lanes))
    for i, lane in enumerate(lanes):
        mine = wrong[:, :, i]
        hit = mine.any(axis=1)
        if not hit.any():
            continue
        place = replace(lane, site=key.place.site, rank=key.place.rank)
        if place.site is None:
            place = replace(place, site=_only_owner(board, place))
        rows = where[hit]
        into = tally(place, int(log.line[rows[0]]))
        _add_words(into, log, rows, mine[hit], wrote[:, :, i][hit], key.place.lines)
        _add_rows(into, log, rows)


def _by_lane(log: ErrorLog, where: Rows, lanes: int) -> tuple[Bytes, Bytes]:
    """The wrong bits and those written, each as (rows, beats, lanes) bytes, dq 0 least."""
    wrong, wrote = _bytes(log.wrong[where]), _bytes(log.wrote[where])
    beats = max(1, wrong.shape[1] // lanes)
    need = beats * lanes
    if wrong.shape[1] < need:
        pad = ((0, 0), (0, need - wrong.shape[1]))
        wrong, wrote = np.pad(wrong, pad), np.pad(wrote, pad)
    # A word narrower than 64 bits has limbs of zeros above it: those beats were never compared.
    used = max(1, min(beats, int(log.width[where].max()) // (LANE_LINES * lanes)))
    # What lies beyond whole beats belongs to no line and is dropped.
    shape = (len(where), beats, lanes)
    return wrong[:, :need].reshape(shape)[:, :used], wrote[:, :need].reshape(shape)[:, :used]


def _add_words(
    tally: LaneTally, log: ErrorLog, rows: Rows, wrong: Bytes, wrote: Bytes, lines: Sequence[int]
) -> None:
    """What the bytes of some rows say: arrays of (rows, beats). `lines`: those that the rows
    name."""
    for dq in lines:
        # The row names its line: whatever bit of the word is wrong, it is that one.
        wrote = ((wrong & wrote) != 0).astype(np.uint8) << np.uint8(dq)
        wrong = (wrong != 0).astype(np.uint8) << np.uint8(dq)
    directed = log.directed[rows]
    times = np.broadcast_to(log.weight_of(rows)[:, None], wrong.shape)
    known = lines or range(LANE_LINES)
    if directed.all():
        tally.add(wrong, wrote, times, known)
    else:
        tally.add(wrong[directed], wrote[directed], times[directed], known)
        tally.add(wrong[~directed], None, times[~directed], known)
    tally.masks.append(np.bitwise_or.reduce(wrong, axis=1))


def _add_rows(tally: LaneTally, log: ErrorLog, rows: Rows) -> None:
    """What some rows say beside their bits: how often, the link checks, the addresses."""
    times, edc = log.weight_of(rows), log.edc[rows]
    tally.rows += int(times.sum())
    tally.edc_ok += int(times[edc == EDC_OK].sum())
    tally.edc_bad += int(times[edc == EDC_BAD].sum())
    said = rows if log.has_address[rows].all() else rows[log.has_address[rows]]
    tally.addresses.append((log.address[said], log.stands[said]))
    tally.index.append(rows)


def _bytes(words: npt.NDArray[np.uint64]) -> Bytes:
    """(n, limbs) of 64-bit pieces -> (n, 8 * limbs) bytes, least significant first."""
    return np.ascontiguousarray(words.astype("<u8")).view(np.uint8).reshape(len(words), -1)


def _only_owner(board: Board, place: Place) -> str | None:
    owners = place.sites(board)
    owner = board.site(owners[0]) if len(owners) == 1 else None
    return owner.ref if owner is not None and owner.named else None
