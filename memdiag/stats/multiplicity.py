"""Many tests at once: p values made honest for how many there are. Re-exported by `rates`."""

from __future__ import annotations

from collections.abc import Sequence


def holm(ps: Sequence[float]) -> list[float]:
    """Adjusted p values, in the order given: the chance of one or more false rejections stays
    below the level whatever the dependence (Holm 1979, Scand. J. Statist. 6:65)."""
    _check(ps)
    order = sorted(range(len(ps)), key=ps.__getitem__)
    adjusted, so_far = [0.0] * len(ps), 0.0
    for rank, index in enumerate(order):
        so_far = max(so_far, min(1.0, (len(ps) - rank) * ps[index]))
        adjusted[index] = so_far
    return adjusted


def benjamini_hochberg(ps: Sequence[float]) -> list[float]:
    """Adjusted p values, in the order given: the share of false ones among the rejected stays
    below the level (Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57:289). For screening."""
    _check(ps)
    order = sorted(range(len(ps)), key=ps.__getitem__, reverse=True)
    adjusted, so_far = [0.0] * len(ps), 1.0
    for down, index in enumerate(order):
        so_far = min(so_far, ps[index] * len(ps) / (len(ps) - down))
        adjusted[index] = so_far
    return adjusted


def _check(ps: Sequence[float]) -> None:
    if any(not 0 <= p <= 1 for p in ps):
        raise ValueError("a p value is between 0 and 1")
