"""What may never stand in a page, whatever the dump does not say."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from memdiag.diagnosis.judge import judge
from memdiag.reading.load import load
from memdiag.repair.case.story import case
from memdiag.repair.comparison import compare
from memdiag.reports import formats
from memdiag.reports.case_page import case_page
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.page import Page
from memdiag.reports.verdict_page import verdict_page
from tests.simulator import scenes

NOTHING = re.compile(r"\b(None|nan|inf)\b")
"""How Python spells what is not said; a page says it in words, or `-`."""


def said(page: Page) -> Iterator[str]:
    for name in ("text", "markdown", "html"):
        yield from NOTHING.findall(formats.render(page, name))


@pytest.mark.parametrize("seed", range(24))
def test_no_page_of_a_simulated_dump_says_none(seed: int) -> None:
    scene = scenes.draw(seed)
    board = scene.board if scene.known else None
    runs = load(scene.text, board=board)
    verdicts = [judge(run, board) for run in runs]
    assert not list(said(verdict_page(verdicts, every_row=True)))
    compared = compare(runs[0], runs[-1], board=board)
    assert not list(said(comparison_page(compared)))
    assert not list(said(case_page(case(runs, board))))


SCANT = {
    "counts of the whole board": "[counts]\nbits errors\n1000000000 500\n",
    "counts of a lane of no channel": "[counts]\nlane bits errors\n3 1000000000 500\n",
    "counts of a rank": "[counts]\nrank lane bits errors\n1 3 1000000000 500\n",
    "results of the whole board": "[training]\nstep result\nread fail\n",
    "eyes of lanes of no channel": "[training]\nlane step result width\n"
    "0 read pass 0.46UI\n1 read pass 0.45UI\n2 read marginal 0.12UI\n",
    "a rail of no board": "[rails]\nrail ohms\nVDDQ 3\n",
    "an error word of nowhere": "[errors]\naddress mask\n0x10 0x01\n0x20 0x01\n0x30 0x01\n",
    "a heated part": "[heat]\nrail hottest\nVDDQ C12\n",
}


@pytest.mark.parametrize("board", ["quince-12", "quince-8", "nobody-knows", "-"])
@pytest.mark.parametrize("name", SCANT)
def test_no_page_of_a_scant_dump_says_none(name: str, board: str) -> None:
    """Rows that name as little as the format allows."""
    head = f"bench-dump 1\n[run]\nboard {board}\n"
    runs = load(f"{head}{SCANT[name]}[end]\n")
    assert not list(said(verdict_page([judge(run) for run in runs], every_row=True)))
    compared = compare(runs[0], runs[0])
    assert not list(said(comparison_page(compared)))
    assert not list(said(case_page(case(runs))))
