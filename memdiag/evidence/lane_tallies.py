"""Which lane and data line each bit of an error word is, and the tallies that follow from it.

Bits run from dq 0 of the lowest lane named, least significant first, upwards through the lanes
of the channel (or of the site, where only that is named); a word wider than that holds
successive beats, first beat least significant. A row that says neither words nor mask is a wrong
word of the place that it names, of no line and, where that place has several lanes, of none of
them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from memdiag.model import LANE_LINES, Board, Place
from memdiag.model.error_log import EDC_BAD, EDC_OK, LIMB, ErrorLog, LogKey

CHUNK = 65536  # rows unpacked to bits at a time: 64 booleans each, so that memory stays small

Rows = npt.NDArray[np.intp]
Bits = npt.NDArray[np.bool_]


@dataclass(slots=True)
class LaneTally:
    """What an error log says of one lane, or of a wider place by rows that say no words; arrays of
    8 count bits, one a data line."""

    place: Place
    wrong: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES))
    rose: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES))
    fell: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES))
    ones: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES))
    zeros: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES))
    both: npt.NDArray[np.float64] = field(
        default_factory=lambda: np.zeros((LANE_LINES, LANE_LINES))
    )
    """`both[i, j]`: printed words (beats) in which dq i and dq j were wrong together."""
    apart: npt.NDArray[np.float64] = field(
        default_factory=lambda: np.zeros((LANE_LINES, LANE_LINES))
    )
    """`apart[i, j]`: wrong beats of dq i in which i and j had been written alike."""
    words: set[int] = field(default_factory=set)
    """Different bytes written to the lane in these rows, those with more than one bit unlike the
    rest only: walking patterns never write two lines against the others."""
    spans: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(LANE_LINES + 1))
    """`spans[n]`: beats in which n data lines were wrong together."""
    rows: int = 0
    blank: int = 0
    """How many of the rows say no words: at least one bit was wrong, nobody knows which."""
    edc_ok: int = 0
    edc_bad: int = 0
    first_line: int = 0
    cells: set[int] = field(default_factory=set)
    index: list[npt.NDArray[np.int64]] = field(default_factory=list)
    """Row numbers of the log that touch this lane."""
    masks: list[npt.NDArray[np.uint8]] = field(default_factory=list)
    """For each of those rows, the data lines that were wrong, dq 0 least significant."""

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
        return len(masks) >= LEAST_ALIKE and len(np.unique(masks)) == 1


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
        return found.setdefault(place, LaneTally(place, first_line=first))

    blank = log.width == 0
    for number, key in enumerate(log.keys):
        where = np.flatnonzero((log.key == number) & blank)
        if where.size:
            _tally_blank(log, where, key, board, tally)
        where = np.flatnonzero((log.key == number) & ~blank)
        if where.size:
            lanes = lanes_of(key, board, int(log.width[where].max()))
            for start in range(0, where.size, CHUNK):
                _tally_key(log, where[start : start + CHUNK], key, lanes, board, tally)
    return list(found.values())


def _tally_blank(
    log: ErrorLog, where: Rows, key: LogKey, board: Board, tally: Callable[[Place, int], LaneTally]
) -> None:
    """Rows of one key that say no words."""
    place = replace(key.place.link, site=key.place.site or _only_owner(board, key.place))
    mine = tally(place, int(log.line[where[0]]))
    mine.blank += int(log.times[where].sum())
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
        hit = wrong[:, :, i].any(axis=(1, 2))
        if not hit.any():
            continue
        rows = where[hit]
        place = replace(lane, site=key.place.site, rank=key.place.rank)
        if place.site is None:
            place = replace(place, site=_only_owner(board, place))
        mine = tally(place, int(log.line[rows[0]]))
        _add_beats(mine, log, rows, wrong[:, :, i][hit], wrote[:, :, i][hit], key.place.lines)
        _add_rows(mine, log, rows)


def _by_lane(log: ErrorLog, where: Rows, lanes: int) -> tuple[Bits, Bits]:
    """The wrong bits and those written, each as (rows, beats, lanes, data lines)."""
    wrong, wrote = _unpack(log.wrong[where]), _unpack(log.wrote[where])
    beats = max(1, wrong.shape[1] // (LANE_LINES * lanes))
    need = beats * LANE_LINES * lanes
    if wrong.shape[1] < need:
        pad = ((0, 0), (0, need - wrong.shape[1]))
        wrong, wrote = np.pad(wrong, pad), np.pad(wrote, pad)
    # A word narrower than 64 bits has limbs of zeros above it: those beats were never compared.
    used = max(1, min(beats, int(log.width[where].max()) // (LANE_LINES * lanes)))
    # What lies beyond whole beats belongs to no line and is dropped.
    shape = (len(where), beats, lanes, LANE_LINES)
    return wrong[:, :need].reshape(shape)[:, :used], wrote[:, :need].reshape(shape)[:, :used]


def _add_beats(
    tally: LaneTally, log: ErrorLog, rows: Rows, wrong: Bits, wrote: Bits, lines: Sequence[int]
) -> None:
    """What the bits of some rows say: arrays of (rows, beats, data lines). `lines`: those that
    the rows name."""
    directed = log.directed[rows]
    known = directed[:, None, None]
    for dq in lines:
        # The row names its line: whatever bit of the word is wrong, it is that one.
        flat = np.zeros((2, *wrong.shape), bool)
        flat[0, ..., dq], flat[1, ..., dq] = wrong.any(axis=2), (wrong & wrote).any(axis=2)
        wrong, wrote = flat
        known = known & (np.arange(LANE_LINES) == dq)
    times = log.times[rows].astype(np.float64)
    per = times[:, None, None]
    tally.wrong += (wrong * per).sum(axis=(0, 1))
    tally.rose += ((wrong & known & ~wrote) * per).sum(axis=(0, 1))
    tally.fell += ((wrong & known & wrote) * per).sum(axis=(0, 1))
    tally.ones += ((wrote & known) * per).sum(axis=(0, 1))
    tally.zeros += ((~wrote & known) * per).sum(axis=(0, 1))
    if directed.any():
        packed = np.packbits(wrote[directed].reshape(-1, LANE_LINES), axis=1, bitorder="little")
        tally.words.update(
            w for w in np.unique(packed).tolist() if 2 <= int(w).bit_count() <= LANE_LINES - 2
        )
    beats = wrong.reshape(-1, LANE_LINES).astype(np.float64)
    together = wrong.sum(axis=2)
    for n in range(1, LANE_LINES + 1):
        tally.spans[n] += float(((together == n) * times[:, None]).sum())
    tally.both += (beats * np.repeat(times, wrong.shape[1])[:, None]).T @ beats
    alike = (wrote[..., :, None] == wrote[..., None, :]) & known[..., None] & known[..., None, :]
    tally.apart += ((wrong[..., :, None] & alike) * per[..., None]).sum(axis=(0, 1))
    tally.masks.append(np.packbits(wrong.any(axis=1), axis=1, bitorder="little")[:, 0])


def _add_rows(tally: LaneTally, log: ErrorLog, rows: Rows) -> None:
    """What some rows say beside their bits: how often, the link checks, the addresses."""
    times = log.times[rows].astype(np.float64)
    tally.rows += int(times.sum())
    edc = log.edc[rows]
    tally.edc_ok += int(times[edc == EDC_OK].sum())
    tally.edc_bad += int(times[edc == EDC_BAD].sum())
    tally.cells.update(log.address[rows[log.has_address[rows]]].tolist())
    tally.index.append(rows.astype(np.int64))


def _unpack(words: npt.NDArray[np.uint64]) -> Bits:
    """(n, limbs) of 64-bit pieces -> (n, 64 * limbs) booleans, least significant bit first."""
    raw = np.ascontiguousarray(words.astype("<u8")).view(np.uint8).reshape(len(words), -1)
    return np.unpackbits(raw, axis=1, bitorder="little").astype(np.bool_)


def _only_owner(board: Board, place: Place) -> str | None:
    owners = place.sites(board)
    owner = board.site(owners[0]) if len(owners) == 1 else None
    return owner.ref if owner is not None and owner.named else None
