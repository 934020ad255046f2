"""Everything that stands against `repaired`, in one list: the gravest decides the outcome.

The outcome, the headline, why and what to do are read off this list, and the list off the changes
that the table shows, so that none of them can say what another denies.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from memdiag.model import Lost, Obstacle, ObstacleKind, Place, Verdict
from memdiag.model.comparison import GRAVEST_FIRST, Change, ChangeKind, Outcome, Reason, ReasonKind
from memdiag.model.problems import Problem, Severity
from memdiag.repair.paired_runs import PairedRuns
from memdiag.repair.reasons_of_changes import of_board, of_findings, of_links
from memdiag.repair.wording import sentence, short

_OF_OBSTACLE = {
    ObstacleKind.FAILED: Outcome.NOT_REPAIRED,
    ObstacleKind.THIN: Outcome.NOT_REPAIRED,
    ObstacleKind.ABOVE_TARGET: Outcome.NOT_REPAIRED,
    ObstacleKind.WORSE: Outcome.WORSE,
}
"""What an obstacle to the release of the later run makes of the comparison; all others leave it
open."""

MOST_NAMES = 4


def gravest_first(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    return tuple(sorted(reasons, key=lambda r: GRAVEST_FIRST.index(r.outcome)))


def refusals(problems: Sequence[Problem]) -> tuple[Reason, ...]:
    """Why the runs cannot be compared."""
    headline = "These two runs cannot be compared."
    return tuple(
        Reason(
            ReasonKind.UNLIKE,
            None,
            Outcome.NOT_COMPARABLE,
            headline,
            sentence(p.message),
            short(p.hint),
        )
        for p in problems
        if p.severity is Severity.ERROR
    )


def reasons(
    pair: PairedRuns, findings: Sequence[Change], links: Sequence[Change], silent: dict[str, Place]
) -> tuple[Reason, ...]:
    """Everything against `repaired`, the gravest first, most urgent first among equals. `findings`
    most urgent first. Where nothing stands against it and nothing was mended, that is one too."""
    found = [
        *of_findings(pair, findings),
        *of_board(pair),
        *of_links(pair, findings, links),
        *_of_empty(pair, findings),
        *_of_silence(silent),
        *_of_later_run(pair, silent),
    ]
    if not found and not any(c.kind is ChangeKind.CLEARED for c in (*findings, *links)):
        found = [_nothing_mended(pair)]
    return gravest_first(found)


# --- what was not heard -------------------------------------------------------------------------


def _of_empty(pair: PairedRuns, findings: Sequence[Change]) -> Iterator[Reason]:
    told = {c.place.site for c in findings}
    for site in sorted(pair.work.off - told):
        yield Reason(
            ReasonKind.EMPTY,
            Place(site=site),
            Outcome.NOT_REPAIRED,
            f"{site} is empty on purpose: not finished.",
            "The later run declares it.",
            f"Fit a package at {site}, run the same test, compare again.",
        )


def _of_silence(silent: dict[str, Place]) -> Iterator[Reason]:
    if silent:
        names = list(silent)
        yield Reason(
            ReasonKind.SILENT,
            silent[names[0]] if len(names) == 1 else None,
            Outcome.TOO_LITTLE_DATA,
            "Not all of the board was tested again.",
            f"The later run says nothing of {listed(names)}.",
            "Run every step and test of BEFORE again.",
        )


def listed(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMES
    return ", ".join(names[:MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _of_later_run(pair: PairedRuns, silent: dict[str, Place]) -> Iterator[Reason]:
    """What stands in the way of a release in the later run alone; what fell silent is told."""
    told = set(silent.values())
    obstacles = [
        o
        for o in pair.after_verdict.release.obstacles
        if o.kind is not ObstacleKind.UNHEARD or not told.issuperset(o.places)
    ]
    kinds = {o.kind for o in obstacles}
    for o in obstacles:
        outcome = _OF_OBSTACLE.get(o.kind, Outcome.TOO_LITTLE_DATA)
        place = o.places[0] if len(o.places) == 1 else None
        yield Reason(
            ReasonKind.OBSTACLE,
            place,
            outcome,
            _obstacle_headline(o),
            sentence(o.says),
            sentence(o.settle),
        )
    if pair.after.lost and ObstacleKind.UNREAD not in kinds:
        yield _unread(pair.after.lost, max(pair.after.source.lost, len(pair.after.lost)))
    if not pair.after.source.complete and ObstacleKind.CUT not in kinds:
        yield Reason(
            ReasonKind.CUT,
            None,
            Outcome.TOO_LITTLE_DATA,
            "The later dump is cut.",
            "What stood in the missing part is not known.",
            "Paste it again, to its [end] line.",
        )


def _obstacle_headline(obstacle: Obstacle) -> str:
    where = listed([str(p) for p in obstacle.places]) if obstacle.places else "the board"
    return {
        ObstacleKind.FAILED: f"A step fails at {where}, whatever became of the rest.",
        ObstacleKind.THIN: f"The eye is thin at {where}, whatever became of the rest.",
        ObstacleKind.MARGINAL: f"Hardly any margin at {where}, whatever became of the rest."
        if len({p.site for p in obstacle.places}) == 1
        else "Most links are marginal: nothing is left to compare with.",
        ObstacleKind.READING: f"A reading is no answer: {where}.",
        ObstacleKind.ABOVE_TARGET: f"Too many errors at {where}, whatever became of the rest.",
        ObstacleKind.WORSE: f"Worse than before: {where}.",
        ObstacleKind.UNREAD: "Not all of the later dump was understood.",
        ObstacleKind.CUT: "The later dump is cut.",
        ObstacleKind.UNHEARD: "Not all of the board was tested.",
        ObstacleKind.ODDS: f"A fault at {where} is too likely for a release.",
    }[obstacle.kind]


def _unread(lost: Sequence[Lost], count: int) -> Reason:
    first = lost[0]
    lines = f"line {first.position.line}" + (f" and {count - 1} more" if count > 1 else "")
    return Reason(
        ReasonKind.UNREAD,
        first.place if count == 1 else None,
        Outcome.TOO_LITTLE_DATA,
        "Not all of the later dump was understood.",
        f"A result may have stood there: {lines}.",
        "Mend those lines, or paste the dump again.",
    )


# --- nothing was mended -------------------------------------------------------------------------


def _nothing_mended(pair: PairedRuns) -> Reason:
    """Nothing stands against a repair, and nothing was repaired: was nothing wrong before?"""
    unknown = _unknown_before(pair.before_verdict)
    if unknown is not None:
        says, settle = unknown
        return Reason(
            ReasonKind.BEFORE,
            None,
            Outcome.TOO_LITTLE_DATA,
            "What was wrong before is not known.",
            sentence(f"neither run shows a fault, but of the earlier one: {says}"),
            sentence(settle),
        )
    return Reason(
        ReasonKind.NOTHING,
        None,
        Outcome.NOTHING_TO_REPAIR,
        "Neither run shows a fault.",
        "What changed stands in the table.",
        "Compare with the run that showed the fault, if there is one.",
    )


def _unknown_before(verdict: Verdict) -> tuple[str, str] | None:
    """`(what is not known of the earlier run, what settles it)`, None where all of it is."""
    run = verdict.run
    if verdict.release.obstacles:
        first = verdict.release.obstacles[0]
        return first.says, first.settle
    again = "paste BEFORE again, whole; if that cannot be had, trust the verdict on AFTER alone"
    if run.lost:
        return f"line {run.lost[0].position.line} was not understood", again
    if not run.source.complete:
        return "it is cut", again
    return None
