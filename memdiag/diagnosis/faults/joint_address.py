"""An open address line: right data at wrong places, the link good; addresses in pairs."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("An address ball")
_LANES = _F.each("lanes,", {"astray": 0.88, "array": 0.05}, "how the lanes behind it look")
_SHAPE = _F.each("addresses,", {"paired": 0.90, "spread": 0.06}, "how their addresses look")
_OPEN = {("place", SELF): _LANES, ("line", SELF): _LANES, ("shape", SELF): _SHAPE}

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
        locations.erring_ports,
        spill=0.05,
        variants=(Variant("open", 1.0, _OPEN),),
        why="an open address line: right data at wrong places, in pairs one bit apart",
        history=history.of_joint,
    ),
)
