"""What all runs of one repair say together. Types only, no arithmetic."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from memdiag.model.board import Board
from memdiag.model.comparison import Comparison
from memdiag.model.place import Place
from memdiag.model.problems import Problem
from memdiag.model.records import Run
from memdiag.model.verdict import Cause, Finding, Summary, Verdict

CASE_FORMAT = "memdiag-case/1"


class Deed(Struct, frozen=True):
    """Something done before a run: `action` as the head's key (removed, replaced, fitted, swapped,
    reflowed), `sites` where, a swap as `U3>U5`; parts that are no packages as `part:D12`."""

    action: str
    sites: tuple[str, ...]


class Suspect(Struct, frozen=True):
    """A fault that could be: where it is (or last was), and how probable it is that it was there at
    any time up to the step it is listed at. `since`: the run, from 0, in which the package or the
    joints that carry it were first there."""

    place: Place
    cause: Cause
    probability: float
    since: int = 0

    @property
    def name(self) -> str:
        """Its place and cause, and of a package or joints that are newer than the repair, whose."""
        return f"{self.place} {self.cause}" + (f" of run {self.since + 1}" if self.since else "")


class Advice(StrEnum):
    """Whether a repair is worth going on with."""

    GO_ON = "go-on"
    STOP = "stop"
    ASK = "ask"


class Worth(Struct, frozen=True):
    """Is it worth going on? `chance` to save the board; `cost` of what that will still take and
    `value` of the board when it works, in the unit of the shop's costs; `hangs_on`: the two or
    three figures that decide it, in words."""

    advice: Advice
    chance: float
    cost: float
    value: float
    says: str
    hangs_on: tuple[str, ...] = ()


class CaseStep(Struct, frozen=True):
    """One run of a repair: what was done before it, the verdict on the board of all that is known
    so far, the suspects (the same ones in the same order at every step), what the run changed in
    one line, and whether it is worth going on."""

    run: Run
    did: tuple[Deed, ...]
    verdict: Verdict
    suspects: tuple[Suspect, ...]
    changed: str
    worth: Worth


class Established(Struct, frozen=True):
    """A fault that the runs together establish, as it was when it was last there. `since`: the
    first step that has it; `cured_by`: the step whose work cured it, None where it is still there;
    `says` tells what became of it: it followed the part, stayed at the site, came back."""

    finding: Finding
    since: int
    cured_by: int | None
    says: str


class CaseRelease(Struct, frozen=True):
    """Whether the board may be released, and what stands in the way, or lets it go."""

    allowed: bool
    because: tuple[str, ...]


class CaseReport(Struct, frozen=True):
    """All runs of one repair, judged together. `verdict` is that on the board as it is now;
    `comparison` of the first run with the last, None for one run; `next` what to do now."""

    board: Board
    steps: tuple[CaseStep, ...]
    established: tuple[Established, ...]
    verdict: Verdict
    comparison: Comparison | None
    release: CaseRelease
    next: tuple[str, ...]
    problems: tuple[Problem, ...]

    @property
    def summary(self) -> Summary:
        return self.verdict.summary

    @property
    def left(self) -> tuple[Established, ...]:
        """What is still there."""
        return tuple(e for e in self.established if e.cured_by is None)
