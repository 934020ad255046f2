"""A ticket becomes pages: the whole repair, two of its runs beside each other. Runs in a worker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from msgspec.structs import replace

from memdiag.bench import answers, documents, filed, paste_view, run_text
from memdiag.bench.filed import Filed
from memdiag.bench.refusal import Refusal
from memdiag.boards.inferred import inferred
from memdiag.diagnosis.settings import Settings
from memdiag.ledger.outcomes import CAUSES
from memdiag.ledger.ticket_heat import heat_warnings
from memdiag.model import Board, Run
from memdiag.model.ledger import CURED
from memdiag.reports import case_page, html
from memdiag.reports.drawing import drawable, side_svg
from memdiag.reports.formats import render
from memdiag.reports.heat_marks import Heat, heat_marks, heat_of
from memdiag.reports.packages import Mark
from memdiag.reports.page import Page, Part, Places
from memdiag.reports.svg import Drawn


def seen(
    folder: Path, ticket: str, shop: Settings | None, mark: str, warm: str, said: Sequence[str]
) -> str:
    """The page of a ticket. `mark` is that of its forms, `warm` the site that was picked on the
    drawing, `said` what there is to say of what was just done. Raises Refusal."""
    held = filed.ticket(folder, ticket, shop)
    part = _part(held)
    board = _board(held)
    kept = filed.kept(held.survey)
    made = answers.environment().get_template("ticket.html")
    return made.render(
        title=case_page.case_page(held.report).title,
        held=held,
        v=html.view(part),
        heat=_heat(held),
        at=f"/tickets/{quote(held.ticket)}",
        mark=mark,
        said=[*said, *held.notes],
        photos=[one for one in kept if one.kind == "photo"],
        remarks=[one for one in kept if one.kind == "note"],
        outcomes=filed.told_outcomes(held.survey),
        heats=filed.heat(folder, held.ticket),
        warnings=heat_warnings(folder, held.ticket),
        board=board,
        head=run_text.last_head(held.runs),
        runs=[_named(run, n) for n, run in enumerate(held.runs, 1)],
        warm=warm if board.site(warm) is not None else "",
        drawing=_drawing(board, held.ticket, warm),
        was=CAUSES,
        cured=CURED,
    )


def compared(
    folder: Path, ticket: str, shop: Settings | None, before: int, after: int
) -> tuple[str, str]:
    """The middle and the title of the page of two runs, by their 1-based numbers in the order they
    were made. Raises Refusal where there are no such two."""
    page = _comparison(filed.ticket(folder, ticket, shop), before, after, shop)
    views = [html.view(part) for part in page.parts()]
    return answers.environment().get_template("parts_only.html").render(views=views), page.title


def copied(folder: Path, ticket: str, shop: Settings | None, form: str) -> str:
    """The case in a format that is text. Raises Refusal."""
    return render(case_page.case_page(filed.ticket(folder, ticket, shop).report), form) + "\n"


def sheet(folder: Path, ticket: str, shop: Settings | None) -> tuple[str, str]:
    """The middle of the print sheet, one page of paper, and its title. Raises Refusal."""
    held = filed.ticket(folder, ticket, shop)
    page = case_page.case_page(held.report)
    made = answers.environment().get_template("case_sheet.html")
    return made.render(v=html.view(_part(held)), heat=_heat(held)), page.title


def customer(folder: Path, ticket: str, shop: Settings | None) -> tuple[str, str]:
    """The middle of the customer's report of the repair, and its title. Raises Refusal."""
    return paste_view.letter(case_page.case_page(filed.ticket(folder, ticket, shop).report))


def _comparison(held: Filed, before: int, after: int, shop: Settings | None) -> Page:
    runs = held.runs
    if before == after or not (1 <= before <= len(runs) and 1 <= after <= len(runs)):
        reason = f"two of the {len(runs)} runs are compared"
        raise Refusal.of(422, "bench-field", field="runs", reason=reason)
    return documents.compared([runs[before - 1], runs[after - 1]], held.board, shop)


def _part(held: Filed) -> Part:
    """What is shown of the case, its board always drawn, with what to heat."""
    (part,) = case_page.case_page(held.report).parts()
    last = held.report.verdict
    marks = {} if held.report.release.allowed else heat_marks(last)
    return replace(part, places=Places(last.board, marks))


def _heat(held: Filed) -> Heat:
    """What the case says of heat: a board that may be released is heated nowhere."""
    if held.report.release.allowed:
        return Heat((), (), clear=True)
    return replace(heat_of(held.report.verdict), clear=False)


def _board(held: Filed) -> Board:
    return held.board or inferred(held.runs[-1])


def _drawing(board: Board, ticket: str, warm: str) -> list[Drawn]:
    """The sides that hold a package, each package a link that picks it as the warm one."""
    if not drawable(board):
        return []
    used = {site.side for site in board.sites if site.x is not None and site.size is not None}
    marks = {warm: Mark(work=True, told="warm")}

    def picked(ref: str) -> str:
        return f"/tickets/{quote(ticket)}?warm={quote(ref)}#injection"

    return [
        side_svg(board, side, marks, name=f"warm{side[0]}", link=picked)
        for side in ("top", "bottom")
        if side in used
    ]


def _named(run: Run, number: int) -> dict[str, Any]:
    head = run.head
    words = " ".join(filter(None, (head.stage or head.id or "run", head.at)))
    return {"number": number, "words": f"{number}. {words}"}
