"""The short form of a profile: rows of sites, what all share, names in any form, ranges."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profiles, written
from memdiag.model import Board, Link, Site
from memdiag.model.problems import Severity


def board(text: str) -> Board:
    found, problems = profiles.examine('board = "b"\n' + text, "my.toml")
    assert found is not None, [p.sentence() for p in problems]
    return replace(found, origin="")


def wrong(text: str) -> str:
    found, problems = profiles.examine('board = "b"\n' + text, "my.toml")
    assert found is None
    return "\n".join(p.sentence() for p in problems if p.severity is Severity.ERROR)


def links(site: Site) -> list[tuple[object, int, int | None]]:
    return [(k.channel, k.rank, k.lane) for k in site.links]


ROW = '[[sites]]\nrefs = "{}"\nlinks = {{channel = {}, lanes = {}}}\n'


# --- ranges ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("U1-U4", ["U1", "U2", "U3", "U4"]),
        ("U1-4", ["U1", "U2", "U3", "U4"]),
        ("U1 \u2013 U3", ["U1", "U2", "U3"]),
        ("U9-U11", ["U9", "U10", "U11"]),
        ("U3-U1", ["U3", "U2", "U1"]),
        ("IC08-IC11", ["IC08", "IC09", "IC10", "IC11"]),
        ("A-D", ["A", "B", "C", "D"]),
        ("U1-U2, U7,U9-U10", ["U1", "U2", "U7", "U9", "U10"]),
        ("IC-1", ["IC-1"]),
        ("MEM", ["MEM"]),
    ],
)
def test_a_range_counts_both_ends(text: str, names: list[str]) -> None:
    assert written.listed(text) == names


@pytest.mark.parametrize(
    "text", ["U1-M4", "U1,,U2", "", "U1-U5000", "A1-B2", ",".join(["U1"] * 9999)]
)
def test_what_is_no_range_is_unclear(text: str) -> None:
    with pytest.raises(written.Unclear):
        written.listed(text)


@settings(deadline=None)
@given(st.sampled_from(["U", "IC", "MEM_", "R-", ""]), st.integers(0, 900), st.integers(0, 900))
def test_any_range_has_its_ends_and_steps_of_one(stem: str, first: int, last: int) -> None:
    names = written.listed(f"{stem}{first}-{stem}{last}")
    assert (names[0], names[-1]) == (f"{stem}{first}", f"{stem}{last}")
    numbers = [int(name.removeprefix(stem)) for name in names]
    assert len(numbers) == abs(last - first) + 1
    assert {abs(b - a) for a, b in pairwise(numbers)} <= {1}


@settings(deadline=None)
@given(
    st.integers(0, 60_000),
    st.integers(1, 4),
    st.none() | st.integers(0, 6),
    st.lists(st.integers(0, 15), min_size=1, max_size=4, unique=True),
    st.integers(1, 24),
)
def test_a_count_gives_each_site_its_own(
    start: int, each: int, apart: int | None, lanes: list[int], n: int
) -> None:
    """Site i has `each` channels, the first of them i times `apart` behind the start: worked out
    here by hand."""
    step = each if apart is None else apart
    assume(step >= each or n == 1)  # else two sites own one lane
    more = "" if apart is None else f", {apart} apart"
    made = board(ROW.format(f"U1-U{n}", f'"from {start}, {each} each{more}"', lanes))
    for i, site in enumerate(made.sites):
        assert site.ref == f"U{i + 1}"
        assert links(site) == [
            (start + i * step + k, 0, lane) for k in range(each) for lane in lanes
        ]


def test_letters_and_numbered_names_are_counted_too() -> None:
    made = board(ROW.format("U1-U3", '"from A, 2 each"', "[0]"))
    assert [site.channels for site in made.sites] == [("A", "B"), ("C", "D"), ("E", "F")]
    made = board(ROW.format("U1-U2", '"from CH08, 2 each"', "[0]"))
    assert [site.channels for site in made.sites] == [("CH08", "CH09"), ("CH10", "CH11")]


def test_lanes_count_on_within_a_channel_and_rank() -> None:
    """Three channels of four x16 packages on two ranks: 24 packages in two lines."""
    made = board(
        '[[sites]]\nrefs = "U1-U24"\n'
        'links = {channel = "A-C", rank = [0, 1, 0, 1, 0, 1], lanes = "from 0, 2 each"}\n'
    )
    assert len(made.sites) == 24 and made.channels == ("A", "B", "C")
    assert links(made.sites[3]) == [("A", 0, 6), ("A", 0, 7)]
    assert links(made.sites[4]) == [("A", 1, 0), ("A", 1, 1)]
    assert links(made.sites[23]) == [("C", 1, 6), ("C", 1, 7)]


def test_a_list_is_shared_out_in_order() -> None:
    made = board(
        ROW.format("U1-U6", '"from 0, 1 each"', "[0]")
        + 'partition = "P0-P2"\nrotation = [0, 90]\nside = ["TOP", "Bottom"]\n'
        + 'x = [1, 2, 3, 4, 5, 6]\ny = "from 10, -1.5 apart"\n'
    )
    assert [s.partition for s in made.sites] == ["P0", "P0", "P1", "P1", "P2", "P2"]
    assert [s.rotation for s in made.sites] == [0, 0, 0, 90, 90, 90]
    assert [s.side for s in made.sites] == ["top"] * 3 + ["bottom"] * 3
    assert [(s.x, s.y) for s in made.sites][4] == (5, 4)


def test_in_a_list_each_name_stands_for_itself() -> None:
    made = board(
        '[[sites]]\nrefs = ["U1-U2", 7]\npartition = ["A-D"]\n'
        'links = {channel = ["A-B", "from 0, 1 each", 3], lanes = 0}\n'.replace(
            '["U1-U2", 7]', '["U1-U2", 7, "M"]'
        )
    )
    assert [s.ref for s in made.sites] == ["U1-U2", "7", "M"]
    assert {s.partition for s in made.sites} == {"A-D"}
    assert made.channels == ("A-B", "from 0, 1 each", 3)


def test_rails_of_a_row_are_one_list_or_lists_that_are_shared_out() -> None:
    rails = '[[rail]]\nname = "V"\n[[rail]]\nname = "W"\n'
    row = ROW.format("U1-U4", '"from 0, 1 each"', "[0]")
    for said, each in (
        ('"V"', [("V",)] * 4),
        ('["V", "W"]', [("V", "W")] * 4),
        ('["V", ["V", "W"]]', [("V",), ("V",), ("V", "W"), ("V", "W")]),
    ):
        assert [s.rails for s in board(f"{row}rails = {said}\n{rails}").sites] == each


# --- what all share ----------------------------------------------------------------------------


def test_what_stands_nearest_holds() -> None:
    made = board(
        '[[rail]]\nname = "V"\n[[rail]]\nname = 5\n'
        '[defaults]\nsize = [8, 12]\nside = "Bottom"\nrotation = 90\nrails = "V"\n'
        + ROW.format("U1-U2", '"from 0, 1 each"', "[0]")
        + '[[sites]]\nrefs = "U3"\nside = "top"\nlinks = {channel = 7, lanes = 0}\n'
        '[[site]]\nref = "U9"\nrotation = 0\nsize = [1, 2]\nrails = []\n'
        "links = {channel = 9, lanes = 0}\n"
        '[[site]]\nref = 10\nrails = 5\nlinks = {channel = 10, lanes = "0-1"}\n'
    )
    by_ref = {s.ref: (s.side, s.rotation, s.size, s.rails) for s in made.sites}
    assert by_ref["U1"] == by_ref["U2"] == ("bottom", 90, (8, 12), ("V",))
    assert by_ref["U3"] == ("top", 90, (8, 12), ("V",))
    assert by_ref["U9"] == ("bottom", 0, (1, 2), ())
    assert by_ref["10"] == ("bottom", 90, (8, 12), ("5",))


def test_names_in_any_form_are_one_name() -> None:
    text = """
        memory = "GDDR6"
        [[rail]]
        name = {rail}
        feeds = "Packages"
        [[site]]
        ref = {one}
        side = "TOP"
        rails = {rails}
        partition = {part}
        clamshell = {two}
        links = [{{ channel = {channel}, lanes = {lanes}, dq = {dq} }}]
        [[site]]
        ref = {two}
        side = "bottom"
        clamshell = {one}
        links = []
        """
    plain = board(
        text.format(
            rail='"3"',
            rails='["3"]',
            one='"7"',
            two='"8"',
            part='"0"',
            channel='"4"',
            lanes="[0, 1]",
            dq="[0, 1, 2, 3]",
        )
    )
    short = board(
        text.format(
            rail="3", rails="3", one="7", two="8", part="0", channel="4", lanes='"0-1"', dq='"0-3"'
        )
    )
    assert plain == short and plain.memory == "gddr6"
    assert plain.sites[0].links[0] == Link(4, 0, 0, (0, 1, 2, 3))


def test_one_value_wrong_for_all_is_said_once() -> None:
    told = wrong('[defaults]\nside = "left"\n' + ROW.format("U1-U12", '"from 0, 2 each"', "[0, 1]"))
    assert told == (
        'line 3, column 1: my.toml: [defaults] side is "left" (wanted: "top" or "bottom")'
    )


def test_a_row_that_cannot_be_counted_out_is_one_problem_and_its_sites_stay_known() -> None:
    told = wrong(
        ROW.format("U1-U12", '"from 0, 2 each"', "[0, 1]")
        + "x = [1, 2, 3, 4, 5]\n"
        + '[[site]]\nref = "M1"\nclamshell = "U3"\nlinks = []\n'
    )
    assert told == (
        "line 5, column 1: my.toml: sites U1-U12: x: 5 values cannot be shared out evenly to 12 "
        'sites (a row is written as in refs = "U1-U12", one value for all, or a list shared out '
        "evenly)"
    )
