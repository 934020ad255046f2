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


SPREAD = _F.practice("all over", 0.1, "share of such packages whose errors look spread")


def _cells(name: str, share: float, lane: float, line: float, clustered: float) -> Variant:
    """Probabilities that a lane and a data line of the package show it, and its addresses."""
    says = f"where {name} are bad"
    effects: Effects = {
        ("place", SELF): {
            "array": _F.practice(f"lanes, {name}", lane, f"lanes with errors {says}")
        },
        ("line", SELF): {"array": _F.practice(f"lines, {name}", line, f"lines with errors {says}")},
        ("shape", SELF): {
            "clustered": _F.practice(f"shape, {name}", clustered, f"addresses cluster {says}"),
            "spread": SPREAD,
        },
    }
    of_all = _F.practice(f"share, {name}", share, "share of packages with weak cells")
    return Variant(name, of_all, effects)


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
        locations.sites,
        spill=0.06,
        stops=0.05,
        variants=(
            _cells("rows or banks", 0.30, 0.90, 0.90, 0.88),  # every line of the word
            _cells("words", 0.25, 0.60, 0.50, 0.80),  # a few, or rows of one half
            _cells("cells or columns", 0.45, 0.35, 0.14, 0.90),  # one line, so one lane
        ),
        why="a package with bad cells behind a good link",
        history=history.of_package,
    ),
)
