"""What two runs laid side by side say. Types only, no arithmetic."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.problems import Problem
from memdiag.model.records import Run
from memdiag.model.verdict import Finding, Verdict
from memdiag.model.words import where


class Outcome(StrEnum):
    REPAIRED = "repaired"
    NOT_REPAIRED = "not-repaired"
    WORSE = "worse"
    TOO_LITTLE_DATA = "too-little-data"
    NOT_COMPARABLE = "not-comparable"
    NOTHING_TO_REPAIR = "nothing-to-repair"


GRAVEST_FIRST = (
    Outcome.NOT_COMPARABLE,
    Outcome.WORSE,
    Outcome.NOT_REPAIRED,
    Outcome.TOO_LITTLE_DATA,
    Outcome.NOTHING_TO_REPAIR,
    Outcome.REPAIRED,
)


class ReasonKind(StrEnum):
    """What a reason against a repair is about."""

    UNLIKE = "unlike"  # a setting that forbids the comparison
    FINDING = "finding"  # a finding of either run that is not cleared
    BOARD = "board"  # all eyes of the board together
    LINK = "link"  # a link that got worse, or fails
    EMPTY = "empty"  # a site empty on purpose
    SILENT = "silent"  # tested before, and not now
    OBSTACLE = "obstacle"  # what stands in the way of a release in the later run alone
    UNREAD = "not-understood"  # lines of the later run that may have held a result
    CUT = "cut"
    NOTHING = "nothing"  # neither run shows a fault
    BEFORE = "before"  # the earlier run was not heard in full, so what was wrong is not known


class Reason(Struct, frozen=True):
    """One thing that stands against `repaired`: what it is, where (None: the whole board), what it
    makes of the outcome, in words, and what settles it."""

    kind: ReasonKind
    place: Place | None
    outcome: Outcome
    headline: str
    says: str
    settle: str


class ChangeKind(StrEnum):
    """What became of a finding or a link."""

    CLEARED = "cleared"
    REMAINS = "remains"
    NEW = "new"
    MOVED = "moved"
    WORSE = "worse"
    BETTER = "better"
    SAME = "same"
    TOO_LITTLE_DATA = "too-little-data"


class State(Struct, frozen=True):
    """One side of a change. `finding` is the verdict's, None where it has none there; `worst` the
    worst training result; `eye` the narrowest eye as printed, with its unit. None: not said."""

    finding: Finding | None
    bits: int | None = None
    errors: int | None = None
    cells: int | None = None
    rate: float | None = None
    low: float | None = None
    high: float | None = None
    worst: str | None = None
    eye: str | None = None


class Rate(Struct, frozen=True):
    """The rate after over the rate before, exact (conditional on the sum; central, two-sided).
    `ratio` is None where there was no error before, `high` None where it has no upper end.
    `p_adjusted` is by Holm over all places of the same level that were tested."""

    ratio: float | None
    low: float
    high: float | None
    p: float
    p_adjusted: float
    basis: str


class Change(Struct, frozen=True):
    """What became of one place. `level` is finding, site or link. `needed_bits` is how many bits
    in all must pass there without an error to exclude the earlier rate (one-sided),
    `needed_seconds` how long that takes at the full line rate; None where nothing is lacking or
    no rate is known.
    `points_to` is what following the part says: package, joint, `joint, trace or controller`.
    `against`: the best outcome that this change leaves possible; None where nothing of it stands
    against a repair."""

    level: str
    place: Place
    kind: ChangeKind
    before: State
    after: State
    because: str
    rate: Rate | None = None
    needed_bits: int | None = None
    needed_seconds: float | None = None
    points_to: str | None = None
    against: Outcome | None = None

    @property
    def where(self) -> str:
        """The place in words; of packages that a finding did not tell apart the group."""
        found = (self.before.finding or self.after.finding) if self.level == "finding" else None
        return where(self.place, found.one_of if found is not None else ())


class Stage(Struct, frozen=True):
    """One run of a history: its verdict, and how it compares with the run before it (None: the
    first one)."""

    verdict: Verdict
    outcome: Outcome | None


class Track(Struct, frozen=True):
    """One place through the stages: the finding there in each run, None where there was none."""

    place: Place
    findings: tuple[Finding | None, ...]


class History(Struct, frozen=True):
    stages: tuple[Stage, ...]
    tracks: tuple[Track, ...]


class Comparison(Struct, frozen=True):
    """Two runs compared. `differs` names the settings that forbid it (outcome not-comparable).
    `reasons` are what stands against `repaired`, the gravest first: that one is the outcome, and
    the answer in three lines (`headline`, `why` and `todo`). `beside` names what the runs differ
    in that does not forbid the comparison. `changes` are the findings, most urgent first, then
    the sites in the board's order, then the links, most urgent first.
    `history` is there where more than two runs were given."""

    before: Run
    after: Run
    board: Board
    outcome: Outcome
    changes: tuple[Change, ...]
    differs: tuple[str, ...]
    problems: tuple[Problem, ...]
    confidence: float
    headline: str
    why: str
    todo: str
    needed_bits: int | None = None
    needed_seconds: float | None = None
    needed_for: Place | None = None
    before_verdict: Verdict | None = None
    after_verdict: Verdict | None = None
    history: History | None = None
    reasons: tuple[Reason, ...] = ()
    beside: tuple[str, ...] = ()

    @property
    def findings(self) -> tuple[Change, ...]:
        return tuple(c for c in self.changes if c.level == "finding")

    @property
    def sites(self) -> tuple[Change, ...]:
        return tuple(c for c in self.changes if c.level == "site")

    @property
    def links(self) -> tuple[Change, ...]:
        return tuple(c for c in self.changes if c.level == "link")

    @property
    def summary(self) -> str:
        beside = f"The runs differ: {'; '.join(self.beside)}." if self.beside else ""
        read = " ".join(
            f"{which}: {run.source.understood}."
            for which, run in (("BEFORE", self.before), ("AFTER", self.after))
            if run.source.lost
        )
        return " ".join(text for text in (self.headline, self.why, beside, read) if text)
