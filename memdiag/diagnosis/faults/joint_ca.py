"""One open command or address ball: this channel of the package hears nothing, the other does."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import DEAF, SICK, UNHEARD, mixed, whole
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("A command or address ball")
_ALIKE = _F.practice("unheard", 0.15, "share of them on rigs that print no answer as nobody there")
_RAGGED = _F.practice("ragged", 0.15, "share that are ragged, not open")
_CUTS = _F.practice("ragged cuts", 0.20, "share of the lanes of ragged ones that are cut off")
_SPARES = _F.practice("ragged spares", 0.05, "share of those that are well")
_WORN = mixed([(1 - _CUTS - _SPARES, SICK), (_CUTS, {"mute": 1.0}), (_SPARES, {"sound": 1.0})])

MECHANISMS = (
    Mechanism(
        "joint_ca",
        Cause.JOINT,
        Prior(
            "joint_ca",
            0.07,
            "an open command or address ball that silences one channel of a package",
            "Judgement: parity errors on command and address came at 72 % of the rate of "
            "uncorrected data errors (Sridharan and others, ASPLOS'15).",
        ),
        locations.ports,
        spill=0.90,
        variants=(
            Variant("open", 1 - _ALIKE - _RAGGED, whole(DEAF)),
            Variant("unheard", _ALIKE, whole(UNHEARD)),
            Variant("ragged", _RAGGED, whole(_WORN)),
        ),
        why="an open command or address ball: one channel of the package hears nothing",
        history=history.of_joint,
    ),
)
