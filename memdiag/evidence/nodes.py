"""What the posterior is taken over: nodes, each a place with a few ordered states.

A fault puts every node in a state with some probability; a row of the dump is more or less
likely in each state. States are ordered: where two faults act on one node the greater state
shows (a noisy maximum), so a dead lane hides a disturbance of the same lane.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from memdiag.model import WHOLE_BOARD, Place, Quote

PLACE = (
    "sound",
    "stray",
    "disturbed",
    "array",
    "astray",
    "thin",
    "line",
    "joined",
    "dead",
    "mute",
    "absent",
)
"""A lane, a channel of a site, a site, a channel or the board, by the worst behind it:
stray = healthy, with the odd marginal step or upset that healthy lanes have; disturbed = healthy
but upset by a fault elsewhere; array = cells wrong, link good; astray = cells
and link good, but found at another address; thin = little
margin at the pins; line = one data line open; joined = two of its lines shorted; dead = the lane
never works; mute = commands do
not reach it; absent = the package does not answer."""

LINE = ("sound", "stray", "disturbed", "array", "astray", "thin", "open", "joined", "dead")
"""A single data line: open = its own ball or line; joined = shorted to a neighbour."""

SHAPE = ("quiet", "spread", "paired", "striped", "clustered")
"""The addresses of a site's errors: paired = at addresses one bit apart; striped = one line at a
constant stride; clustered = cell, word, column, row or bank."""

RAIL = ("normal", "low", "short")
"""A rail's resistance: low = a few ohms, through a chip; short = under an ohm, a capacitor."""

HEAT = ("elsewhere", "here")
"""Whether what warmed first is the site in question."""

BOOT = ("ran", "cut")
"""Whether the steps of a channel ran to their end."""

STATES: Mapping[str, tuple[str, ...]] = {
    "place": PLACE,
    "whole": PLACE,
    "line": LINE,
    "shape": SHAPE,
    "rail": RAIL,
    "heat": HEAT,
    "boot": BOOT,
}

LINE_OF = {
    "sound": "sound",
    "stray": "stray",
    "disturbed": "disturbed",
    "array": "array",
    "astray": "astray",
    "thin": "thin",
    "open": "dead",
    "joined": "line",
    "dead": "dead",
}
"""The state of a lane whose tables speak for each state of a line of it."""

FLOOR = math.log(1e-9)
"""No single node speaks against a state more strongly than this: rigs do odd things."""


@dataclass(slots=True)
class Node:
    """One observed place, and the sites it can mean. `loglik[state]` is the log likelihood of what
    was seen there, up to a constant; `quotes` say it in words, strongest first."""

    kind: str
    sites: tuple[str, ...]
    place: Place = WHOLE_BOARD
    loglik: dict[str, float] = field(default_factory=dict)
    quotes: list[Quote] = field(default_factory=list)
    partner: dict[int, float] = field(default_factory=dict)
    """For a line: log likelihood ratio of being joined to each other line of its lane."""
    whole: bool = False
    """What was seen is shared by all lines of the place: a fault of some of them is no cause, and
    faults may act on it (as kind `whole`) otherwise than on a place that fails its tests."""

    @property
    def states(self) -> tuple[str, ...]:
        return STATES[self.kind]

    def add(self, loglik: Mapping[str, float] | None, weight: float = 1.0) -> None:
        """Multiply another observation in; states it does not name are not spoken of. None: it
        says nothing."""
        if loglik is None:
            return
        for state in self.states:
            self.loglik[state] = self.loglik.get(state, 0.0) + weight * loglik.get(state, 0.0)

    def vector(self) -> list[float]:
        """Log likelihoods in state order, the best at 0 and none below `FLOOR`."""
        values = [self.loglik.get(state, 0.0) for state in self.states]
        top = max(values)
        return [max(v - top, FLOOR) for v in values]

    @property
    def sound_log_ratio(self) -> float:
        """Log likelihood of the sound state against the best one: 0 where nothing is odd."""
        return self.vector()[0]
