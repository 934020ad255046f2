"""The answer of a comparison: its outcome, and three lines, what it is, why, and what to do now."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from memdiag.model import Cause
from memdiag.model.comparison import Change, ChangeKind, Outcome, Reason
from memdiag.repair.paired_runs import BAD
from memdiag.repair.part_swaps import JOINT
from memdiag.repair.wording import short

MOST_NAMES = 3
_BAD = frozenset(r.value for r in BAD)


class Answer(Struct, frozen=True):
    outcome: Outcome
    headline: str
    why: str
    todo: str


def answer(
    reasons: Sequence[Reason], findings: Sequence[Change] = (), links: Sequence[Change] = ()
) -> Answer:
    """The gravest of the reasons, which come first; `repaired` where there is none, and then
    something was cleared."""
    if reasons:
        first = reasons[0]
        return Answer(first.outcome, first.headline, short(first.says), first.settle)
    return _repaired(findings, links)


def _repaired(findings: Sequence[Change], links: Sequence[Change]) -> Answer:
    mended = [c for c in findings if c.kind is ChangeKind.CLEARED]
    own = [c for c in mended if not _spilled(c)]
    # A step may have failed that no finding speaks of.
    told = own or mended or [c for c in links if c.kind is ChangeKind.CLEARED]
    named = ", ".join(_was(c) for c in told[:MOST_NAMES])
    if len(told) > MOST_NAMES:
        named += f" and {len(told) - MOST_NAMES} more"
    todo = "Close the ticket."
    if any(c.points_to == JOINT for c in mended):
        todo = "Test once more warm and cold before you close the ticket: a joint can open again."
    return Answer(Outcome.REPAIRED, f"{named} before; clear now.", short(told[0].because), todo)


def _spilled(change: Change) -> bool:
    f = change.before.finding
    return f is not None and f.cause is Cause.SPILLOVER


def _was(change: Change) -> str:
    f = change.before.finding
    if f is not None:
        return f"{change.where} {'empty' if f.expected else f.cause.value}"
    worst = change.before.worst
    return f"{change.place} {worst if worst in _BAD else 'errors'}"
