"""Log likelihoods by the names of the states, for tests that ask about one state or another."""

from __future__ import annotations

import math
from itertools import pairwise

from memdiag.evidence.nodes import GRADES, IS_GRADE, LINK, VIEWS, Array

GRADE_NAMES = tuple(GRADES)
SICK = tuple(s for s in LINK if s not in ("sound", "90", "80", "70"))
"""What wants work: half of an eye or less, and all modes."""

ALONE, WARNED, MOSTLY, THROUGHOUT, PULLED, SHAKEN, PULL_TOLD, SHAKEN_TOLD = range(len(VIEWS))


def states(table: Array | None, view: int = ALONE) -> dict[str, float]:
    """State -> log likelihood, in one view where the table has them; finite, as all must be."""
    assert table is not None
    row = table[view] if table.ndim == 2 else table
    assert row.shape == (len(LINK),)
    found = dict(zip(LINK, row.tolist(), strict=True))
    assert all(math.isfinite(v) for v in found.values())
    return found


def likeliest(table: Array | None, view: int = ALONE) -> str:
    found = states(table, view)
    return max(found, key=found.__getitem__)


def of_grades(table: Array | None, view: int = ALONE) -> list[float]:
    """The values of the margin grades, from sound to closed."""
    found = states(table, view)
    return [found[name] for name in GRADE_NAMES]


def falls(values: list[float], slack: float = 1e-9) -> bool:
    return all(a >= b - slack for a, b in pairwise(values))


assert IS_GRADE.sum() == len(GRADE_NAMES)
