"""Two runs -> what changed; several runs -> the history of each finding through the stages.

`repaired` is said only where every earlier finding is cleared: by steps that ran, and by enough
bits without an error to exclude the earlier rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from memdiag.model import FAILED, Board, Cause, Finding, Place, Result, Run, Verdict
from memdiag.model.comparison import Change, ChangeKind, Comparison, History, Outcome, Stage, Track
from memdiag.model.problems import Problem, problem
from memdiag.repair.alignment import common_board
from memdiag.repair.answer import Gaps, answer, refusal
from memdiag.repair.comparable import differences
from memdiag.repair.finding_change import finding_changes
from memdiag.repair.link_change import link_changes, site_changes
from memdiag.repair.paired_runs import OWN, PairedRuns, judged, was_tested
from memdiag.repair.part_swaps import JOINT

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
    differs, problems = differences(before, after, any_order=any_order)
    if differs:
        return _refused(before, after, board, differs, problems, confidence)
    one = judged(before, board, shop, before_verdict)
    two = judged(after, board, shop, after_verdict)
    return _compared(PairedRuns(one, two, confidence, between), problems)


def _refused(
    before: Run,
    after: Run,
    board: Board,
    differs: tuple[str, ...],
    problems: tuple[Problem, ...],
    confidence: float,
) -> Comparison:
    said = refusal(problems)
    return Comparison(
        before,
        after,
        board,
        Outcome.NOT_COMPARABLE,
        (),
        differs,
        problems,
        confidence,
        said.headline,
        said.why,
        said.todo,
    )


def _compared(pair: PairedRuns, problems: tuple[Problem, ...]) -> Comparison:
    findings, links = finding_changes(pair), link_changes(pair)
    gaps = _gaps(pair, links)
    problems += _footnotes(findings, gaps)
    findings.sort(key=_urgency)
    outcome = _outcome(pair, findings, links, gaps)
    needing = [c for c in findings if c.needed_bits is not None]
    longest = max(needing, key=lambda c: (c.needed_seconds or 0, c.needed_bits or 0), default=None)
    said = answer(pair, outcome, findings, longest, gaps)
    return Comparison(
        pair.before,
        pair.after,
        pair.board,
        outcome,
        (*findings, *site_changes(pair, links), *links),
        (),
        problems,
        pair.confidence,
        said.headline,
        said.why,
        said.todo,
        longest.needed_bits if longest else None,
        longest.needed_seconds if longest else None,
        longest.place if longest else None,
        pair.before_verdict,
        pair.after_verdict,
    )


def _board(before: Run, after: Run, verdict: Verdict | None) -> Board:
    if verdict is not None and verdict.board.known:
        return verdict.board
    return common_board(before, after)


_FAILED = frozenset(r.value for r in FAILED)

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


def _outcome(
    pair: PairedRuns, findings: Sequence[Change], links: Sequence[Change], gaps: Gaps
) -> Outcome:
    if any(c.kind is ChangeKind.WORSE or _is_harm(c) for c in findings):
        return Outcome.WORSE
    stays = (ChangeKind.REMAINS, ChangeKind.BETTER, ChangeKind.MOVED, ChangeKind.NEW)
    if any(c.kind in stays for c in findings) or any(c.kind is ChangeKind.NEW for c in links):
        return Outcome.NOT_REPAIRED
    if pair.work.off or gaps.failing:
        return Outcome.NOT_REPAIRED
    if any(c.kind is ChangeKind.TOO_LITTLE_DATA for c in findings):
        return Outcome.TOO_LITTLE_DATA
    if gaps.sites or gaps.unrun or not pair.after.source.complete:
        return Outcome.TOO_LITTLE_DATA
    return Outcome.REPAIRED


def _is_harm(change: Change) -> bool:
    """A fault where the earlier run had tested and found none: not one that was merely hidden."""
    found = change.after.finding
    if change.kind is not ChangeKind.NEW or found is None or found.expected:
        return False
    tested = change.before.bits or change.before.worst not in (None, "not-run")
    return found.cause in OWN and found.cause is not Cause.UNDECIDED and bool(tested)


def _gaps(pair: PairedRuns, links: Sequence[Change]) -> Gaps:
    sites: dict[str, None] = {}
    lost: dict[str, None] = {}
    tested = [key for key, link in pair.new.items() if was_tested(link)]
    for key, link in pair.old.items():
        if not was_tested(link) or key.site in pair.work.off:
            continue
        if key.site is not None and key.site not in pair.measured:
            sites[key.site] = None
        elif not any(key.meets(other) for other in tested):
            # Where no site is named, a link is all that is known of a package.
            (lost if key.site is not None else sites)[str(key)] = None
    said = [f.place for v in (pair.before_verdict, pair.after_verdict) for f in v.findings]
    alone = [c for c in links if not any(pair.touch(place, c.place) for place in said)]
    failing = [str(c.place) for c in alone if c.after.worst in _FAILED]
    unrun = [
        str(c.place)
        for c in alone
        if c.before.worst in _FAILED and c.after.worst in (None, Result.NOT_RUN.value)
    ]
    return Gaps(tuple(sites), tuple(lost), tuple(failing), tuple(unrun))


def _footnotes(findings: Sequence[Change], gaps: Gaps) -> tuple[Problem, ...]:
    out = []
    lost = (*gaps.sites, *gaps.links)
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
    made = [judged(run, board, shop, v) for run, v in zip(runs, given, strict=True)]

    def pair(a: int, b: int) -> Comparison:
        differs, problems = differences(runs[a], runs[b], any_order=any_order)
        if differs:
            return _refused(runs[a], runs[b], board, differs, problems, confidence)
        return _compared(PairedRuns(made[a], made[b], confidence, runs[a + 1 : b]), problems)

    last = len(runs) - 1
    against = [pair(i, last) for i in range(last)]
    whole = against[0]
    if whole.outcome is Outcome.REPAIRED:
        # The last run must bear out the others too; one that cannot be compared says nothing.
        unlike = (Outcome.REPAIRED, Outcome.NOT_COMPARABLE)
        whole = next((c for c in against if c.outcome not in unlike), whole)
    steps = [pair(i, i + 1).outcome for i in range(last)]
    found = [one.verdict for one in made]
    stages = tuple(Stage(v, None if i == 0 else steps[i - 1]) for i, v in enumerate(found))
    return replace(whole, history=History(stages, _tracks(found)))


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
