"""A board written in the short form reads back equal."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.boards.profile_text import to_toml
from memdiag.model import AddressField, Board, Link, Rail, Site
from tests.simulator.boards import FAMILIES, QUINCES, quince, random_board

ODD = ["P0", "P1", "A-D", "U1-U9", "from 0, 1 each", "a, b", "0", "Z", 'q"\\', "\x7f"]
NAMES = st.sampled_from(ODD) | st.text(
    st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12
)
MM = st.integers(-9_000, 9_000).map(lambda n: n / 8) | st.floats(-10_000, 10_000)
SIZES = st.tuples(st.integers(1, 90).map(float), st.floats(0.001, 50))
CHANNELS = st.integers(0, 65_535) | st.sampled_from(["A", "B", "Z", "CH 1", "CH2", "CH3", "x-1"])
Key = tuple[int | str, int, int]


@st.composite
def wired(draw: st.DrawFn, number: int, taken: set[Key]) -> tuple[Link, ...]:
    """Links as those of the site before it go on, or any; each line has one owner."""
    each, apart, first = (draw(st.integers(1, 3)) for _ in range(3))
    if draw(st.booleans()):
        keys = [(first + apart * number + k, 0, lane) for k in range(each) for lane in (0, 1)]
    elif draw(st.booleans()):
        keys = [(draw(CHANNELS), draw(st.integers(0, 1)), apart * number + k) for k in range(each)]
    else:
        keys = [("A", 0, first + each * number + k) for k in range(each)]
    own = [key for key in dict.fromkeys(keys) if key not in taken and key[2] <= 15]
    taken.update(own)
    dqs = draw(st.sampled_from([None, None, (0, 1, 2, 3), (7,)]))
    return tuple(Link(*key, dqs) for key in own)


@st.composite
def boards(draw: st.DrawFn) -> Board:
    """Any board: in rows of one kind for the most part, or with no two sites alike."""
    refs = draw(st.lists(st.integers(1, 40).map("U{}".format) | NAMES, unique=True, min_size=1))
    rails = draw(st.lists(NAMES, unique=True, max_size=3))
    alike = draw(st.booleans())
    taken: set[Key] = set()
    sites = []
    for number, ref in enumerate(refs):
        site = Site(ref, draw(wired(number, taken)), size=(8.0, 12.0), rails=tuple(rails))
        if draw(st.booleans()):
            turn = draw(st.sampled_from([0.0, 90.0, 12.5]))
            site = replace(site, x=draw(MM), y=draw(MM), rotation=turn)
        if not alike:
            own = draw(st.lists(st.sampled_from(rails), unique=True)) if rails else []
            side = draw(st.sampled_from(["top", "bottom"]))
            site = replace(site, side=side, size=draw(st.none() | SIZES), rails=tuple(own))
        sites.append(replace(site, partition=draw(st.none() | NAMES)))
    return Board(
        draw(NAMES),
        draw(st.sampled_from([None, "ddr4", "gddr6"])),
        draw(st.none() | NAMES),
        tuple(sites),
        tuple(Rail(name, 1.5, "other", None, 20.25, 1.0) for name in rails),
        draw(st.none() | st.tuples(MM, MM, SIZES)),
        draw(st.sampled_from([(), (AddressField("row", ((1,), (2, 3))),)])),
        thin_ui=draw(st.none() | st.sampled_from([0.2, 1.0])),
        outline=draw(st.none() | SIZES),
    )


def read(text: str) -> Board:
    board, problems = profiles.examine(text, "")
    assert board is not None, (text, [p.sentence() for p in problems])
    return board


@settings(deadline=None)
@given(boards())
def test_what_is_written_reads_back_equal(board: Board) -> None:
    assert read(to_toml(board)) == board


@pytest.mark.parametrize("lanes", [(0, 2, 3), (0, 1, 0), (3, 2, 1), (4, 4, 5)])
def test_lanes_that_follow_no_step_are_not_counted(lanes: tuple[int, ...]) -> None:
    for apart in (0, 1):  # one channel for all, or one each
        links = [Link(i * apart, 0, lane) for i, lane in enumerate(lanes)]
        sites = [Site(f"U{i}", (link,)) for i, link in enumerate(links)]
        board = Board("b", sites=tuple(sites))
        if len(set(links)) == len(links):
            assert read(to_toml(board)) == board


@pytest.mark.parametrize("family", FAMILIES)
def test_plausible_boards_are_written_short(family: str) -> None:
    """Two sites a table at the least, one side of the board after the other."""
    for seed in range(12):
        made = random_board(random.Random(seed), family)
        whole = all(s.partition is not None for s in made.sites)
        sites = [s if whole else replace(s, partition=None) for s in made.sites]
        made = replace(made, sites=tuple(sorted(sites, key=lambda s: s.side, reverse=True)))
        text = to_toml(made)
        assert replace(read(text), origin=made.origin) == made
        assert text.count("[[sites]]") <= max(2, len(made.sites) // 2)


@pytest.mark.parametrize("name", QUINCES)
def test_the_shipped_boards_are_among_them(name: str) -> None:
    made = quince(name)
    assert replace(read(to_toml(made)), origin=made.origin) == made


def test_remarks_are_comments() -> None:
    made = quince("quince-12")
    text = to_toml(made, {"sites": "as counted\ncheck them", "rail": "measured"})
    assert "# as counted\n# check them\n[[sites]]" in text and "# measured\nrail = [" in text
    assert replace(read(text), origin=made.origin) == made
