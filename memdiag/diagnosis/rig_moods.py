"""How rigs warn of packages that a fault elsewhere reaches, or of any: the program of a rig is the
same for all packages, so what way it warns in is drawn once for a board.

What margins such rigs take is none of this room: a warning takes nothing (`rig_behaviour.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import NamedTuple

from memdiag.model.figures import Table

_F = Table("Rigs that warn")

_QUIET, _LOUD, _NERVOUS = (
    _F.practice(f"{name} rigs", share, "share of all rigs; the others are heard")
    for name, share in (("quiet", 0.44), ("loud", 0.17), ("nervous", 0.07))
)
IDLY = _F.practice("idle warnings", 0.001, "chance of a warning with no fault on the board")
_SHOUTS = _F.practice(
    "loud rigs warn", 0.95, "chance of a warning at closeness 1; of nervous ones too"
)
_NERVES = _F.practice("nervous rigs warn idly", 0.5, "with no fault on the board")
_STEADILY = _F.practice("steady rigs warn", 0.998, "of loud ones that warn in every step")
_THROUGH = _F.practice("throughout", 0.45, "share of rigs whose warnings come in nearly every step")
_EACH = _F.practice("each by itself", 0.3, "share of those in which each lane is warned of or not")
_ALL_OVER = _F.practice("nervous all over", 0.5, "share of nervous rigs that warn of all alike")


class Warned(IntEnum):
    """The circumstances of a package that a rig warns of: in which of its steps, or which lanes."""

    SOMETIMES = 1
    MOSTLY = 2
    THROUGHOUT = 3
    LANES = 4


_SOME, _MOST = {Warned.SOMETIMES: 1.0}, {Warned.MOSTLY: 1.0}
_STEADY = {Warned.THROUGHOUT: 1 - _EACH, Warned.LANES: _EACH}
_EITHER = {
    Warned.SOMETIMES: 1 - _THROUGH,
    **{way: _THROUGH * share for way, share in _STEADY.items()},
}


class Mood(NamedTuple):
    """The program of a rig, which is the same for all packages: how probably a fault makes it warn
    at closeness 1, and without any fault, and the shares of the circumstances it warns in."""

    share: float
    warns: float
    idly: float
    ways: Mapping[Warned, float]


_HEARD, _HEARS = 1 - _QUIET - _LOUD - _NERVOUS, _F.practice("heard rigs warn", 0.35, "of those")
MOODS = (
    Mood(_QUIET, _F.practice("quiet rigs warn", 0.03, "the same of quiet ones"), IDLY, _EITHER),
    Mood(_HEARD, _HEARS, IDLY, _EITHER),
    Mood(_LOUD * (1 - _THROUGH), _SHOUTS, IDLY, _SOME),
    Mood(_LOUD * _THROUGH, _STEADILY, IDLY, _STEADY),
    Mood(_NERVOUS * (1 - _ALL_OVER), _SHOUTS, _NERVES, _EITHER),
    Mood(_NERVOUS * _ALL_OVER, _SHOUTS, _SHOUTS, _MOST),
)
