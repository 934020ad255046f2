"""Numbers about sets of distinct addresses: partners one bit apart, steps, what they share.

All work on sorted distinct whole numbers, in a time that grows with their count as sorting does.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
U64 = npt.NDArray[np.uint64]
Ints = npt.NDArray[Any]

ASKED = 1024
"""Addresses that are asked for their partners: the share of more is known as well from as many."""

FEWEST = 6
"""Fewer addresses pair, step or gather by chance too easily."""

BOTH = 0.8
"""Share of the addresses that have a partner where a line is open: nearly all, for both halves of
the memory answer alike."""

REPEATED = 0.4
"""Share from which on a bit pairs at all: rows one sub-array apart lack a partner at the ends."""

FULL = 0.25
"""A block of the space filled to this share pairs up by being full: that says nothing."""


def distinct(values: Ints) -> Ints:
    """The different values, sorted. numpy's own looks them up in a table, which takes several times
    as long as sorting where most of them differ."""
    return counted(values)[0]


def counted(values: Ints) -> tuple[Ints, I64]:
    """The different values (not negative), sorted, and how often each comes."""
    ordered = values
    if not (values[1:] >= values[:-1]).all():
        if int(values.max()) < SHORT * len(values):
            often = np.bincount(values.astype(np.int64))
            there = np.flatnonzero(often)
            return there.astype(values.dtype), often[there]
        ordered = np.sort(values)
    new = np.ones(len(ordered), bool)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    first = np.flatnonzero(new)
    return ordered[first], np.diff(first, append=len(ordered))


SHORT = 4
"""A range of fewer numbers for each value than this is counted through, not sorted."""


def partners(unique: Ints) -> npt.NDArray[np.float64]:
    """For each bit up to the highest that changes, the share of the addresses whose partner, unlike
    in that bit alone, is an address too."""
    values = unique.astype(np.uint64)
    step = -(-len(values) // ASKED)
    asked = values[::step]
    bits = changing(values).bit_length()
    shares = np.zeros(bits)
    for bit in range(bits):
        other = asked ^ np.uint64(1 << bit)
        at = np.minimum(np.searchsorted(values, other), len(values) - 1)
        shares[bit] = np.mean(values[at] == other)
    return shares


def changing(unique: Ints) -> int:
    """The bits in which any of the addresses differ from another."""
    values = unique.astype(np.uint64)
    return int(np.bitwise_or.reduce(values ^ values[0]))


def pairing(unique: Ints, grain: int, share: float = 1.0) -> int:
    """At how many bits the addresses pair up: 1 where a line is open, for then a place and the one
    that differs in that line alone answer for each other; several where rows repeat at a fixed
    distance. 0 where they do not, or fill a block of the space (from bit `grain` on). `share`: of
    the addresses, where some were left out by chance, and as many of their partners."""
    if len(unique) < FEWEST:
        return 0
    differ, full = changing(unique), FULL * share
    if len(unique) >= full * 2 ** differ.bit_count() and (differ & -differ).bit_length() <= grain:
        return 0
    shares = partners(unique)
    asked = min(len(unique), ASKED)
    many = int((shares >= _least(REPEATED, share, asked)).sum())
    return many if many > 1 or shares.max() >= _least(BOTH, share, asked) else 0


def _least(part: float, share: float, asked: int) -> float:
    """The least part of the asked that must have a partner, where a share of all is left: more than
    chance makes of it."""
    wanted = part * share
    return wanted if share == 1 else wanted + 4 * (wanted / asked) ** 0.5


class Steps(NamedTuple):
    """The usual distance from one address to the next, how many steps are about that, and whether
    it is a round one: a small multiple of a power of two, kept exactly."""

    size: int
    often: int
    round: bool


PLAY = 256
"""A disturbance in time meets an address counter at almost, not exactly, the same distance."""

ROUND = 16
"""A distance of fewer units than this of its lowest bit is a round one."""


def steps(unique: Ints, share: float = 1.0) -> Steps:
    """The usual step between neighbours (at least two addresses); of a `share` of them, chosen by
    chance, that between those whose neighbour is there too, which are as many."""
    values: U64 = unique.astype(np.uint64)
    gaps: U64 = values[1:] - values[:-1]
    size = _ranked(gaps, share / 2)
    away = np.where(gaps > size, gaps - np.uint64(size), np.uint64(size) - gaps)
    near = gaps[away <= np.uint64(size // PLAY)]
    lowest = near & (~near + np.uint64(1))
    return Steps(size, len(near), size < ROUND * _ranked(lowest, 0.5))


def _ranked(values: U64, part: float) -> int:
    """The value that such a part of them is less than."""
    rank = int(len(values) * part)
    return int(np.partition(values, rank)[rank])


def every_few(unique: Ints, share: float = 1.0) -> int:
    """The distance whose multiples nearly all the steps between neighbours are, the largest power
    of two, where those neighbours are at it or at a few of it: what fails at a stride only with
    some of the data leaves some of its addresses out. 0 where too many are left out for that.
    At least two addresses."""
    values: U64 = unique.astype(np.uint64)
    gaps: U64 = values[1:] - values[:-1]
    lowest = np.sort(gaps & (~gaps + np.uint64(1)))
    step = int(lowest[len(lowest) // FEW_ODD])
    return step if len(gaps) * step >= SOME * share * int(gaps.sum()) else 0


FEW_ODD = 20
"""One step in so many may be no multiple."""

SOME = 0.4
"""Share of the multiples at which an address is, at the least: every other bit differs by chance
from what a line is stuck at, and some luck."""


def kept_distance(unique: Ints) -> int:
    """The distance of most neighbours, exactly; 0 where they keep none."""
    if len(unique) < FEWEST:
        return 0
    distance, often = most_common(np.diff(unique))
    return distance if often >= KEPT * (len(unique) - 1) else 0


KEPT = 0.6
"""Share of the neighbours at one distance where the distance is kept."""


def most_common(values: Ints) -> tuple[int, int]:
    """The value that comes most often, and how often."""
    found, counts = counted(values)
    best = int(counts.argmax())
    return int(found[best]), int(counts[best])


def gathered(values: Ints, possible: int) -> float:
    """How many times more often two of the values are alike than two of `possible` ones drawn
    without preference (the index of coincidence, Friedman 1922); 0 with too few to tell."""
    return coincides(counted(values)[1], possible)


def coincides(often: I64, possible: int) -> float:
    """The same, of values that come so often each."""
    n = int(often.sum())
    if n < FEWEST:
        return 0.0
    counts = often.astype(np.float64)
    alike, pairs = float((counts * (counts - 1)).sum()) / 2, n * (n - 1) / 2
    by_chance = pairs / possible
    # Rare coincidences are Poisson: that many more than expected are no chance.
    return alike / by_chance if alike > by_chance + 4 * by_chance**0.5 + 4 else 0.0


def fixed_bits(unique: Ints, grain: int) -> int:
    """Bits that never change from `grain` on, below the highest that does."""
    differ = changing(unique)
    return sum(1 for bit in range(grain, differ.bit_length()) if not differ >> bit & 1)
