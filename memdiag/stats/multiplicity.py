"""Many tests at once: p values made honest for how many there are."""

from __future__ import annotations

from collections.abc import Sequence


def holm(ps: Sequence[float]) -> list[float]:
    """Adjusted p values, in the order given: the chance of one or more false rejections stays
    below the level whatever the dependence (Holm 1979, Scand. J. Statist. 6:65).
    Raises ValueError for a p value outside 0 to 1."""
    if any(not 0 <= p <= 1 for p in ps):
        raise ValueError("a p value is between 0 and 1")
    order = sorted(range(len(ps)), key=ps.__getitem__)
    adjusted, so_far = [0.0] * len(ps), 0.0
    for rank, index in enumerate(order):
        so_far = max(so_far, min(1.0, (len(ps) - rank) * ps[index]))
        adjusted[index] = so_far
    return adjusted
