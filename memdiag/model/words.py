"""What places, causes and actions are called on every page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

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


_FEWEST = 3
"""So many designators in a row make a range: `U1, U2` is no longer than `U1 to U2`."""

_COUNTED = re.compile(r"((?:\S*[^\s0-9])?)([0-9]{1,9})")


def sites_in_short(refs: Iterable[str]) -> str:
    """Designators, each named once, in the order of their numbers: `U1, U2, U5 to U8`. A range
    takes in nothing but what it was given; a name that ends in no number stands by itself."""
    runs: list[list[str]] = []
    for ref in sorted(set(refs), key=_natural):
        if runs and ref == _after(runs[-1][-1]):
            runs[-1].append(ref)
        else:
            runs.append([ref])
    return ", ".join(
        f"{run[0]} to {run[-1]}" if len(run) >= _FEWEST else ", ".join(run) for run in runs
    )


def _natural(ref: str) -> tuple[str, int, str]:
    """U2 comes before U10."""
    counted = _COUNTED.fullmatch(ref)
    return (ref, -1, ref) if counted is None else (counted[1], int(counted[2]), ref)


def _after(ref: str) -> str | None:
    """The designator that follows: U10 after U9, U10 after U09."""
    counted = _COUNTED.fullmatch(ref)
    if counted is None:
        return None
    word, digits = counted.groups()
    return f"{word}{int(digits) + 1:0{len(digits)}}"
