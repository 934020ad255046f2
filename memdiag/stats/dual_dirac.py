"""The dual-Dirac reading of a bathtub: error rates on the flanks of an eye -> its edges.

On each flank the error rate falls as the tail of a bell, rate = erfc(Q / sqrt 2) / 2, so that Q is
a straight line over the delay. Its slope is one over the random jitter of that edge (rms), its
zero crossing the place of the edge under deterministic jitter (the same reduction is printed in
Agilent's J-BERT N4903B user guide, "Output Timing"). Numbers in, numbers out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from msgspec import Struct

MOST_RATE = 0.1
"""Points above this rate belong to the deterministic part of the edge, not to its tail."""

LEAST_POINTS = 2
"""A line needs two points."""

MODEL_SPREAD = 0.05
"""Standard deviation in Q of a point whatever its count: no edge is an exact bell."""


def q_of(rate: float) -> float:
    """Q of an error rate: rate = erfc(Q / sqrt 2) / 2. Raises ValueError outside (0, 1)."""
    from scipy.special import ndtri

    if not 0 < rate < 1:
        raise ValueError(f"an error rate lies between 0 and 1, not at {rate:g}")
    return -float(ndtri(rate))


class Point(Struct, frozen=True):
    """What was counted at one delay."""

    delay: float
    errors: int
    bits: int

    @property
    def rate(self) -> float:
        return self.errors / self.bits


class Edge(Struct, frozen=True):
    """One flank: where its line crosses Q = 0, and the rms of its random jitter."""

    zero: float
    sigma: float

    def at(self, q: float, outward: int) -> float:
        """The delay where the rate is that of `q`; `outward` is -1 on the left flank, 1 right."""
        return self.zero - outward * q * self.sigma


def bottom(points: Sequence[Point]) -> tuple[int, int]:
    """First and last index of the longest error-free run, else of the point of least rate."""
    best: tuple[int, int] | None = None
    start: int | None = None
    for i, point in enumerate(points):
        if point.errors:
            start = None
            continue
        start = i if start is None else start
        if best is None or point.delay - points[start].delay > (
            points[best[1]].delay - points[best[0]].delay
        ):
            best = (start, i)
    if best is not None:
        return best
    least = min(range(len(points)), key=lambda i: points[i].rate)
    return least, least


def tail(points: Sequence[Point], outward: Iterable[int]) -> list[Point]:
    """The points of one flank, from the bottom of the eye outwards, up to the first whose rate
    is no longer that of a tail. A clean point among them is skipped: it has no Q."""
    found = []
    for i in outward:
        if points[i].rate > MOST_RATE:
            break
        if points[i].errors:
            found.append(points[i])
    return found


def fit(points: Sequence[Point], outward: int) -> Edge | None:
    """The line through a flank in Q space, each point weighed by what its count is worth.

    `outward` is -1 for the left flank, where Q rises with the delay, 1 for the right. None with
    fewer than two delays, or where the line leans the wrong way.
    """
    if len({p.delay for p in points}) < LEAST_POINTS:
        return None
    sums = [0.0] * 5
    for p in points:
        q = q_of(p.rate)
        bell = math.exp(-0.5 * q * q) / math.sqrt(2 * math.pi)
        variance = p.rate * (1 - p.rate) / p.bits / (bell * bell) + MODEL_SPREAD**2
        for i, term in enumerate((1.0, p.delay, q, p.delay * p.delay, p.delay * q)):
            sums[i] += term / variance
    weight, x, y, xx, xy = sums
    spread = xx - x * x / weight
    slope = (xy - x * y / weight) / spread
    if slope * -outward <= 0:
        return None
    return Edge((x - y / slope) / weight, 1 / abs(slope))
