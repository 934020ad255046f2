"""None of these: anything anywhere. It takes the mass when nothing fits."""

from __future__ import annotations

from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Rails, Variant
from memdiag.model import Cause

_PLACE = {
    "80": 0.08,
    "70": 0.06,
    "array": 0.07,
    "45": 0.10,
    "22": 0.06,
    "stuck": 0.04,
    "joined": 0.02,
    "dead": 0.06,
    "mute": 0.04,
    "absent": 0.03,
}
_LINE = {
    "80": 0.08,
    "array": 0.10,
    "45": 0.10,
    "22": 0.05,
    "stuck": 0.05,
    "joined": 0.02,
    "dead": 0.05,
}
_ANY = {
    ("place", SELF): _PLACE,
    ("line", SELF): _LINE,
    ("shape", SELF): {"spread": 0.3, "paired": 0.1, "striped": 0.1, "clustered": 0.2},
    ("rail", SELF): {"low": 0.1, "short": 0.05},
}

MECHANISMS = (
    Mechanism(
        "other",
        Cause.UNDECIDED,
        Prior(
            "other",
            0.015,
            "none of these: it takes the mass where nothing fits",
            "Judgement: so rare that whatever else fits is believed first.",
        ),
        locations.whole_board,
        spill=0.3,
        stops=0.3,
        variants=(Variant("any", 1.0, _ANY),),
        rails=Rails.OF_ITS_SITES,
        unknown=True,
    ),
)
