"""Cells, words, rows, columns or banks wrong; the link is good. Which lanes show it depends on
where the cells lie in the word."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Effects, Mechanism, Prior, Variant
from memdiag.model import Cause


def _cells(place: float, line: float, clustered: float, spread: float) -> Effects:
    """Probabilities that a lane and a data line of the package show it, and of its addresses."""
    return {
        ("place", SELF): {"array": place},
        ("line", SELF): {"array": line},
        ("shape", SELF): {"clustered": clustered, "spread": spread},
    }


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
            # A row, a bank: every line of the word.
            Variant("rows", 0.30, _cells(0.90, 0.90, 0.88, 0.11)),
            # A few words, or rows of one half.
            Variant("words", 0.25, _cells(0.60, 0.50, 0.80, 0.19)),
            # A cell, a column: one line, so one lane.
            Variant("cells", 0.45, _cells(0.35, 0.14, 0.92, 0.07)),
        ),
        why=effects.WEAK,
        history=history.of_package,
    ),
)
