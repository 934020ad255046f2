"""Heat counted: what work puts a package and its neighbours through."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.ledger.heat import LIMIT, Step, counted, heatings, warnings
from memdiag.ledger.ticket_heat import heat_warnings
from memdiag.model import Board, Site
from memdiag.model.ledger import SiteHeat
from memdiag.model.nearness import gap, nearby
from tests.support.tickets import filed, verdict


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


def at(steps: list[Step], site: str, board: Board | None = None) -> SiteHeat:
    return next(h for h in counted(steps, board) if h.site == site)


# --- one site -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("steps", "own", "factory"),
    [
        ([Step(0, reflowed=("U6",))], 1, 1),
        ([Step(0, removed=("U6",))], 1, 1),
        # A new package has had its own fitting and nothing else.
        ([Step(0, replaced=("U6",))], 1, 0),
        ([Step(0, reflowed=("U6",)), Step(1, replaced=("U6",))], 1, 0),
        ([Step(0, replaced=("U6",)), Step(1, reflowed=("U6",))], 2, 0),
        # It stays off: no heat.
        ([Step(0, removed=("U6",)), Step(1, removed=("U6",))], 1, 1),
        # A final run says again what the one before it said.
        ([Step(0, "after-swap", replaced=("U6",)), Step(1, "final", replaced=("U6",))], 1, 0),
        ([Step(0, "after-swap", reflowed=("U6",)), Step(1, "final", reflowed=("U6",))], 1, 1),
        # Any other run that says it did it again.
        ([Step(0, "x", reflowed=("U6",)), Step(1, "x", reflowed=("U6",))], 2, 1),
        # A package is taken off and put on elsewhere, and its past goes along.
        ([Step(0, reflowed=("U3",)), Step(1, swapped=(("U3", "U6"), ("U6", "U3")))], 3, 1),
        ([Step(0, replaced=("U3",)), Step(1, swapped=(("U3", "U6"), ("U6", "U3")))], 3, 0),
    ],
)
def test_the_cycles_of_a_package(steps: list[Step], own: int, factory: int) -> None:
    found = at(steps, "U6")
    assert (found.own, found.factory, found.life) == (own, factory, own + factory)


# --- its neighbours -----------------------------------------------------------------------------


def test_a_replacement_heats_what_is_near_twice_and_once_where_the_site_was_empty() -> None:
    board = quince(12)
    both = at([Step(0, replaced=("U6",))], "U7", board)
    assert [(b.site, b.cycles) for b in both.beside] == [("U6", 2)]
    parted = [Step(0, "bare", removed=("U6",)), Step(1, "after-swap", replaced=("U6",))]
    assert at(parted, "U7", board).exposed == 2
    assert at(parted, "U7", board).own == 0
    assert "U1" not in {h.site for h in counted(parted, board)}  # the far side of the board


def test_a_new_package_was_not_there_when_its_neighbour_was_heated() -> None:
    board = quince(12)
    steps = [Step(0, reflowed=("U6",)), Step(1, replaced=("U7",))]
    assert at(steps, "U7", board).exposed == 0
    assert at(steps, "U6", board).exposed == 2


def test_gaps_are_between_edges_from_the_profile() -> None:
    """quince-12, from samples/boards/quince-12.toml: U5 beside U6, both upright."""
    board = quince(12)
    five, six = board.site("U5"), board.site("U6")
    assert five is not None and six is not None and five.size is not None and six.size is not None
    assert five.x is not None and six.x is not None
    wide = [s.size[0] if s.rotation % 180 == 0 else s.size[1] for s in (five, six) if s.size]
    assert gap(five, six) == pytest.approx(abs(five.x - six.x) - sum(wide) / 2)


def test_a_package_back_to_back_is_nearest() -> None:
    near = nearby(quince(8), "U1")
    assert near[0] == ("U5", 0.0, True)


@given(
    st.floats(-50, 50), st.floats(-50, 50), st.floats(1, 20), st.floats(1, 20), st.floats(0, 360)
)
def test_a_gap_is_never_more_than_the_distance_and_the_same_both_ways(
    x: float, y: float, w: float, h: float, turn: float
) -> None:
    one = Site("U1", x=0.0, y=0.0, size=(10.0, 8.0))
    other = Site("U2", x=x, y=y, size=(w, h), rotation=turn)
    found = gap(one, other)
    assert found is not None and 0 <= found <= math.hypot(x, y) + 1e-3
    assert found == gap(other, one)


def test_without_a_profile_neighbours_are_not_known() -> None:
    assert nearby(None, "U6") == [] and nearby(quince(12), "U99") == []
    assert gap(Site("U1"), Site("U2")) is None
    assert [h.site for h in counted([Step(0, replaced=("U6",))], None)] == ["U6"]


# --- what is said -------------------------------------------------------------------------------


def test_it_is_said_before_the_fourth_reflow() -> None:
    """J-STD-020: at most three reflows in a package's life. The board's own soldering is one."""
    board = quince(12)
    for done, said in ((1, False), (2, True), (3, True)):
        steps = [Step(n, "x", reflowed=("U6",)) for n in range(done)]
        spent = [text for text in warnings(counted(steps, board), board) if "at U6" in text]
        assert bool(spent) is said, done
    steps = [Step(n, "x", reflowed=("U6",)) for n in range(LIMIT - 1)]
    (text,) = (t for t in warnings(counted(steps, board), board) if "at U6" in t)
    assert "had 2 heat cycles on this ticket and 1 at least in the factory" in text
    assert "the next is its fourth" in text and "J-STD-020" in text
    assert "U7 2.8 mm away" in text and "U5 3.0 mm away" in text


def test_a_new_package_has_three_of_its_own() -> None:
    board = quince(12)
    steps = [Step(0, replaced=("U6",)), *(Step(n, "x", reflowed=("U6",)) for n in (1, 2))]
    assert not any("at U6" in t for t in warnings(counted(steps[:2], board), board))
    (text,) = (t for t in warnings(counted(steps, board), board) if "package at U6" in t)
    assert "had 3 heat cycles on this ticket:" in text and "factory" not in text


def test_heat_beside_a_package_is_said_with_the_distance() -> None:
    board = quince(12)
    steps = [Step(n, "x", replaced=("U6",)) for n in range(2)]
    (text,) = (t for t in warnings(counted(steps, board), board) if "package at U7" in t)
    assert "4 heat cycles beside it (from U6 2.8 mm away)" in text


def test_it_is_said_from_the_folder_alone(tmp_path: Path) -> None:
    """The designators as a technician writes them, and what was given on the command line."""
    filed(tmp_path, "R-1", verdict(id="one", stage="x", reflowed="u6, U7"))
    filed(tmp_path, "R-1", verdict(id="two", stage="x", reflowed="U6"))
    filed(tmp_path, "R-1", verdict(id="three", stage="bare"), removed=["U6"])
    said = heat_warnings(tmp_path, "R-1")
    assert "the package at U6 has had 3 heat cycles on this ticket" in said[0]
    assert "the next is its fifth" in said[0]
    assert heat_warnings(tmp_path, "R-2") == ()


STEPS = st.lists(
    st.builds(
        Step,
        st.integers(0, 9),
        st.sampled_from(["x", "final", None]),
        *(st.lists(st.sampled_from(["U5", "U6", "U7"]), max_size=2, unique=True).map(tuple),) * 3,
        st.sampled_from([(), (("U5", "U6"), ("U6", "U5")), (("U7", "U8"),)]),
    ),
    max_size=6,
)


@given(STEPS)
def test_heat_is_never_lost(steps: list[Step]) -> None:
    """Whatever is declared, each work heats its own site once and each neighbour once, as often."""
    board = quince(12)
    own: dict[tuple[int, str, str], int] = {}
    found = list(heatings(steps, board))
    assert [h for h in found if h.own] == [h for h in heatings(steps, board) if h.own]
    for one in found:
        if one.own:
            assert one.site == one.worked_at and 1 <= one.cycles <= 2 and one.total >= 1
            own[one.key, one.action, one.site] = one.cycles
        else:
            assert own[one.key, one.action, one.worked_at] == one.cycles
    assert all(h.life >= h.own >= 0 for h in counted(steps, board))
