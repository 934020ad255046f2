"""The section on headroom, from made-up scores whose figures are counted by hand."""

from __future__ import annotations

import math

import pytest

from tests.accuracy import headroom_page
from tests.accuracy.headroom.answers import Answer
from tests.accuracy.headroom_page import Pair
from tests.accuracy.scoring import Found, Score
from tests.accuracy.tables import put


def found(kind: str, right: bool, **more: bool) -> Found:
    plain = {"visible": True, "located": True, "expected": False}
    return Found(kind, "weak", **{**plain, "place": right, "right_cause": right, **more})


def scored(*all_found: Found, sections: str = "counts") -> Score:
    return Score(0, "gddr6", sections, 12, False, True, len(all_found), all_found)


YES, NO = Answer(True, True), Answer()

SCORES = [
    *([scored(found("pins", True))] * 6),  # both are right
    *([scored(found("pins", False))] * 3),  # only the meter
    scored(found("array", True), sections="training"),  # only the analyser
    scored(found("array", False), sections="training"),  # neither
]
ANSWERS = [*([(YES,)] * 9), (NO,), (NO,)]


def cells(text: str, first: str) -> list[str]:
    line = next(row for row in text.splitlines() if row.startswith(f"| {first} "))
    return [cell.strip() for cell in line.strip("|").split("|")]


def test_figures_are_those_counted_by_hand() -> None:
    pairs = headroom_page.paired(SCORES, ANSWERS)
    assert len(pairs) == 11
    place, cause, can_be_placed, can_be_named = (f for _, f, _, _ in headroom_page.aims(pairs))
    assert place == cause == pytest.approx(70)  # 7 of the 10 that either finds
    assert can_be_placed == can_be_named == pytest.approx(1000 / 11)
    text = headroom_page.section(pairs, 6000)
    # place, meter's place, cause, meter's cause, both, short, only the analyser, not said
    shares = ["66.7 %", "100.0 %", "66.7 %", "100.0 %", "66.7 %", "33.3 %", "0.0 %", "0.0 %"]
    assert cells(text, "pins") == ["pins", "9", *shares]
    assert cells(text, "training") == [
        *("training", "2", "50.0 %", "0.0 %", "50.0 %", "0.0 %", "0.0 %", "0.0 %", "50.0 %"),
        "50.0 %",
    ]


def test_groups_below_the_meter_are_named_and_no_others() -> None:
    text = headroom_page.figures(headroom_page.paired(SCORES, ANSWERS))
    title = "Where the analyser is more than 2 points below the meter"
    below = text[text.index(title) :]
    assert cells(below, "pins") == ["pins", "place", "9", "66.7 %", "100.0 %", "33.3"]
    assert "| counts" in below and "| array" not in below and "| training" not in below


def test_two_points_below_the_meter_are_allowed() -> None:
    def all_but(missed: int) -> list[Pair]:
        scores = [scored(found("pins", k >= missed)) for k in range(100)]
        return headroom_page.paired(scores, [(YES,)] * 100)

    assert "| pins   | place" not in headroom_page.figures(all_but(2))
    assert "| pins   | place" in headroom_page.figures(all_but(3))


def test_only_faults_that_count_are_compared() -> None:
    hidden = found("pins", False, visible=False)
    nowhere = found("pins", False, located=False)
    off = found("removed", True, expected=True)
    scores = [scored(hidden, found("pins", True), nowhere), scored(off)]
    (only,) = headroom_page.paired(scores, [(NO, YES, NO), (NO,)])
    assert only.right and only.meter_right and only.faults == 3


def test_a_scene_that_crashed_the_analyser_is_left_out() -> None:
    assert headroom_page.paired([scored()], [(YES, NO)]) == []
    with pytest.raises(ValueError, match="zip"):
        headroom_page.paired([scored(found("pins", True))], [(YES, NO)])


def test_without_a_fault_there_are_no_figures() -> None:
    assert all(math.isnan(figure) for _, figure, _, _ in headroom_page.aims([]))
    assert cells(headroom_page.section([], 6000), "all") == ["all", "0", *["-"] * 8]


def test_the_section_takes_the_place_of_the_one_before() -> None:
    made = headroom_page.section(headroom_page.paired(SCORES, ANSWERS), 6000)
    page = "# How\n\n## By fault\n\ntext\n\n## The rest\n\n- a\n"
    once = put(page, headroom_page.TITLE, made)
    assert put(once, headroom_page.TITLE, made) == once
    assert once.index("## Headroom") < once.index("## The rest")
