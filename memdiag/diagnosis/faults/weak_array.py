"""Cells, words, rows, columns or banks wrong; the link is good. Which lanes show it depends on
where the cells lie in the word."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Effects, Mechanism, Prior, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("Weak cells")
ALL_OVER = _F.practice("all over", 0.1, "share of such packages whose errors look spread")


def _shows(lanes: float, lines: float, clustered: float) -> Effects:
    """By the share of lanes and of data lines of the package with errors, and of its clusters."""
    return {
        ("place", SELF): {"array": lanes},
        ("line", SELF): {"array": lines},
        ("shape", SELF): {"clustered": clustered, "spread": ALL_OVER},
    }


VARIANTS = tuple(
    Variant(
        name,
        _F.practice(f"{name}, share", share, "of packages with weak cells"),
        _shows(
            *_F.each(f"{name},", shows, "share of its lanes, lines or clusters that show").values()
        ),
    )
    for name, share, shows in (
        # every line of the word; a few, or rows of one half; one line, so one lane
        ("rows or banks", 0.30, {"lanes": 0.90, "lines": 0.90, "clustered": 0.88}),
        ("words", 0.25, {"lanes": 0.60, "lines": 0.50, "clustered": 0.80}),
        ("cells or columns", 0.45, {"lanes": 0.35, "lines": 0.14, "clustered": 0.90}),
    )
)

MECHANISMS = (
    Mechanism(
        "weak_array",
        Cause.WEAK,
        Prior(
            "weak_array",
            0.18,
            "cells, words, rows, columns or banks of a package bad, its link good",
            "Judgement; the shares of cells, rows and banks after Sridharan and Liberty, SC'12. "
            "Makers differ by a factor of four (Sridharan and others, SC'13).",
        ),
        locations.erring_sites,
        spill=0.06,
        variants=VARIANTS,
        why="a package with bad cells behind a good link",
        history=history.of_package,
    ),
)
