"""A whole repair becomes a page: may the board go, what was found, and the story run by run."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from msgspec.structs import replace

from memdiag.model import WANTS_WORK, Cause, Run
from memdiag.model.case import Advice, CaseReport, CaseStep, Established, Suspect
from memdiag.model.in_short import sites_in_short
from memdiag.model.problems import Problem
from memdiag.model.quantities import show_probability
from memdiag.model.words import action_words
from memdiag.model.words import where as words_of
from memdiag.reports import case_documents, letter, verdict_page
from memdiag.reports.answers import Answer, what
from memdiag.reports.heat_marks import marks
from memdiag.reports.page import Chapter, Column, Grid, Listed, Part, Places, Row, Story
from memdiag.reports.plotted import Curve
from memdiag.reports.repair_page import RepairPage

ADVICE = {Advice.GO_ON: "Go on", Advice.STOP: "Stop", Advice.ASK: "Ask the customer"}
_WORTH = {Advice.GO_ON: "yes", Advice.STOP: "no", Advice.ASK: "ask"}
RELEASE = "RELEASE the board"

_UP_TO_THEN = "how probable it is that each was at fault at any time up to that run"


def case_page(report: CaseReport) -> RepairPage:
    """One page for all runs of a repair."""
    answer = _answer(report)
    return RepairPage(
        " - ".join([*verdict_page.names(report.verdict.run), f"{answer.place}: {answer.cause}"]),
        lambda: [_part(report, answer)],
        partial(case_documents.case_document, report),
        partial(case_documents.case_sheet, report),
        apart=True,
        letter=partial(letter.of_case, report),
    )


def _part(report: CaseReport, answer: Answer) -> Part:
    last = report.verdict
    problems = tuple(_problems(report))
    warnings, in_short = verdict_page.warned(problems)
    return Part(
        name="case",
        answer=answer,
        head=verdict_page.head(last.run),
        run=last.run,
        places=_places(report.steps[-1]) if answer.work else None,
        lists=tuple(_lists(report)),
        story=Story(
            tuple(_chapter(report, n) for n in range(len(report.steps))),
            tuple(_curves(report)),
            _grid(report),
        ),
        findings=tuple(verdict_page.told(last)),
        cautions=last.cautions,
        notes=(*last.notes, *warnings),
        notes_in_short=(*last.notes, *in_short),
        remarks=last.notes,
        problems=problems,
        prints=tuple(
            (f"run {n}: ", step.run.source.sha256, f"{step.run.source.lines} lines  ")
            for n, step in enumerate(report.steps, 1)
        ),
    )


# --- the answer ---------------------------------------------------------------------------------


def _answer(report: CaseReport) -> Answer:
    """Where, what, and what now: of what is left, or of what was cured where the board may go."""
    said = verdict_page.answer(report.verdict)
    if report.release.allowed:
        said = _cured(report, said)
    elif report.verdict.released:
        # The last run by itself would do: it is the repair as a whole that does not.
        where = str(report.left[0].finding.place) if report.left else report.board.name or ""
        said = replace(
            said,
            where=where,
            cause=Cause.UNDECIDED.value,
            sure="",
            do=verdict_page.NOT_YET,
            text=report.release.because[0],
        )
    head = report.verdict.run.head
    named = (("board", report.board.name), ("serial", head.serial), ("ticket", head.ticket))
    known = [f"{key} {value}" for key, value in named if value]
    runs = len(report.steps)
    told = ", ".join([*known, f"{runs} run{'s' * (runs > 1)}"])
    return replace(said, about=told, known=told, work=not report.release.allowed)


def _cured(report: CaseReport, said: Answer) -> Answer:
    cured = [e.finding for e in report.established]
    if not cured:
        return replace(said, do=RELEASE, released=True)
    sites = sites_in_short(f.place.site or str(f.place) for f in cured)
    causes = list(dict.fromkeys(f.cause.value for f in cured))
    was = f"was {' and '.join(causes)}, clear now"
    text = f"{sites} {was}: {report.summary.text}"
    return replace(said, where=sites, cause=was, do=RELEASE, text=text, released=True)


# --- what is known, and what to do --------------------------------------------------------------


def _lists(report: CaseReport) -> Iterator[Listed]:
    allowed = "Yes" if report.release.allowed else "No"
    yield Listed(f"May the board be released? {allowed}", report.release.because)
    yield Listed("What is established", tuple(map(_told, report.established)) or ("nothing yet",))
    nothing = "nothing" if report.release.allowed else "no fault is named yet"
    yield Listed("What is left", tuple(_left(report)) or (nothing,))
    yield Listed("What to do next", report.next or ("nothing",))
    worth = report.steps[-1].worth
    if not report.release.allowed:
        title = f"Is it worth going on? {ADVICE[worth.advice]}"
        yield Listed(title, (worth.says, *worth.hangs_on))


def _told(e: Established) -> str:
    f = e.finding
    where, sure = words_of(f.place, f.one_of), show_probability(f.probability)
    cured = "" if e.cured_by is None else f" (run {e.cured_by + 1})"
    return f"{where} {f.cause}, {sure}, since run {e.since + 1}: {e.says}{cured}"


def _left(report: CaseReport) -> Iterator[str]:
    """What wants work now, with what it may be; and what nothing cured though nothing shows it."""
    shown = set()
    for f in report.verdict.findings:
        if f.action in WANTS_WORK:
            shown.add(f.place)
            item = verdict_page.item(f)
            todo = action_words(f.action, f.place, f.one_of)
            yield f"{item.where}: {f'{f.cause}, expected' if f.expected else what(item)}; {todo}"
    for e in report.left:
        if e.finding.place not in shown:
            yield f"{e.finding.place}: {e.finding.cause}; {e.says}"


def _problems(report: CaseReport) -> Iterator[Problem]:
    """Those of the last run, whose text is at hand, with their lines; those of the repair and of
    the other runs name their line in words, for it is one of another text."""
    for p in report.problems:
        yield _elsewhere(p, "")
    for n, step in enumerate(report.steps[:-1], 1):
        for p in step.verdict.problems:
            yield _elsewhere(p, f"run {n}, ")
    yield from report.verdict.problems


def _elsewhere(p: Problem, which: str) -> Problem:
    at = which if p.position is None else f"{which}line {p.position.line}, "
    message = f"{at.removesuffix(', ')}: {p.message}" if at else p.message
    return replace(p, position=None, message=message)


# --- run by run ---------------------------------------------------------------------------------


def _chapter(report: CaseReport, number: int) -> Chapter:
    step = report.steps[number]
    head = step.run.head
    cured = (e.finding for e in report.established if e.cured_by == number)
    return Chapter(
        f"{number + 1}. {_run_words(step.run)}",
        head.stage or head.id or "run",
        _did(step),
        step.verdict.summary.text,
        tuple(f"{words_of(f.place, f.one_of)} {f.cause}" for f in cured),
        step.changed,
        step.worth.says,
        _places(step),
    )


def _did(step: CaseStep) -> str:
    """`removed U6, part D12; reflowed U4`; "" for nothing."""
    return "; ".join(
        f"{deed.action} {', '.join(site.replace('part:', 'part ') for site in deed.sites)}"
        for deed in step.did
    )


def _run_words(run: Run) -> str:
    """`final (bench-7-0113)`; the date only where the run has no other name."""
    head = run.head
    text = head.stage or head.id or head.at or "run"
    text += f" ({head.id})" if head.stage and head.id else ""
    return text + (f" [{run.source.understood}]" if run.source.lost else "")


def _places(step: CaseStep) -> Places:
    return Places(step.verdict.board, marks(step.verdict))


def _curves(report: CaseReport) -> Iterator[Curve]:
    """The suspects, each by its last place."""
    for n, suspect in enumerate(report.steps[-1].suspects):
        points = tuple(step.suspects[n].probability for step in report.steps)
        yield Curve(suspect.name, points, _cured_by(report, suspect))


def _cured_by(report: CaseReport, suspect: Suspect) -> int | None:
    """The step that cured it, where only one established fault and one suspect can be meant."""
    found = [e for e in report.established if _same(suspect, e)]
    if len(found) != 1:
        return None
    rivals = [other for other in report.steps[-1].suspects if _same(other, found[0])]
    return found[0].cured_by if len(rivals) == 1 else None


def _same(suspect: Suspect, e: Established) -> bool:
    place, site = e.finding.place, suspect.place.site
    here = place == suspect.place or (site is not None and place.site == site)
    return here and e.finding.cause is suspect.cause


def _grid(report: CaseReport) -> Grid:
    """The probabilities and the worth of going on, a column a run; where a page is narrow the
    first run and the last stay."""
    runs = len(report.steps)
    heads = [
        Column(f"run {n}", right=True, always=True, spare=n - 1 if n < runs else 0)
        for n in range(1, runs + 1)
    ]
    rows = [
        Row((curve.name, *map(show_probability, curve.points)), "own") for curve in _curves(report)
    ]
    worths = [step.worth for step in report.steps]
    rows += [
        Row(("to save the board", *(show_probability(w.chance) for w in worths)), "plain"),
        Row(("what it still takes", *(f"{w.cost:.0f}" for w in worths)), "plain"),
        Row(("worth going on?", *(_WORTH[w.advice] for w in worths)), "plain"),
    ]
    first = Column("run by run", always=True, legend=f"suspects: {_UP_TO_THEN}")
    return Grid((first, *heads), tuple(rows), "Run by run", "probabilities", first.legend)
