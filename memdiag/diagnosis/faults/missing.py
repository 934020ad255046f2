"""A package that does not answer at all: dead, or not soldered down."""

from __future__ import annotations

from msgspec.structs import replace

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

UNDRIVEN = replace(
    MECHANISMS[0],
    name="undriven",
    cause=Cause.CONTROLLER,
    share=0.0,
    why="a trace or the controller: the site is silent whatever package sits there",
    history=history.of_controller,
    absence=False,
)
"""The same silence where it is the site that is not driven. One run cannot tell it from a package
that is not there, so it is none of `MECHANISMS`: what was done to the package tells."""
