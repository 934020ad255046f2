"""One open command or address ball: this channel of the package hears nothing, the other does."""

from __future__ import annotations

from memdiag.diagnosis import history
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import mixed, whole
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Variant
from memdiag.diagnosis.rig_behaviour import shifted
from memdiag.model import Cause

_OPEN = whole({"mute": 0.93, "dead": 0.03, "absent": 0.02})
# What hears no command answers none: many rigs print both alike, everywhere.
_UNHEARD = whole({"absent": 0.88, "mute": 0.08, "dead": 0.02})
_RAGGED = whole(mixed([(0.75, shifted(-0.8, 0.5)), (0.20, {"mute": 1.0}), (0.05, {"sound": 1.0})]))

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
        stops=0.9,
        variants=(
            Variant("open", 0.70, _OPEN),
            Variant("unheard", 0.15, _UNHEARD),
            Variant("ragged", 0.15, _RAGGED),
        ),
        why="an open command or address ball: one channel of the package hears nothing",
        history=history.of_joint,
    ),
)
