"""Drivers, receivers or its own supply pins: a package thin over its lanes, graded."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.effects import SELF, whole
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause

_LEAN = {
    **whole({"disturbed": 0.25, "thin": 0.08}),
    ("whole", SELF): {"thin": 0.88, "disturbed": 0.09},
}
_SEVERE = {
    **whole({"thin": 0.50, "dead": 0.45}),
    ("line", SELF): {"thin": 0.52, "open": 0.08, "dead": 0.34},
}

MECHANISMS = (
    Mechanism(
        "weak_pins",
        Cause.WEAK,
        Prior(
            "weak_pins",
            0.18,
            "a package with little margin at its pins",
            "Judgement: as common on a bench as bad cells; field studies do not tell it apart.",
        ),
        locations.sites,
        spill=0.30,
        stops=0.35,
        variants=(
            Variant("broad", 0.34, whole({"thin": 0.90, "dead": 0.02, "disturbed": 0.04})),
            # Errors under load, though the eyes that were printed look well.
            Variant("noisy", 0.10, whole({"disturbed": 0.78, "thin": 0.16})),
            # Less of every eye, and still enough: no step and no test fails.
            Variant("lean", 0.10, _LEAN),
            Variant("partial", 0.24, whole({"thin": 0.52, "dead": 0.02, "disturbed": 0.12})),
            Variant("severe", 0.22, _SEVERE),
        ),
        why=effects.WEAK,
        history=history.of_package,
    ),
)
