"""Designators as short as they can be said."""

from __future__ import annotations

import re
from collections.abc import Iterable

_FEWEST = 3
"""So many designators in a row make a range: `U1, U2` is no longer than `U1 to U2`."""

_COUNTED = re.compile(r"((?:\S*[^\s0-9])?)([0-9]{1,9})")


def sites_in_short(refs: Iterable[str]) -> str:
    """Designators, each named once, in the order of their numbers: `U1, U2, U5 to U8`. A range
    takes in nothing but what it was given; a name that ends in no number stands by itself."""
    runs: list[list[str]] = []
    for ref in sorted(set(refs), key=natural):
        if runs and ref == _after(runs[-1][-1]):
            runs[-1].append(ref)
        else:
            runs.append([ref])
    return ", ".join(
        f"{run[0]} to {run[-1]}" if len(run) >= _FEWEST else ", ".join(run) for run in runs
    )


def natural(ref: str) -> tuple[str, int, str]:
    """U2 comes before U10."""
    counted = _COUNTED.fullmatch(ref)
    return (ref, -1, ref) if counted is None else (counted[1], int(counted[2]), ref)


def _after(ref: str) -> str | None:
    """The designator that follows: U10 after U9, U10 after U09."""
    counted = _COUNTED.fullmatch(ref)
    if counted is None:
        return None
    word, digits = counted.groups()
    return f"{word}{int(digits) + 1:0{len(digits)}}"
