"""What two runs laid side by side say. Types only, no arithmetic."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.problems import Problem
from memdiag.model.records import Run
from memdiag.model.verdict import Finding, Verdict


class Outcome(StrEnum):
    REPAIRED = "repaired"
    NOT_REPAIRED = "not-repaired"
    WORSE = "worse"
    TOO_LITTLE_DATA = "too-little-data"
    NOT_COMPARABLE = "not-comparable"
    NOTHING_TO_REPAIR = "nothing-to-repair"


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


@dataclass(frozen=True, slots=True)
class State:
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


@dataclass(frozen=True, slots=True)
class Rate:
    """The rate after over the rate before, exact (conditional on the sum; central, two-sided).
    `ratio` is None where there was no error before, `high` None where it has no upper end.
    `p_adjusted` is by Holm over all places of the same level that were tested."""

    ratio: float | None
    low: float
    high: float | None
    p: float
    p_adjusted: float
    basis: str


@dataclass(frozen=True, slots=True)
class Change:
    """What became of one place. `level` is finding, site or link. `needed_bits` is how many bits
    in all must pass there without an error to exclude the earlier rate (one-sided),
    `needed_seconds` how long that takes at the full line rate; None where nothing is lacking or
    no rate is known.
    `points_to` is what following the part says: package, joint, `joint, trace or controller`."""

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


@dataclass(frozen=True, slots=True)
class Stage:
    """One run of a history: its verdict, and how it compares with the run before it (None: the
    first one)."""

    verdict: Verdict
    outcome: Outcome | None


@dataclass(frozen=True, slots=True)
class Track:
    """One place through the stages: the finding there in each run, None where there was none."""

    place: Place
    findings: tuple[Finding | None, ...]


@dataclass(frozen=True, slots=True)
class History:
    stages: tuple[Stage, ...]
    tracks: tuple[Track, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs compared. `differs` names the settings that forbid it (outcome not-comparable).
    `headline`, `why` and `todo` are the answer in three lines; `changes` are the findings, most
    urgent first, then the sites in the board's order, then the links, most urgent first.
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
        return f"{self.headline} {self.why}".strip()
