"""A paste becomes what the page shows of it. Runs in a worker."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.bench import answers, documents
from memdiag.bench.paste_lines import TextLine, marked, reasons, shown
from memdiag.bench.refusal import Refusal
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.settings import Settings
from memdiag.model import Verdict
from memdiag.model.problems import Problem
from memdiag.reading.corrections import corrected, pasted_lines
from memdiag.reading.sources import Unreadable
from memdiag.reports import html, verdict_page
from memdiag.reports.formats import render
from memdiag.reports.heat_marks import Heat, heat_marks, heat_of
from memdiag.reports.page import Part
from memdiag.reports.plain import printable
from memdiag.reports.repair_page import RepairPage

MOST_FIXES = 200
MOST_PLATES = 3
"""Dumps of one text whose answers stand by themselves."""


class Seen(Struct, frozen=True):
    """What is shown of a paste: the page's middle, its title, and what a form begins with. `judged`
    is whether a dump was found; `fixes` those corrections that took the place of other text;
    `plates` the answers alone, as a part of another page, and `answer` in one line."""

    html: str
    title: str
    judged: bool
    ticket: str = ""
    unclear: int = 0
    fixes: Mapping[int, str] = field(default_factory=dict)
    plates: str = ""
    answer: str = ""


def seen(
    raw: bytes, fixes: Mapping[int, str], board: str | None, shop: Settings | None, edit: int
) -> Seen:
    """The verdict on a paste with its corrections, and its text line by line. `edit` is a line that
    is to be corrected whatever was understood of it, 0 for none. Raises Refusal for no text."""
    try:
        before = pasted_lines(raw)
        fixes = _changed(before, fixes)
        text = corrected(raw, fixes)
        now = pasted_lines(text)
    except Unreadable as wrong:
        raise Refusal(422, wrong.problems) from None
    kept = {n: before[n - 1] for n in fixes}
    try:
        verdicts = _verdicts(text, board, shop)
    except Refusal as wrong:
        lines = shown(now, marked([], wrong.problems, kept, edit))
        return _none(wrong.problems, lines, fixes)
    problems = [p for v in verdicts for p in v.problems]
    lines = shown(now, marked(verdicts, problems, kept, edit))
    parts = [_part(v, n) for n, v in enumerate(verdicts, 1)]
    heats = [heat_of(v) for v in verdicts]
    unclear = sum(line.is_unclear for line in lines)
    page = verdict_page.verdict_page(verdicts)
    tickets = dict.fromkeys(v.run.head.ticket for v in verdicts if v.run.head.ticket)
    return Seen(
        _middle(parts, heats, lines, unclear, len(kept)),
        page.title,
        True,
        next(iter(tickets), ""),
        unclear,
        fixes,
        _plates(parts[:MOST_PLATES], heats),
        "; ".join(v.summary.text for v in verdicts[:MOST_PLATES]),
    )


def _changed(lines: Sequence[str], fixes: Mapping[int, str]) -> dict[int, str]:
    """The corrections that say something else than the line as it is shown: a field that nobody
    touched comes back too, with what cannot be seen made visible."""
    return {
        n: text
        for n, text in fixes.items()
        if n <= len(lines) and text not in (lines[n - 1], printable(lines[n - 1]))
    }


def copied(
    raw: bytes, fixes: Mapping[int, str], board: str | None, shop: Settings | None, form: str
) -> str:
    """The verdict in a format that is text, for another program. Raises Refusal."""
    made = verdict_page.verdict_page(_verdicts(corrected(raw, fixes), board, shop))
    return render(made, form) + "\n"


def sheet(
    raw: bytes, fixes: Mapping[int, str], board: str | None, shop: Settings | None
) -> tuple[str, str]:
    """The middle of the print sheet, one page of paper for the first dump, and its title. Raises
    Refusal."""
    verdicts = _verdicts(corrected(raw, fixes), board, shop)
    v = verdicts[0]
    made = answers.environment().get_template("sheet.html")
    text = made.render(v=html.view(_part(v, 1)), heat=heat_of(v), more=len(verdicts) - 1)
    return text, verdict_page.verdict_page(verdicts).title


def customer(
    raw: bytes, fixes: Mapping[int, str], board: str | None, shop: Settings | None
) -> tuple[str, str]:
    """The middle of the customer's report of the last dump, and its title. Raises Refusal."""
    page = verdict_page.verdict_page(_verdicts(corrected(raw, fixes), board, shop))
    return letter(page)


def letter(page: RepairPage) -> tuple[str, str]:
    """A customer's report as the middle of a page, and its title."""
    made = answers.environment().get_template("letter.html")
    return made.render(letter=page.letter()), "memdiag: report"


def _verdicts(text: bytes, board: str | None, shop: Settings | None) -> list[Verdict]:
    known = documents.named(board)
    return [judge(run, known, shop) for run in documents.runs_of(text, known, shop)]


def _part(verdict: Verdict, number: int) -> Part:
    """What is shown of one run, its board drawn with what to heat."""
    part = verdict_page.part(verdict, f"d{number}", every_row=False, crowded=False)
    if part.places is None:
        return part
    return replace(part, places=replace(part.places, marks=heat_marks(verdict)))


def _plates(parts: Sequence[Part], heats: Sequence[Heat]) -> str:
    made = answers.environment().get_template("plates.html")
    return made.render(parts=list(zip(parts, heats, strict=False)))


def _middle(
    parts: Sequence[Part],
    heats: Sequence[Heat],
    lines: Iterable[TextLine],
    unclear: int,
    fixes: int,
) -> str:
    views: list[dict[str, Any]] = [html.view(part) for part in parts]
    made = answers.environment().get_template("verdict.html")
    return made.render(
        views=list(zip(views, heats, strict=True)), lines=lines, unclear=unclear, fixes=fixes
    )


def _none(problems: Sequence[Problem], lines: Iterable[TextLine], fixes: Mapping[int, str]) -> Seen:
    """What is shown of a text that holds no dump: why, and the text to put right."""
    shown_lines = list(lines)
    unclear = sum(line.is_unclear for line in shown_lines)
    made = answers.environment().get_template("no_dump.html")
    text = made.render(
        problems=problems, lines=shown_lines, unclear=unclear, fixes=len(fixes), reasons=reasons
    )
    return Seen(text, "no dump was found", False, "", unclear, fixes)
