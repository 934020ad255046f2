"""A whole repair as one story: its runs in order, judged together, and what each changed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from msgspec.structs import replace

from memdiag.diagnosis.settings import Settings
from memdiag.model import WANTS_WORK, Action, Board, Cause, Run, Verdict
from memdiag.model.case import CaseRelease, CaseReport, CaseStep, Deed, Established
from memdiag.model.comparison import Comparison, Outcome
from memdiag.model.problems import Problem, problem
from memdiag.repair import comparison
from memdiag.repair.alignment import common_board
from memdiag.repair.case import suspects
from memdiag.repair.case.established import established
from memdiag.repair.case.joint import infer
from memdiag.repair.case.judge import verdict_in, watch
from memdiag.repair.case.parts import follow, steps
from memdiag.repair.case.worth import worth
from memdiag.repair.comparable import differences, same_text

OTHER_BOARD = {"board", "serial", "memory"}
"""Settings in which two runs of one board cannot differ."""


class CaseError(ValueError):
    """Runs that are no one case; `problems` say why."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("; ".join(p.message for p in problems))
        self.problems = tuple(problems)


def case(
    runs: Sequence[Run],
    board: Board | None = None,
    settings: Settings | None = None,
    *,
    any_order: bool = False,
) -> CaseReport:
    """All runs of one repair, judged together, in the order they were made.

    `any_order` takes the runs in the order given, whatever their dates say.
    Raises CaseError for no run at all, or for runs of more than one board.
    """
    settings = settings or Settings()
    kept, problems = _one_case(runs, any_order)
    board = board or common_board(kept[0], kept[-1])
    problems += _swaps(kept)
    watched = watch(kept, board, settings)
    known = [infer(watched[: n + 1], board, settings) for n in range(len(kept))]
    where = follow(board, kept, steps(kept))
    by_step = [suspects.ever(joint) for joint in known]
    shown = suspects.leading(by_step)
    lists = [suspects.listed(by_step, n, shown, where) for n in range(len(kept))]
    done = steps(kept)
    told = []
    for n, joint in enumerate(known):
        verdict = verdict_in(joint, watched, n, settings)
        told.append(
            CaseStep(
                kept[n],
                tuple(Deed(action, sites) for action, sites in done[n].done),
                verdict,
                lists[n],
                suspects.changed(lists[n - 1] if n else None, lists[n]),
                worth(verdict, settings),
            )
        )
    whole = [verdict_in(known[-1], watched, n, settings) for n in range(len(kept))]
    found = established(known[-1], whole, done, where)
    beside = _compared(kept, board, settings, whole)
    last = whole[-1]
    release = _release(last, found, beside)
    return CaseReport(
        board,
        tuple(told),
        found,
        _held(last, release),
        beside,
        release,
        _next(last, beside),
        tuple(problems),
    )


# --- which runs ---------------------------------------------------------------------------------


def _one_case(runs: Sequence[Run], any_order: bool) -> tuple[list[Run], list[Problem]]:
    """The runs in their order, without one given twice. Raises CaseError."""
    if not runs:
        raise CaseError([problem("case-empty")])
    problems: list[Problem] = []
    kept: list[Run] = []
    for run in runs:
        if any(same_text(run, other) for other in kept):
            problems.append(problem("case-twice", name=_name(run)))
        else:
            kept.append(run)
    for other in kept[1:]:
        unlike = differences(kept[0], other, any_order=True)
        wrong = OTHER_BOARD & set(unlike.forbid)
        if wrong:
            told = (p for p in unlike.problems if p.code == "compare-differs")
            raise CaseError([p for p in told if any(f" {name}:" in p.message for name in wrong)])
    ordered = kept if any_order else _in_order(kept)
    if ordered != kept:
        names = ", ".join(_name(run) for run in ordered)
        problems.append(problem("case-order", names=names))
    return ordered, problems


def _name(run: Run) -> str:
    return run.head.id or run.head.stage or run.source.name or "a run"


def _in_order(runs: list[Run]) -> list[Run]:
    """By their dates, where every run has one that can be read."""
    dates = []
    for run in runs:
        try:
            date = datetime.fromisoformat(run.head.at or "")
        except ValueError:
            return runs
        dates.append(date if date.tzinfo else date.replace(tzinfo=UTC))
    return [runs[n] for n in sorted(range(len(runs)), key=lambda n: dates[n])]


def _swaps(runs: Sequence[Run]) -> list[Problem]:
    """Swaps that do not say what sits at every site they touch."""
    found = []
    for run in runs:
        moves = run.head.swapped or ()
        left = {a for a, _ in moves} - {b for _, b in moves} - set(run.head.removed or ())
        left -= set(run.head.replaced or ())
        twice = {b for _, b in moves if sum(b == other for _, other in moves) > 1}
        if left or twice:
            line = next((x.position for x in run.head.lines if x.key == "swapped"), None)
            found.append(problem("case-swap", line, sites=", ".join(sorted(left | twice))))
    return found


# --- what is made of it -------------------------------------------------------------------------


def _compared(
    runs: Sequence[Run], board: Board, settings: Settings, verdicts: Sequence[Verdict]
) -> Comparison | None:
    """The first run against the last, with the verdicts of the case."""
    if len(runs) < 2:
        return None
    profile = board if board.known else None
    confidence = settings.limits.confidence
    return comparison.history(
        runs,
        profile,
        confidence=confidence,
        shop=settings,
        verdicts=verdicts,
        any_order=True,  # the order was settled here
    )


_PROVED = (Outcome.REPAIRED, Outcome.NOTHING_TO_REPAIR)


def _release(last: Verdict, found: Sequence[Established], beside: Comparison | None) -> CaseRelease:
    against = [f"{f.place}: {f.reason}" for f in last.findings if f.action in WANTS_WORK]
    against += [o.says for o in last.release.obstacles]
    against += [
        f"{e.finding.place}: {e.finding.cause} is not cured" for e in found if e.cured_by is None
    ]
    if not against and beside is not None and beside.outcome not in _PROVED:
        against += [reason.says for reason in beside.reasons[:MOST_REASONS]]
    if against or not last.released:
        said = tuple(dict.fromkeys(text.rstrip(".") for text in against or [last.summary.text]))
        return CaseRelease(False, said[:MOST_REASONS])
    cured = [
        f"{e.finding.place} was {e.finding.cause}: {e.says}"
        for e in found
        if e.cured_by is not None
    ]
    return CaseRelease(True, (*cured, last.summary.text))


def _held(last: Verdict, release: CaseRelease) -> Verdict:
    """The verdict as it is now; where the last run alone would let the board go and the case does
    not, its answer is that nobody knows yet."""
    said = last.summary
    if release.allowed or said.cause is not Cause.CLEAR:
        return last
    text = f"not to be released: {release.because[0]}"
    summary = replace(said, cause=Cause.UNDECIDED, action=Action.RETEST, text=text)
    return replace(last, summary=replace(summary, probability=1 - said.probability))


MOST_REASONS = 4
MOST_NEXT = 6


def _next(last: Verdict, beside: Comparison | None) -> tuple[str, ...]:
    out = [text for f in last.findings if f.action in WANTS_WORK for text in f.next]
    out += [o.settle for o in last.release.obstacles]
    if beside is not None and beside.todo:
        out.append(beside.todo)
    return tuple(dict.fromkeys(out))[:MOST_NEXT]
