"""None of these: anything anywhere. It takes the mass when nothing fits."""

from __future__ import annotations

from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Rails, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("None of these")
_LANES = _F.each(
    "lanes,",
    {
        "80": 0.08,
        "70": 0.06,
        "array": 0.08,
        "45": 0.10,
        "22": 0.06,
        "stuck": 0.04,
        "joined": 0.02,
        "dead": 0.06,
    },
    "how lanes and lines look: a little of everything",
)
_ANY = {
    ("place", SELF): {**_LANES, **_F.each("lanes,", {"mute": 0.04, "absent": 0.03}, "the same")},
    ("line", SELF): _LANES,
    ("shape", SELF): _F.each(
        "addresses,", {"spread": 0.3, "paired": 0.1, "striped": 0.1, "clustered": 0.2}, "the same"
    ),
    ("rail", SELF): _F.each("rails,", {"low": 0.1, "short": 0.05}, "the same"),
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
