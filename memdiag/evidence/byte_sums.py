"""What millions of wrong bytes of a lane add up to: counts of its data lines, of pairs of them, of
widths.

A byte has 256 values, and so has what was written: however many there are, they are counted by
value first, and all sums follow from those counts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field

from memdiag.model import LANE_LINES

Numbers = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]

_BITS: Numbers = np.unpackbits(
    np.arange(256, dtype=np.uint8)[:, None], axis=1, bitorder="little"
).astype(np.float64)
"""The data lines of each byte."""
_WIDTH: Numbers = _BITS.sum(axis=1)
_FEW = 4096  # so many bytes are added up as they are


def _zeros(*shape: int) -> Numbers:
    return np.zeros(shape or LANE_LINES)


class ByteSums(Struct):
    """Counts of wrong bits; arrays of 8 count one of each data line, (8, 8) pairs of them."""

    wrong: Numbers = field(default_factory=_zeros)
    rose: Numbers = field(default_factory=_zeros)
    fell: Numbers = field(default_factory=_zeros)
    ones: Numbers = field(default_factory=_zeros)
    zeros: Numbers = field(default_factory=_zeros)
    both: Numbers = field(default_factory=lambda: _zeros(LANE_LINES, LANE_LINES))
    """`both[i, j]`: printed words (beats) in which dq i and dq j were wrong together."""
    apart: Numbers = field(default_factory=lambda: _zeros(LANE_LINES, LANE_LINES))
    """`apart[i, j]`: wrong beats of dq i in which i and j had been written alike."""
    words: set[int] = field(default_factory=set)
    """Different bytes written to the lane in these rows, those with more than one bit unlike the
    rest only: walking patterns never write two lines against the others."""
    spans: Numbers = field(default_factory=lambda: _zeros(LANE_LINES + 1))
    """`spans[n]`: beats in which n data lines were wrong together."""

    def add(
        self, wrong: Bytes, wrote: Bytes | None, times: npt.NDArray[np.int64], known: Sequence[int]
    ) -> None:
        """Add bytes: the wrong bits of each, what was written (None: not said), and how often each
        was read. Of `known` lines alone it is known what was written."""
        code = wrong.reshape(-1).astype(np.uint16)
        if wrote is not None:
            code |= wrote.reshape(-1).astype(np.uint16) << np.uint16(8)
        counted: npt.NDArray[np.float64] | npt.NDArray[np.int64] = times.reshape(-1)
        if len(code) > _FEW:
            all_ones = bool((counted == 1).all())
            of_each = np.bincount(code, None if all_ones else counted, 1 << 16)
            code = np.flatnonzero(of_each).astype(np.uint16)
            counted = of_each[code]
        n = counted.astype(np.float64)
        is_wrong = _BITS[code & np.uint16(255)]
        weighted = is_wrong * n[:, None]
        self.wrong += weighted.sum(axis=0)
        self.both += weighted.T @ is_wrong
        spans = np.bincount(_WIDTH[code & np.uint16(255)].astype(np.int64), n, LANE_LINES + 1)
        self.spans[1:] += spans[1:]
        if wrote is not None:
            self._add_written(weighted, code >> np.uint16(8), n, known)

    def _add_written(
        self, weighted: Numbers, wrote: npt.NDArray[np.uint16], n: Numbers, known: Sequence[int]
    ) -> None:
        """What bytes say of the directions. `weighted`: (m, 8) how often each line was wrong."""
        ones, lines = _BITS[wrote], np.zeros(LANE_LINES)
        lines[list(known)] = 1.0
        was_one = weighted * ones
        often, fell = weighted.sum(axis=0), was_one.sum(axis=0)
        set_, all_ = n @ ones, float(n.sum())
        self.fell += fell * lines
        self.rose += (often - fell) * lines
        self.ones += set_ * lines
        self.zeros += (all_ - set_) * lines
        # Both bits one, or both zero: 1 - a - b + 2 a b.
        alike = (often - fell)[:, None] - weighted.T @ ones + 2 * (was_one.T @ ones)
        self.apart += alike * np.outer(lines, lines)
        self.words.update(
            int(w) for w in np.unique(wrote) if 2 <= int(w).bit_count() <= LANE_LINES - 2
        )
