"""What the posterior is taken over: nodes, each a place with a few ordered states.

A lane or a line is in a margin grade, or in one of a few modes that are not margin. The margin is
the natural log of its working width against what is healthy there; widths, step results and error
rates all follow from it. A fault puts every node in a state with some probability; a row of the
dump is more or less likely in each state. States are ordered: where two faults act on one node the
greater state shows (a noisy maximum), so a dead lane hides a disturbance of the same lane.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.model import WHOLE_BOARD, Place, Quote

Array = npt.NDArray[np.float64]

GRADES: Mapping[str, float] = {
    "sound": 0.0,
    "90": -0.10,
    "80": -0.22,
    "70": -0.36,
    "58": -0.55,
    "45": -0.80,
    "33": -1.10,
    "22": -1.50,
    "12": -2.10,
}
"""The margin grades by the share of a healthy width that is left, in percent: natural logs. Closer
steps than a width can be measured to would say nothing."""

MODES = ("array", "astray", "stuck", "joined", "dead", "mute", "absent")
"""What is not margin: array = cells wrong, link good; astray = cells and link good, but found at
another address; stuck = one data line open; joined = two lines shorted; dead = the lane never
works; mute = commands do not reach it; absent = the package does not answer."""

LINK = (*list(GRADES)[:4], *MODES[:2], *list(GRADES)[4:], *MODES[2:])
"""The states of a lane, or of a wider place by the worst behind it, and of a single data line, in
order: cells that are wrong show beside a little margin lost and hide behind much of it."""

MARGIN: Array = np.array([GRADES.get(state, 0.0) for state in LINK])
"""(S,) the margin of each state; of a mode that leaves widths alone 0."""

IS_GRADE: npt.NDArray[np.bool_] = np.array([state in GRADES for state in LINK])

SHAPE = ("quiet", "spread", "paired", "striped", "clustered")
"""The addresses of a site's errors: paired = at addresses one bit apart; striped = one line at a
constant stride; clustered = cell, word, column, row or bank."""

RATES = ("unlike", "equal")
"""Whether lanes err equally often."""

RAIL = ("normal", "high", "low", "short")
"""A rail's resistance: high = well above what its packages draw together, a path to them is open;
low = a few ohms, through a chip; short = under an ohm, a capacitor."""

VOLTS = ("well", "low", "none")
"""A rail's voltage under load: low = below its tolerance, none = nothing to speak of."""

HEAT = ("elsewhere", "here")
"""Whether what warmed first is the site in question."""

READINGS = ("rail", "volts", "heat")
"""The kinds of node that are readings of a rail."""

BOOT = ("ran", "cut")
"""Whether the steps of a channel ran to their end."""

STATES: Mapping[str, tuple[str, ...]] = {
    "place": LINK,
    "line": LINK,
    "shape": SHAPE,
    "rates": RATES,
    "rail": RAIL,
    "volts": VOLTS,
    "heat": HEAT,
    "boot": BOOT,
}


class View(NamedTuple):
    """What a circumstance makes of what was seen: how probably the rig called a step that passed
    `marginal` because of something else on the board, and whether bursts of noise from there hit
    the place, which are errors without a loss of margin."""

    warned: float
    shaken: bool = False


_HINTED, _TOLD = 0.10, 0.80
VIEWS = (
    View(0.0),
    View(0.25),
    View(0.65),
    View(0.97),
    *(View(warned, shaken) for warned in (_HINTED, _TOLD) for shaken in (False, True)),
)
"""The views that are kept apart: nothing from elsewhere, a warning in some steps, in most, in
nearly all, and a pull, which is seen by the margin it takes: without bursts and with them, and the
same two where the rig warns too. Behind them comes one that is made of them: places of a package of
which each is warned of throughout or not at all."""

THROUGHOUT, PULLS = 3, (4, 5, 6, 7)
"""The view of a warning in nearly all steps, and those of a pull."""

EACH_BY_ITSELF = 0.5
"""Share of the places of such a package that are warned of."""

FLOOR = math.log(1e-9)
"""No single node speaks against a state more strongly than this: rigs do odd things."""


def by_state(
    values: Mapping[str, float] | None = None, *, grades: float | Sequence[float] | Array = 0.0
) -> Array:
    """(S,) one value a state of `LINK`: of the grades (one for all, or one a grade) and of the
    modes by name; `array` and `astray` are as a healthy grade where not named."""
    given = dict(values or {})
    of_grade = np.broadcast_to(np.asarray(grades, float), (len(GRADES),))
    out = np.zeros(len(LINK))
    out[IS_GRADE] = of_grade
    for mode in MODES:
        like = {"joined": "stuck", "mute": "dead", "absent": "dead"}.get(mode, "")
        value = given.get(mode, given.get(like, of_grade[0]))
        out[LINK.index(mode)] = value
    return out


def of_line(table: Array) -> Array:
    """(..., S) what is said of a lane, of a data line by itself: one that is open or joined works
    no better than a line of a dead lane, where a lane with such a line may."""
    out = table.copy()
    out[..., [LINK.index("stuck"), LINK.index("joined")]] = table[..., [LINK.index("dead")]]
    return out


def graded(healthy: float, deep: float) -> Array:
    """One value a grade, from that of a healthy place to that of one with no margin left, as the
    width goes: half of the way at 70 % of it."""
    share = np.exp(2 * np.array(list(GRADES.values())))
    return np.asarray(deep + (healthy - deep) * share)


class Way(IntEnum):
    """Which way data go in what was seen: both or neither in particular, out of the package, into
    it, or one of the two and nobody says which. A package drives one and receives the other, so a
    fault may take the margin of one alone."""

    ANY = 0
    READ = 1
    WRITE = 2
    EITHER = 3


class Node(Struct, eq=False):
    """One observed place, and the sites it can mean. What was seen there is kept apart by the way
    data went; `quotes` say it in words, strongest first."""

    kind: str
    sites: tuple[str, ...]
    place: Place = WHOLE_BOARD
    quotes: list[Quote] = field(default_factory=list)
    partner: dict[int, float] = field(default_factory=dict)
    """For a line: log likelihood ratio of being joined to each other line of its lane."""
    _parts: dict[Way, Array] = field(default_factory=dict)
    _ways: Array | None = None
    _ratio: float | None = None
    """What `by_way` and `sound_log_ratio` say, until more is seen."""

    @property
    def states(self) -> tuple[str, ...]:
        return STATES[self.kind]

    @property
    def spoken(self) -> bool:
        """Whether anything was seen there."""
        return bool(self._parts)

    def add(
        self, loglik: Mapping[str, float] | Array | None, weight: float = 1.0, way: Way = Way.ANY
    ) -> None:
        """Multiply another observation in: by state name (states it does not name get 0), or an
        array (S,), (views, S) or (R, 1, S). None: it says nothing."""
        if loglik is None:
            return
        if isinstance(loglik, Mapping):
            loglik = np.array([loglik.get(state, 0.0) for state in self.states])
        self._parts[way] = self._part(way) + weight * loglik
        self._ways = self._ratio = None

    def _part(self, way: Way) -> Array:
        nothing = np.zeros((1, len(VIEWS), len(self.states)))
        return self._parts.get(way, nothing)

    def blank(self) -> Node:
        """A node of the same place of which nothing was seen."""
        return replace(self, quotes=[], partner={}, _parts={}, _ways=None, _ratio=None)

    def add_node(self, other: Node) -> None:
        """Multiply in what was seen of the same place elsewhere."""
        for way, part in other._parts.items():
            self.add(part, way=way)
        self.quotes += other.quotes
        self.partner |= other.partner

    def doubt(self, doubt: float, like: str) -> None:
        """Take it that what was seen there says nothing with this probability: it then looks as it
        would in the state `like`, whatever the place is in."""
        for way, part in self._parts.items():
            anyhow = part[..., self.states.index(like), None] + math.log(doubt)
            self._parts[way] = np.logaddexp(part + math.log1p(-doubt), anyhow)
        self._ways = self._ratio = None

    def as_one_of(self, n: int, apart: float) -> None:
        """Take what was seen there for one of `n` tellings of the same thing: what sets states less
        than `apart` (log) from the best of their view counts once for all of them, and how probable
        the view is for none. What is farther off stays that far."""
        for way, part in self._parts.items():
            off = part.max(axis=-1, keepdims=True) - part
            self._parts[way] = -np.minimum(off, apart) / n - np.maximum(off - apart, 0.0)
        self._ways = self._ratio = None

    def soften(self, factor: float | Array) -> None:
        """Let all that was seen there weigh less, alike or (S,) state by state against the best."""
        for way, part in self._parts.items():
            best = part.max(axis=-1, keepdims=True)
            self._parts[way] = factor * (part - best) + np.max(factor) * best
        self._ways = self._ratio = None

    def replace_by(self, other: Node) -> None:
        """Take what was seen at another place instead."""
        self._parts = dict(other._parts)
        self._ways = self._ratio = None

    @property
    def seen(self) -> Array:
        """(R, views, S) the log likelihood of all that was seen there, up to a constant, in each
        view and state, and where widths were seen for each reference they may have to be held
        against (else R is 1)."""
        return np.asarray(sum(map(self._part, Way)))

    @property
    def goes_both_ways(self) -> bool:
        """Whether the two ways were seen apart."""
        return Way.READ in self._parts and Way.WRITE in self._parts

    def by_way(self) -> Array:
        """(ways, R, views and one, S), the best at 0 and none below `FLOOR`: the same where the
        margin is lost both ways, only out of the package, or only into it; the other way is then
        sound."""
        if self._ways is None:
            self._ways = self._by_way()
        return self._ways

    def _by_way(self) -> Array:
        both = self.seen
        ways = [both, both, both]
        if self.kind in ("place", "line"):
            grades = np.where(IS_GRADE, 1.0, 0.0)
            # Of what went one way, nobody says which, half is of the way that is sound.
            one = self._part(Way.EITHER)
            half = np.logaddexp(one, one[..., :1]) - math.log(2) - one
            for number, sound in ((1, self._part(Way.WRITE)), (2, self._part(Way.READ))):
                ways[number] = both + grades * (sound[..., :1] - sound + half)
        out = np.array(ways)
        calm, warned = out[:, :, :1], out[:, :, THROUGHOUT, None]
        share = math.log(EACH_BY_ITSELF), math.log(1 - EACH_BY_ITSELF)
        mixed = np.logaddexp(calm + share[1], warned + share[0])
        out = np.concatenate([out, mixed], axis=2) - out.max()
        # Against the best state of the same view, so that views which only differ by how probable
        # such warnings are still do.
        return np.asarray(np.maximum(out, out.max(axis=-1, keepdims=True) + FLOOR))

    def said(self, state: str) -> float:
        """Log likelihood of one state, unwarned, up to a constant."""
        return float(self.seen[0, 0, self.states.index(state)])

    @property
    def sound_log_ratio(self) -> float:
        """Log likelihood of the sound state against the best one, unwarned and against the first
        reference: 0 where nothing is odd."""
        if self._ratio is None:
            first = self.by_way()[:, 0, 0]
            self._ratio = max(float(first[0, 0] - first.max()), FLOOR)
        return self._ratio

    @property
    def hurt(self) -> float:
        """Log likelihood of the best of what a neighbour's fault may make of a place, warned or
        not, against the best of all: 0 where that explains it."""
        first = self.by_way()[:, 0]
        mild = first[..., IS_GRADE & (MARGIN > -0.3)].max()
        return float(max(mild - first.max(), FLOOR))

    @property
    def doubtful(self) -> bool:
        """Whether it is sound only if the reference of its widths is not down."""
        others = self.seen[1:, 0]
        return bool((others[:, 0] - others.max(axis=-1) < -1.0).any())
