"""Before the heat: what is behind, beside and not to be warmed, in words and on the drawing.

Distances are computed by hand from the places in the profile below; that packages near the heat
stay at or below 200 C is J-STD-033, the rest is common practice, no source.
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Board, Keepout, Site, Verdict
from memdiag.model.nearness import gap, kept_off
from memdiag.reading.load import load
from memdiag.repair.comparison import compare
from memdiag.reports.answers import Outcome
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.drawing import board_svg, side_svg
from memdiag.reports.heat_marks import SHIELD_MM, marks
from memdiag.reports.heat_plan import WARM_MM, plan
from memdiag.reports.packages import WORK
from memdiag.reports.verdict_page import verdict_page
from tests.support.benchtext import dump

# U1 and U2 2 mm apart on top, U3 20 mm from U1, U4 behind U1; the cell 8 mm above U1, the socket
# further from everything than heat reaches.
PROFILE = """
board = "pear-4"
memory = "gddr6"
outline = [120, 90]
keepout = [
  { name = "BT1", x = 20, y = 40, size = [10, 12], why = "coin cell" },
  { name = "J1", x = 110, y = 80, size = [10, 10], side = "bottom" },
]
[defaults]
size = [10, 12]
[[sites]]
refs = "U1-U4"
x = [20, 32, 50, 20]
y = 20
side = ["top", "top", "top", "bottom"]
clamshell = ["U4", "-", "-", "U1"]
links = { channel = "from 0, 2 each", lanes = "0-1" }
"""


def pear() -> Board:
    text = PROFILE.replace('clamshell = ["U4", "-", "-", "U1"]\n', "")
    board, problems = profiles.examine(text, "pear-4.toml")
    assert board is not None, [p.sentence() for p in problems]
    paired = {"U1": "U4", "U4": "U1"}
    sites = tuple(
        Site(s.ref, s.links, s.x, s.y, s.side, s.rotation, s.size, clamshell=paired.get(s.ref))
        for s in board.sites
    )
    return Board(
        board.name, board.memory, sites=sites, outline=board.outline, keepouts=board.keepouts
    )


def judged(*gone: str) -> Verdict:
    board = pear()
    (run,) = load(dump(board, gone=list(gone)))
    return judge(run, board)


def test_what_is_round_the_heat_is_said_with_its_distance() -> None:
    (listed,) = plan(judged("U1"))
    said = "\n".join(listed.texts)
    assert listed.texts[0] == "U1: heat it from the top side; it is at x 20, y 20 mm"
    assert "behind U1, on the other side: U4" in said and "200 C (J-STD-033)" in said
    assert "shield beside U1: U2 2.0 mm away" in said
    assert "BT1 (coin cell), 8.0 mm from U1, must not be warmed" in said
    assert "J1" not in said  # nothing of the heat gets there
    assert "U3" not in said.split("shield")[1].split("\n")[0]  # 20 mm away: not covered


def test_a_package_underneath_is_heated_with_the_board_turned_over() -> None:
    (listed,) = plan(judged("U4"))
    assert listed.texts[0].startswith(
        "U4: heat it from the bottom side, with the board turned over"
    )
    assert any("U1" in text and "other side" in text for text in listed.texts)
    assert any("BT1" in text and "on the top side" in text for text in listed.texts)


def test_where_no_heat_is_asked_for_there_is_no_plan() -> None:
    assert plan(judged()) == ()


def test_every_site_to_heat_is_ringed_and_its_coordinates_stand_there() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    (run,) = load(dump(board, gone=["U2", "U6"]))
    found = marks(judge(run, board))
    assert [ref for ref, mark in found.items() if mark.work] == ["U2", "U6"]
    assert found["U1"].told == "3.0 mm" and not found["U1"].work  # 17 mm apart, 14 mm high
    words = " ".join(ET.fromstring(board_svg(board, found)).itertext())
    for text in ("x 23 mm", "y 45 mm", "x 72 mm", "y 13 mm", "BT1", "NO HEAT"):
        assert text in words


def test_the_arrows_stop_at_the_ring() -> None:
    """No line of the sight runs over the package: each ends at the ring's edge or before it."""
    board = pear()
    drawn = side_svg(board, "top", marks(judged("U3")))
    made = ET.fromstring(drawn)
    dashed = [e for e in made.iter() if e.get("stroke") == WORK and e.get("x1") is not None]
    ends = [tuple(float(e.get(k, "")) for k in ("x1", "y1", "x2", "y2")) for e in dashed]
    assert len(ends) == 4
    x, y = 50, 90 - 20  # U3 on an outline of 120 x 90 mm, counted from the top
    for x1, y1, x2, y2 in ends:
        over_x = min(x1, x2) < x + 4.9 and max(x1, x2) > x - 4.9
        over_y = min(y1, y2) < y + 5.9 and max(y1, y2) > y - 5.9
        assert not (over_x and over_y)


def test_every_form_of_the_page_has_it() -> None:
    from memdiag.reports.formats import render

    page = verdict_page([judged("U1")])
    for form in ("text", "markdown", "html"):
        assert "shield beside U1" in render(page, form), form


@pytest.mark.parametrize("within", [7.9, 8.1])
def test_what_is_kept_off_is_told_up_to_a_distance(within: float) -> None:
    assert [part.name for part, _ in kept_off(pear(), "U1", within)] == ["BT1"] * (within > 8)
    assert SHIELD_MM < WARM_MM


places = st.floats(-100, 100)
sizes = st.tuples(st.floats(0.5, 40), st.floats(0.5, 40))
parts = st.builds(Keepout, st.just("K"), places, places, sizes)


@given(parts, parts)
def test_the_gap_is_the_least_distance_of_their_edges(one: Keepout, two: Keepout) -> None:
    """Against the distance of the nearest points of two upright boxes, each clamped to the other
    (a textbook construction)."""
    apart = gap(one, two)
    assert apart is not None and apart == gap(two, one)
    nearest = []
    for k, axis in enumerate(("x", "y")):
        low = max(getattr(p, axis) - p.size[k] / 2 for p in (one, two))
        high = min(getattr(p, axis) + p.size[k] / 2 for p in (one, two))
        nearest.append(max(low - high, 0.0))
    assert apart == pytest.approx((nearest[0] ** 2 + nearest[1] ** 2) ** 0.5, abs=6e-4)


def test_a_comparison_that_asks_for_heat_never_looks_as_if_it_did_not() -> None:
    """U1 is off, and has to be fitted: that is hot air, whatever else the comparison says."""
    board = pear()
    off = {"stage": "bare", "removed": "U1", "at": "2031-03-05T12:00:00Z", "id": "b"}
    texts = dump(board, gone=["U1"]), dump(board, gone=["U1"], head=off)
    runs = [load(text, board=board)[0] for text in texts]
    made = comparison_page(compare(*runs, board)).parts()[0].answer
    assert isinstance(made, Outcome) and made.hot and made.look == "work"
