"""Two runs -> what changed; several runs -> the history of each finding through the stages.

`repaired` is said only where nothing stands against it (`reasons`): every earlier finding is
cleared, by steps that ran and by enough bits without an error to exclude the earlier rate; no link
got worse or fell silent; and the later run could be released by itself.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.model import Board, Cause, Finding, Place, Run, Verdict
from memdiag.model.comparison import (
    GRAVEST_FIRST,
    Change,
    ChangeKind,
    Comparison,
    History,
    Outcome,
    ReasonKind,
    Stage,
    Track,
)
from memdiag.model.problems import Problem, problem
from memdiag.repair.alignment import common_board
from memdiag.repair.answer import answer
from memdiag.repair.comparable import Differences, differences
from memdiag.repair.finding_change import finding_changes
from memdiag.repair.link_change import link_changes, settled, site_changes
from memdiag.repair.paired_runs import JudgedRun, PairedRuns, judged
from memdiag.repair.part_swaps import JOINT
from memdiag.repair.reasons import reasons, refusals
from memdiag.repair.silence import silent

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings


def compare(
    before: Run,
    after: Run,
    board: Board | None = None,
    *,
    confidence: float = 0.95,
    shop: Settings | None = None,
    before_verdict: Verdict | None = None,
    after_verdict: Verdict | None = None,
    between: Sequence[Run] = (),
    any_order: bool = False,
) -> Comparison:
    """What changed from one run to the other.

    `board` and the verdicts are found where they are not given; `shop` holds the shop's own
    settings for the verdicts. `between` are runs that lie
    between the two, for the work they declare. `any_order` takes the runs in the order given
    whatever their dates and stages say.
    Raises ValueError for a confidence that is not between 0 and 1.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence is between 0 and 1, not {confidence}")
    board = board or _board(before, after, before_verdict)
    how = _How(board, confidence, any_order, _harmless(shop))
    unlike = how.differences(before, after)
    if unlike.forbid:
        return _refused(before, after, unlike, how)
    given = [before_verdict, *[None] * len(between), after_verdict]
    made = _judged([before, *between, after], board, shop, given)
    return _compared(PairedRuns(made[0], made[-1], confidence, between), unlike)


def _judged(
    runs: Sequence[Run], board: Board, shop: Settings | None, given: Sequence[Verdict | None]
) -> list[JudgedRun]:
    """Each run with its verdict: where none is given, that of the whole repair, for what one run
    shows another may bear out or contradict."""
    if not any(given):
        # Only here: a comparison of verdicts that are already made needs no inference.
        from memdiag.repair.case.judge import judge_together

        return [JudgedRun(*both) for both in judge_together(runs, board, shop)]
    return [judged(run, board, shop, v) for run, v in zip(runs, given, strict=True)]


class _How(Struct, frozen=True):
    """How pairs are compared, whichever of several runs they are."""

    board: Board
    confidence: float
    any_order: bool
    harmless: Collection[str] = field(default=())

    def differences(self, before: Run, after: Run) -> Differences:
        rails = [rail.name for rail in self.board.rails]
        return differences(before, after, rails, any_order=self.any_order, harmless=self.harmless)


def _harmless(shop: Settings | None) -> Collection[str]:
    return () if shop is None else shop.compare.harmless


def _refused(before: Run, after: Run, unlike: Differences, how: _How) -> Comparison:
    found = refusals(unlike.problems)
    said = answer(found)
    return Comparison(
        before,
        after,
        how.board,
        said.outcome,
        (),
        unlike.forbid,
        unlike.problems,
        how.confidence,
        said.headline,
        said.why,
        said.todo,
        reasons=found,
        beside=unlike.beside,
    )


def _compared(pair: PairedRuns, unlike: Differences) -> Comparison:
    links = link_changes(pair)
    findings = sorted(finding_changes(pair, links), key=_urgency)
    links = settled(links, findings, pair)
    lost = silent(pair)
    found = reasons(pair, findings, links, lost)
    said = answer(found, findings, links)
    needing = [c for c in findings if c.needed_bits is not None]
    longest = max(needing, key=lambda c: (c.needed_seconds or 0, c.needed_bits or 0), default=None)
    return Comparison(
        pair.before,
        pair.after,
        pair.board,
        said.outcome,
        (*findings, *site_changes(pair, links), *links),
        (),
        (*unlike.problems, *_footnotes(findings, list(lost))),
        pair.confidence,
        said.headline,
        said.why,
        said.todo,
        longest.needed_bits if longest else None,
        longest.needed_seconds if longest else None,
        longest.place if longest else None,
        pair.before_verdict,
        pair.after_verdict,
        reasons=found,
        beside=unlike.beside,
    )


def _board(before: Run, after: Run, verdict: Verdict | None) -> Board:
    if verdict is not None and verdict.board.known:
        return verdict.board
    return common_board(before, after)


_ORDER = (
    ChangeKind.WORSE,
    ChangeKind.NEW,
    ChangeKind.MOVED,
    ChangeKind.REMAINS,
    ChangeKind.BETTER,
    ChangeKind.TOO_LITTLE_DATA,
    ChangeKind.CLEARED,
    ChangeKind.SAME,
)


def _urgency(change: Change) -> tuple[bool, int]:
    """Faults before spillover, then by what became of them."""
    finding = change.after.finding or change.before.finding
    spilled = finding is not None and finding.cause is Cause.SPILLOVER
    return spilled, _ORDER.index(change.kind)


def _footnotes(findings: Sequence[Change], lost: Sequence[str]) -> tuple[Problem, ...]:
    out = []
    if lost:
        some = ", ".join(lost[:8]) + (f" and {len(lost) - 8} more" if len(lost) > 8 else "")
        out.append(problem("compare-not-measured", links=some))
    reflowed = [str(c.place) for c in findings if c.points_to == JOINT]
    if reflowed:
        out.append(problem("compare-may-come-back", places=", ".join(reflowed)))
    return tuple(out)


# --- more than two runs -------------------------------------------------------------------------


def history(
    runs: Sequence[Run],
    board: Board | None = None,
    *,
    confidence: float = 0.95,
    shop: Settings | None = None,
    verdicts: Sequence[Verdict] | None = None,
    any_order: bool = False,
) -> Comparison:
    """The first run compared with the last, with the history of each finding through all of them.

    `repaired` must hold against every earlier run, not only the first: a fault that showed in
    between counts as well. Raises ValueError for fewer than two runs.
    """
    if len(runs) < 2:
        raise ValueError(f"a history takes two runs or more, not {len(runs)}")
    board = board or common_board(runs[0], runs[-1])
    given = verdicts if verdicts is not None else [None] * len(runs)
    made = _judged(runs, board, shop, given)
    how = _How(board, confidence, any_order, _harmless(shop))

    def pair(a: int, b: int) -> Comparison:
        unlike = how.differences(runs[a], runs[b])
        if unlike.forbid:
            return _refused(runs[a], runs[b], unlike, how)
        return _compared(PairedRuns(made[a], made[b], confidence, runs[a + 1 : b]), unlike)

    last = len(runs) - 1
    whole = _borne_out([pair(i, last) for i in range(last)])
    steps = [pair(i, i + 1).outcome for i in range(last)]
    found = [one.verdict for one in made]
    stages = tuple(Stage(v, None if i == 0 else steps[i - 1]) for i, v in enumerate(found))
    return replace(whole, history=History(stages, _tracks(found)))


def _borne_out(against: Sequence[Comparison]) -> Comparison:
    """The last run compared with the first, where every other run bears that out; else with the
    one that speaks the most gravely against it. A run that cannot be compared says nothing, and
    one that shows no fault has none to be cleared."""
    first = against[0]
    if not _shows_none(first) and first.outcome is not Outcome.REPAIRED:
        return first
    told = [c for c in against if c.outcome is not Outcome.NOT_COMPARABLE]
    showing = [c for c in told if not _shows_none(c)]
    return min(showing, key=lambda c: GRAVEST_FIRST.index(c.outcome), default=first)


def _shows_none(c: Comparison) -> bool:
    """Did neither run show a fault?"""
    return bool(c.reasons) and c.reasons[0].kind in (ReasonKind.NOTHING, ReasonKind.BEFORE)


def _tracks(verdicts: Sequence[Verdict]) -> tuple[Track, ...]:
    """One track for each place that had a finding in any run: a site, else whatever it names."""

    def place(f: Finding) -> Place:
        if f.place.site is not None:
            return Place(site=f.place.site)
        return Place(channel=f.place.channel, rail=f.place.rail, partition=f.place.partition)

    places = dict.fromkeys(place(f) for v in verdicts for f in v.findings)
    return tuple(
        Track(p, tuple(next((f for f in v.findings if place(f) == p), None) for v in verdicts))
        for p in places
    )
