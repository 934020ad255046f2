"""A package that does not answer at all: dead, or not soldered down."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause

MECHANISMS = (
    Mechanism(
        "missing",
        Cause.MISSING,
        Prior(
            "missing",
            0.16,
            "the package does not answer at all: dead, or not soldered down",
            "Judgement: the commonest customer of a bench, and in no count of corrected errors.",
        ),
        locations.sites,
        spill=1.0,
        variants=(Variant("gone", 1.0, effects.whole(effects.GONE)),),
        why="a package that does not answer at all",
        history=history.of_package,
        absence=True,
    ),
)
