"""A whole repair becomes a page: the answer, what is established, and the story run by run."""

from __future__ import annotations

from functools import partial

from memdiag.model import Verdict
from memdiag.model.case import CaseReport, CaseStep, Established
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_probability
from memdiag.reports import verdict_page
from memdiag.reports.case_documents import case_document, case_sheet
from memdiag.reports.comparison_page import about
from memdiag.reports.page import Column, Course, Grid, Page, Part, Places, Row, Side

NOTHING = "nothing"


def case_page(report: CaseReport) -> Page:
    """The board as it is now; what is established and left; the story, one line a run."""
    run = report.steps[-1].run
    return Page(
        " - ".join([*verdict_page.names(run), report.summary.text]),
        lambda: (_part(report),),
        partial(case_document, report),
        partial(case_sheet, report),
    )


def _part(report: CaseReport) -> Part:
    verdict = report.verdict
    told = [p for p in report.problems if p.severity is not Severity.INFO]
    return Part(
        name="case",
        label="case",
        answer=verdict_page.answer(verdict),
        head=verdict_page.head(verdict.run),
        sides=tuple(_side(n, step) for n, step in enumerate(report.steps, 1)),
        sides_title="The repair, run by run",
        suspicions=_suspicions(report),
        stages=tuple(_line(n, step) for n, step in enumerate(report.steps, 1)),
        course=_course(report),
        said=tuple(_said(report)),
        next=report.next,
        cautions=verdict.cautions,
        notes=tuple(f"{p.severity}: {p.sentence()}" for p in told),
        notes_in_short=tuple(f"{p.severity}: {p.sentence()}" for p in told),
        problems=report.problems,
        prints=tuple(
            (f"{n}. ", step.run.source.sha256, about(step.run))
            for n, step in enumerate(report.steps, 1)
        ),
    )


def _said(report: CaseReport) -> list[str]:
    """Release, what is established, and whether to go on."""
    word = "may be released" if report.release.allowed else "must not be released"
    out = [f"the board {word}: {'; '.join(report.release.because)}"]
    out += [_of(e) for e in report.established]
    worth = report.steps[-1].worth
    if not report.release.allowed:
        out.append(f"{worth.says} ({'; '.join(worth.hangs_on)})" if worth.hangs_on else worth.says)
    return out


def _of(e: Established) -> str:
    f = e.finding
    sure = show_probability(f.probability)
    cured = "not cured" if e.cured_by is None else f"cured by step {e.cured_by + 1}"
    return f"established: {f.place} {f.cause} {sure}, since step {e.since + 1}; {cured}: {e.says}"


def _line(number: int, step: CaseStep) -> str:
    return f"{number}. {about(step.run)}: {_did(step)}; {step.verdict.summary.text}; {step.changed}"


def _did(step: CaseStep) -> str:
    done = ", ".join(f"{d.action} {' '.join(d.sites)}" for d in step.did)
    return done or f"{NOTHING} done before it"


def _course(report: CaseReport) -> Grid | None:
    """The suspicions through the steps."""
    first = report.steps[0].suspects
    if not first:
        return None
    heads = [Column("suspect")]
    for number, step in enumerate(report.steps, 1):
        stage = step.run.head.stage or f"run {number}"
        heads.append(Column(f"{number} {stage}", right=True, legend=_did(step)))
    rows = []
    for n, suspect in enumerate(report.steps[-1].suspects):
        sure = (show_probability(step.suspects[n].probability) for step in report.steps)
        rows.append(Row((f"{suspect.place} {suspect.cause}", *sure)))
    return Grid(tuple(heads), tuple(rows), "The suspects, step by step", "suspects")


def _suspicions(report: CaseReport) -> Course | None:
    first = report.steps[-1].suspects
    if not first:
        return None
    steps = enumerate(report.steps, 1)
    return Course(
        tuple((str(n), step.run.head.stage or "") for n, step in steps),
        tuple(
            (
                f"{suspect.place} {suspect.cause}",
                tuple(step.suspects[n].probability for step in report.steps),
            )
            for n, suspect in enumerate(first)
        ),
    )


def _side(number: int, step: CaseStep) -> Side:
    verdict: Verdict = step.verdict
    return Side(
        f"{number}. {step.run.head.stage or 'run'}: {_did(step)}",
        verdict_page.head(step.run),
        verdict_page.answer(verdict),
        Places(verdict.board, verdict_page.marks(verdict)),
        step.run.source.sha256,
    )
