"""An open address line: right data at wrong places, the link good; addresses in pairs."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause

_OPEN = {
    ("place", SELF): {"astray": 0.88, "array": 0.05, "mute": 0.004},
    ("line", SELF): {"astray": 0.86, "array": 0.05},
    ("shape", SELF): {"paired": 0.90, "spread": 0.06},
}

MECHANISMS = (
    Mechanism(
        "joint_address",
        Cause.JOINT,
        Prior(
            "joint_address",
            0.02,
            "an open address ball: right data at wrong places",
            "Judgement: most open address balls silence the channel; those are `joint_ca`.",
        ),
        locations.ports,
        spill=0.05,
        stops=0.1,
        variants=(Variant("open", 1.0, _OPEN),),
        why="an open address line: right data at wrong places, in pairs one bit apart",
        history=history.of_joint,
    ),
)
