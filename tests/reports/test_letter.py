"""What a customer is told: everyday words, and nothing that was not shown."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Action, Board, Cause
from memdiag.reading.load import load
from memdiag.repair.case.story import case
from memdiag.repair.comparison import compare
from memdiag.reports import letter
from memdiag.reports.case_page import case_page
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.formats import render
from memdiag.reports.page import Page
from memdiag.reports.repair_page import RepairPage
from memdiag.reports.verdict_page import verdict_page
from memdiag.resources import shipped
from tests.support.benchtext import dump

SAMPLES = sorted(shipped("samples").glob("*.dump"))
JARGON = re.compile(
    r"%|\b(lanes?|channels?|ranks?|rails?|dq|eyes?|UI|probab\w*|likely|odds|spillover|posterior|"
    r"BGA|training|undecided|margin\w*|VDD\w*|bits?|\d+e\d+)\b",
    re.IGNORECASE,
)


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


def told(page: Page) -> dict[str, tuple[str, ...]]:
    assert isinstance(page, RepairPage)
    return dict(page.letter().chapters)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_it_is_one_page_in_everyday_words(path: Path) -> None:
    text = render(verdict_page([judge(run) for run in load(path)]), "customer")
    assert not JARGON.search(text), JARGON.search(text)
    assert len(text.splitlines()) < 60 and max(map(len, text.splitlines())) <= 76
    assert letter.WRONG in text and letter.UNPROMISED in text


def test_every_cause_and_every_work_has_words() -> None:
    quiet = {Cause.CLEAR, Cause.SPILLOVER}
    assert set(letter._FAULTS) == set(Cause) - quiet
    assert set(letter._PLANS) == set(Action) - {Action.NONE, Action.LEAVE}


def test_a_repair_says_what_was_done_and_how_it_was_proved() -> None:
    runs = [
        load(dump(quince(12), gone=["U6"], head={"at": "2031-03-05T09:00:00Z"}))[0],
        load(dump(quince(12), head={"replaced": "U6", "at": "2031-03-05T15:00:00Z"}))[0],
    ]
    page = case_page(case(runs))
    assert isinstance(page, RepairPage)
    made = page.letter()
    chapters = dict(made.chapters)
    assert made.state == letter.REPAIRED and made.about.startswith("Board quince-12, serial number")
    assert chapters[letter.WRONG] == ("The memory chip U6 did not answer.",)
    assert chapters[letter.DONE] == ("A new memory chip was fitted at U6.",)
    assert any("read back" in s for s in chapters[letter.PROVED])
    assert letter.NEXT not in chapters
    assert any("soldered" in s for s in chapters[letter.UNPROMISED])
    same = told(comparison_page(compare(*runs)))
    assert same[letter.WRONG] == chapters[letter.WRONG]
    assert same[letter.DONE] == chapters[letter.DONE]


def test_what_is_not_released_is_not_called_proved() -> None:
    runs = [
        load(dump(quince(12), gone=["U6"]))[0],
        load(dump(quince(12), gone=["U6"], head={"stage": "after-swap", "replaced": "U6"}))[0],
    ]
    for page in (case_page(case(runs)), comparison_page(compare(*runs))):
        assert isinstance(page, RepairPage)
        assert page.letter().state == letter.NOT_YET
        assert told(page)[letter.PROVED][0].startswith("It is not proved yet")
        assert told(page)[letter.NEXT]


def test_a_sound_board_is_called_sound() -> None:
    page = verdict_page([judge(load(dump(quince(12)))[0])])
    assert isinstance(page, RepairPage) and page.letter().state == letter.SOUND
    assert told(page)[letter.WRONG] == ("No fault was found.",)


@pytest.mark.parametrize(
    ("bits", "says"),
    [
        (8 * 10**9 * 3600, "About 3,600 gigabytes"),
        (8 * 10**6 * 12, "About 12 megabytes"),
        (5, "Some"),
    ],
)
def test_amounts_are_in_bytes(bits: int, says: str) -> None:
    """IEC 80000-13: a byte is 8 bits; giga is 10**9."""
    assert letter._amount(bits) == says
