"""Whether what was stated with a probability came true as often."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence


def binned(claims: Sequence[tuple[float, bool]], bins: int = 10) -> list[tuple[float, int, int]]:
    """`(probability, true)` in bins of equal width: of each that is not empty, in order, the mean
    probability, how many, how many true. A probability on an edge falls into the lower bin.

    Raises ValueError for a probability outside 0 to 1, or fewer than one bin.
    """
    if bins < 1:
        raise ValueError(f"{bins} bins: at least one is needed")
    width = 1 / bins
    edges = [k * width for k in range(1, bins)]
    sums = [0.0] * bins
    counts, rights = [0] * bins, [0] * bins
    for p, true in claims:
        if not 0 <= p <= 1:
            raise ValueError(f"a probability is between 0 and 1, not {p}")
        at = bisect_left(edges, p)
        sums[at] += p
        counts[at] += 1
        rights[at] += bool(true)
    return [
        (total / n, n, right) for total, n, right in zip(sums, counts, rights, strict=True) if n
    ]


def brier(claims: Sequence[tuple[float, bool]]) -> float | None:
    """The mean squared distance between probability and truth (Brier 1950); None of no claims."""
    if not claims:
        return None
    return sum((p - bool(true)) ** 2 for p, true in claims) / len(claims)


def expected_error(found: Sequence[tuple[float, int, int]]) -> float | None:
    """The mean distance between stated and true over the claims of these bins; None of none."""
    total = sum(n for _, n, _ in found)
    if not total:
        return None
    return sum(abs(mean - right / n) * n for mean, n, right in found) / total
