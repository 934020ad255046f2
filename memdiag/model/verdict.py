"""What the analyser says: findings, the summary, the whole verdict. Types only, no arithmetic."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from memdiag.model.board import Board
from memdiag.model.place import WHOLE_BOARD, Place
from memdiag.model.problems import Problem
from memdiag.model.records import Run
from memdiag.model.table import TableRow


class Cause(StrEnum):
    MISSING = "missing"
    WEAK = "weak"
    JOINT = "joint"
    BRIDGE = "bridge"
    SPILLOVER = "spillover"
    SUPPLY = "supply"
    CONTROLLER = "controller"
    CLEAR = "clear"
    UNDECIDED = "undecided"


class Action(StrEnum):
    REPLACE = "replace"
    REFLOW = "reflow"
    RETEST = "retest"
    FIT = "fit"
    LEAVE = "leave"
    CHECK_SUPPLY = "check-supply"
    STOP = "stop"
    NONE = "none"


WANTS_WORK = frozenset(
    {Action.REPLACE, Action.REFLOW, Action.RETEST, Action.FIT, Action.CHECK_SUPPLY, Action.STOP}
)
"""The actions that make the exit status 1."""

HEATS = frozenset({Action.REPLACE, Action.REFLOW, Action.FIT})
"""The actions that put hot air on the board."""


class Work(StrEnum):
    """Work that a next step may ask for and that has a caution of its own."""

    OHMS = "ohms"
    INJECTION = "injection"


class Quote(Struct, frozen=True):
    """A piece of evidence: the 1-based line of the pasted text, and what it says in words.
    `line` is None for a statement about many lines or about something that is not there."""

    line: int | None
    says: str


class Finding(Struct, frozen=True):
    """One thing the verdict says: where something is wrong, and what.

    `place_probability` is that something is wrong at the place, whatever it is; `probability` that
    it is this cause, with `alternatives` it sums to 1. `one_of`: where the place holds several
    packages that the dump does not tell apart, those packages, one of which is meant; empty where
    the place says it all.

    Raises ValueError where it asks for hot air on a package and no line of the dump is quoted: no
    package is heated on the word of others.
    """

    place: Place
    cause: Cause
    probability: float
    alternatives: tuple[tuple[Cause, float], ...]
    because_of: str | None
    action: Action
    reason: str
    expected: bool = False
    evidence: tuple[Quote, ...] = ()
    next: tuple[str, ...] = ()
    asks: frozenset[Work] = frozenset()
    place_probability: float = 1.0
    one_of: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        hot = self.action in (Action.REPLACE, Action.REFLOW)
        if hot and all(quote.line is None for quote in self.evidence):
            raise ValueError(f"{self.action} at {self.place} without a line that speaks for it")


class Summary(Struct, frozen=True):
    """The answer in one line: the most urgent finding, or that the board is clear.

    `place`, `place_probability` and `one_of` are those of the finding; where nothing is wrong, the
    whole board and the probability that something is wrong with it.
    """

    cause: Cause
    site: str | None
    action: Action
    probability: float
    text: str
    place: Place = WHOLE_BOARD
    place_probability: float = 0.0
    one_of: tuple[str, ...] = ()


class ObstacleKind(StrEnum):
    """Why a board cannot be released though no fault is named."""

    FAILED = "failed-step"  # a step ended without a working setting
    READING = "no-reading"  # ohms that say nothing: no contact, still moving, of no rail known
    UNREAD = "not-understood"  # a row, cell or line that may have held a result
    CUT = "cut"  # the dump, or a scan in it, stops before its end
    UNHEARD = "unheard"  # no step, count or list of errors speaks of a link
    THIN = "thin-eye"  # an eye well below its peers', of which no finding speaks
    MARGINAL = "marginal"  # data steps are marginal on most links of the board or of a package
    ABOVE_TARGET = "above-target"  # errors more often than the shop allows, or failed link checks
    ODDS = "odds"  # a fault is too probable for a release
    WORSE = "worse"  # a link got worse from one run to the next


class Obstacle(Struct, frozen=True):
    """One thing that stands in the way of a release: what, where, on which 1-based lines of the
    pasted text, and what would settle it."""

    kind: ObstacleKind
    says: str
    settle: str
    places: tuple[Place, ...] = ()
    lines: tuple[int, ...] = ()


class Release(Struct, frozen=True):
    """Whether a board may leave the bench on what this run shows, apart from its findings."""

    obstacles: tuple[Obstacle, ...] = ()
    unheard: tuple[Place, ...] = ()
    """Links of the board that no row speaks of."""


class Verdict(Struct, frozen=True):
    """A run, judged. `findings` are most urgent first; `left_out` bounds the posterior mass of
    fault sets that were not looked at; `eye_reference` is the width in UI that healthy peers of
    the run show, None where too few lanes tell it."""

    run: Run
    board: Board
    summary: Summary
    findings: tuple[Finding, ...]
    table: tuple[TableRow, ...]
    problems: tuple[Problem, ...]
    cautions: tuple[str, ...]
    left_out: float = 0.0
    notes: tuple[str, ...] = ()
    eye_reference: float | None = None
    release: Release = Release()

    @property
    def wants_action(self) -> bool:
        """Whether a finding wants something done."""
        return any(f.action in WANTS_WORK for f in self.findings)

    @property
    def released(self) -> bool:
        """Whether the board may be released: nothing is to be done, and nothing is in the way."""
        wanted = self.wants_action or self.summary.action in WANTS_WORK
        return not (self.release.obstacles or wanted)
