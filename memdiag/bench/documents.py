"""Texts of dumps become the documents that the command line writes. Runs in a worker."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.bench.refusal import Refusal
from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.settings import Settings
from memdiag.model import Board, Run
from memdiag.reading.load import Unreadable, load
from memdiag.repair import comparison
from memdiag.repair.case.story import CaseError, case
from memdiag.reports import case_page, comparison_page, verdict_page
from memdiag.reports.formats import render
from memdiag.reports.page import Page
from memdiag.resources import shipped


def warm() -> None:
    """Judge a sample and write its pages, so that everything is loaded that judging needs."""
    page = verdict(shipped("samples").joinpath("missing-package.dump").read_bytes(), None, None)
    for form in ("json", "html"):
        render(page, form)


def document(page: Page) -> str:
    """The page's document, as `--format json` writes it."""
    return render(page, "json") + "\n"


def verdict_document(text: bytes, board: str | None, shop: Settings | None) -> str:
    """As `memdiag verdict`. Raises Refusal."""
    return document(verdict(text, board, shop))


def comparison_document(texts: Sequence[bytes], board: str | None, shop: Settings | None) -> str:
    """As `memdiag compare`. Raises Refusal."""
    return document(compared(all_runs(texts, board, shop), named(board), shop))


def case_document(texts: Sequence[bytes], board: str | None, shop: Settings | None) -> str:
    """As `memdiag case`. Raises Refusal."""
    return document(told(all_runs(texts, board, shop), named(board), shop))


def verdict(text: bytes, board: str | None, shop: Settings | None) -> Page:
    known = named(board)
    return verdict_page.verdict_page([judge(r, known, shop) for r in runs_of(text, known, shop)])


def compared(runs: Sequence[Run], board: Board | None, shop: Settings | None) -> Page:
    """Raises Refusal for fewer than two runs."""
    if len(runs) < 2:
        raise Refusal.of(422, "bench-one-run")
    if len(runs) == 2:
        made = comparison.compare(runs[0], runs[1], board, shop=shop)
    else:
        made = comparison.history(runs, board, shop=shop)
    return comparison_page.comparison_page(made)


def told(runs: Sequence[Run], board: Board | None, shop: Settings | None) -> Page:
    """Raises Refusal for runs of more than one board."""
    try:
        return case_page.case_page(case(runs, board, shop))
    except CaseError as wrong:
        raise Refusal(422, tuple(wrong.problems)) from None


def named(board: str | None) -> Board | None:
    """The listed board of that name: a name that comes from outside is never taken for a file.
    Raises Refusal where there is none, or its profile cannot be used."""
    if board is None:
        return None
    try:
        found = profiles.find(board)
    except profiles.ProfileError as wrong:
        raise Refusal(422, wrong.problems) from None
    if found is None:
        raise Refusal.of(422, "bench-board", board=board[:80])
    return found


def runs_of(text: bytes, board: Board | None, shop: Settings | None) -> list[Run]:
    """The runs of one text. Raises Refusal where it holds none."""
    words = None if shop is None else shop.words.vocabulary()
    try:
        return load(text, board=board, words=words)
    except Unreadable as wrong:
        raise Refusal(422, wrong.problems) from None


def all_runs(texts: Sequence[bytes], board: str | None, shop: Settings | None) -> list[Run]:
    known = named(board)
    return [run for text in texts for run in runs_of(text, known, shop)]
