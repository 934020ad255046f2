"""Numbers of which some are not said (NaN), and their summaries, without a warning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = dict[str, float]

UNSAID = float("nan")


def row(numbers: Mapping[str, float], names: Sequence[str]) -> list[float]:
    """The numbers in the order of their names, NaN for those not said."""
    return [numbers.get(name, UNSAID) for name in names]


def mean(table: Floats) -> Floats:
    """Of each column the mean of what is said."""
    said = ~np.isnan(table)
    total = np.where(said, table, 0.0).sum(axis=0)
    count = said.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), UNSAID)


def least(table: Floats) -> Floats:
    """Of each column the least that is said."""
    found = np.where(np.isnan(table), np.inf, table).min(axis=0, initial=np.inf)
    return np.where(np.isinf(found), UNSAID, found)


def most(table: Floats) -> Floats:
    """Of each column the most that is said."""
    return -least(-table)


def apart(table: Floats) -> Floats:
    """Of each column how far its most extreme value lies from the next: one that stands alone."""
    if len(table) < 3:
        return np.full(table.shape[1], UNSAID)
    ordered = np.sort(table, axis=0)  # what is not said comes last
    count = (~np.isnan(table)).sum(axis=0)
    every = np.arange(table.shape[1])
    top = ordered[np.maximum(count - 1, 0), every] - ordered[np.maximum(count - 2, 0), every]
    low = ordered[1] - ordered[0]
    return np.where(count >= 3, np.maximum(top, low), UNSAID)


def table(rows: Iterable[Mapping[str, float]], names: Sequence[str]) -> Floats:
    """One row for each, one column a name."""
    made = [row(numbers, names) for numbers in rows]
    return np.array(made, float).reshape(len(made), len(names))
