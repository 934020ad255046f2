"""The damages: each does what it says to the text, and its weight follows from that."""

from __future__ import annotations

import random
from functools import cache

import pytest

from memdiag.boards import profiles
from memdiag.model import Board
from tests.simulator.damage import KINDS, Damaged, damage
from tests.simulator.damaging import Weight
from tests.simulator.paper import Paper, covered, links, put, sound
from tests.support import twodumps
from tests.support.twodumps import ROOT

DUMP = (ROOT / "samples" / "healthy.dump").read_text(encoding="utf-8")
BARE = twodumps.dump(name="quince-2").replace("[end] 24", "[end]")


@cache
def board(name: str = "quince-12") -> Board:
    return profiles.read(ROOT / "samples" / "boards" / f"{name}.toml")


def all_of(kind: str) -> list[Damaged]:
    """Some damages of a kind to a dump whose `[end]` counts the rows, and to one whose does not."""
    made = [
        damage(text, random.Random(f"{kind}/{n}"), at, [kind])
        for text, at in ((DUMP, board()), (BARE, board("quince-2")))
        for n in range(6)
    ]
    return [one for one in made if one is not None]


def lines(text: str) -> list[str]:
    return text.splitlines()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_befalls_a_dump_and_points_into_it(kind: str) -> None:
    made = all_of(kind)
    assert made
    for one in made:
        assert one.text not in (DUMP, BARE) and one.notice
        assert all(1 <= n <= len(lines(one.text)) for n in one.lines)
        if one.forbids:
            assert one.lines or one.sites


def test_enough_kinds_forbid_a_release() -> None:
    assert sum(any(one.forbids for one in all_of(kind)) for kind in KINDS) >= 20


@pytest.mark.parametrize("kind", ["fail", "not-found", "no-response"])
def test_a_failing_result_is_all_that_changes(kind: str) -> None:
    for one in all_of(kind):
        (at,) = one.lines
        changed = lines(one.text)
        whole = lines(DUMP if "quince-12" in one.text else BARE)
        assert len(changed) == len(whole)
        assert [n for n, (a, b) in enumerate(zip(whole, changed, strict=True)) if a != b] == [
            at - 1
        ]
        assert kind in changed[at - 1].split() and "pass" in whole[at - 1].split()


def test_what_has_lost_every_row_of_a_lane_is_silent_of_it() -> None:
    for one in all_of("lane deleted"):
        heard = Paper(tuple(lines(one.text))).heard(
            at := board("quince-12" if "quince-12" in one.text else "quince-2")
        )
        assert len(links(at) - heard) == 1 and one.forbids
        assert "[end]" in lines(one.text)


def test_a_row_less_forbids_only_where_end_counts_or_the_link_is_not_heard_again() -> None:
    assert all(one.forbids for one in all_of("row deleted"))
    told_anew = all_of("row deleted, end told anew")
    assert told_anew and all(one.weight is Weight.OPEN for one in told_anew)
    for one in told_anew:
        if "quince-12" in one.text:
            assert "[end] 239" in one.text  # the sample says 240


def test_a_cut_forbids_whatever_was_left() -> None:
    for one in all_of("cut"):
        assert one.forbids and "[end]" not in one.text


def test_a_step_said_of_the_whole_board_by_one_row_is_left_alone() -> None:
    """A rig's habit may be to say so of every board (contract, section 5)."""
    text = "bench-dump 1\n[training]\nstep result\nzq pass\nread pass\n[end] 2\n"
    assert damage(text, random.Random(1), board("quince-2"), ["fail"]) is None


def test_a_dump_in_which_nothing_can_go_wrong_that_way_is_none() -> None:
    text = "bench-dump 1\n[run]\nid x\n[end] 0\n"
    for kind in KINDS:
        made = damage(text, random.Random(1), None, [kind])
        assert made is None or kind == "lines end in CRLF"


def test_a_row_on_paper() -> None:
    columns = ("site", "ch", "lane", "step", "result", "width")
    assert sound(["U1", "0", "0", "read", "pass", "0.46UI"], columns)
    assert sound(["U1", "0", "0", "read", "pass"], columns)
    assert not sound(["U1", "0", "read", "pass", "0.46UI"], columns)
    assert not sound(["U1", "0", "0", "read", "pas", "0.46UI"], columns)
    assert not sound(["U1", "0", "0", "read", "pass", "0.46UI", "U1"], columns)
    assert put("U1  0   0", 1, "") == "U1  0" and put("U1  0   0", 2, "1") == "U1  0   1"


def test_a_row_speaks_of_the_links_that_none_of_its_cells_leaves_out() -> None:
    """quince-2 has two sites of two channels of two lanes: its profile."""
    at = board("quince-2")
    assert len(covered({}, at)) == 8
    assert len(covered({"site": "u1"}, at)) == 4
    assert covered({"ch": "3", "lane": "1"}, at) == {("u2", "3", "0", "1")}
