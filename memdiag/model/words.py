"""What places, causes and actions are called on every page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from memdiag.model.in_short import sites_in_short
from memdiag.model.place import Place
from memdiag.model.verdict import Action, Cause

AS_DECLARED = "as declared"
"""How sure a page is of what the run itself says."""

CAUSE_WORDS: Mapping[Cause, str] = {
    Cause.MISSING: "is missing",
    Cause.WEAK: "is weak",
    Cause.JOINT: "has a bad joint",
    Cause.BRIDGE: "has two lines bridged",
    Cause.SPILLOVER: "is only disturbed",
    Cause.SUPPLY: "has a bad supply",
    Cause.CONTROLLER: "is let down by the controller",
    Cause.CLEAR: "is clear",
    Cause.UNDECIDED: "is not decided yet",
}

ACTION_WORDS: Mapping[Action, str] = {
    Action.REPLACE: "REPLACE the package at {at}",
    Action.REFLOW: "REFLOW {at}, package left on",
    Action.RETEST: "RETEST before any heat",
    Action.FIT: "FIT a package at {at}",
    Action.LEAVE: "LEAVE {at} alone for now",
    Action.CHECK_SUPPLY: "CHECK THE SUPPLY first, no heat",
    Action.STOP: "STOP: heat on the memory will not help",
    Action.NONE: "nothing to do",
}


def action_words(action: Action, place: Place, one_of: Sequence[str] = ()) -> str:
    at = suspects(one_of) if one_of else place.site or str(place)
    return ACTION_WORDS[action].format(at=at)


def where(place: Place, one_of: Sequence[str] = ()) -> str:
    """`U6 channel 3`; of packages that are not told apart `one of U1 to U6 on rail VDDQ`."""
    if not one_of:
        return str(place)
    on = replace(place, site=None).words()
    return suspects(one_of) + (f" on {on}" if on else "")


def suspects(refs: Sequence[str]) -> str:
    """`one of U1, U2, U5 to U8`."""
    return "one of " * (len(set(refs)) > 1) + sites_in_short(refs)
