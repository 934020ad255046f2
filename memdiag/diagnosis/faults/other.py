"""None of these: anything anywhere. It takes the mass when nothing fits."""

from __future__ import annotations

from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.effects import SELF
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior, Rails, Variant
from memdiag.model import Cause
from memdiag.model.figures import Table

_F = Table("None of these")
_OFTEN = _F.practice("often", 0.08, "how probable each common state of a lane or line is")
_SELDOM = _F.practice("seldom", 0.04, "the same of rare ones, and of each odd reading of a rail")
_SHAPE = _F.practice("addresses", 0.2, "the same of each shape of addresses")
_LINES = {
    **dict.fromkeys(("80", "array", "45"), _OFTEN),
    **dict.fromkeys(("70", "22", "stuck", "joined", "dead"), _SELDOM),
}
_ANY = {
    ("place", SELF): {**_LINES, "mute": _SELDOM, "absent": _SELDOM},
    ("line", SELF): _LINES,
    ("shape", SELF): dict.fromkeys(("spread", "paired", "striped", "clustered"), _SHAPE),
    ("rates", SELF): {"equal": _SHAPE},
    ("rail", SELF): {"low": _SELDOM, "short": _SELDOM},
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
        variants=(Variant("any", 1.0, _ANY),),
        rails=Rails.OF_ITS_SITES,
        unknown=True,
    ),
)
