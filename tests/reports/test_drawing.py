"""The picture of a board: to scale, from both sides, and nothing told by colour alone."""

from __future__ import annotations

import math
import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profile_places, profiles
from memdiag.cli.board import command
from memdiag.model import Board, Link, Site
from memdiag.reports.drawing import LETTERS, PATTERNS, Mark, board_svg, carries, side_svg, swatch
from memdiag.reports.packages import outline
from tests.support.marks import examples

SVG = "{http://www.w3.org/2000/svg}"


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


def words_at(svg: str) -> dict[str, tuple[float, float]]:
    """Where each piece of text stands, in mm of the picture."""
    root = ET.fromstring(svg)
    return {
        "".join(t.itertext()): (float(t.attrib["x"]), float(t.attrib["y"]))
        for t in root.iter(f"{SVG}text")
    }


def bench(**site: object) -> Board:
    values = {"x": 20.0, "y": 10.0, "size": (8.0, 12.0), "links": (Link(0, 0, 0),)} | site
    return Board("bench", sites=(Site("U1", **values), Site("U2", x=60.0, y=30.0, size=(8, 12))))


def test_every_site_stands_on_its_own_side_only() -> None:
    top, bottom = (words_at(side_svg(quince(8), side)) for side in ("top", "bottom"))
    assert {"U1", "U2", "U3", "U4"} <= top.keys() and not {"U5", "U6"} & top.keys()
    assert {"U5", "U6", "U7", "U8"} <= bottom.keys() and not {"U1", "U2"} & bottom.keys()


def test_the_top_runs_as_the_profile_counts_and_the_bottom_is_mirrored() -> None:
    board = quince(8)
    top, bottom = (words_at(side_svg(board, side)) for side in ("top", "bottom"))
    by_x = sorted(("U1", "U2", "U3", "U4"), key=lambda ref: board.site(ref).x)
    assert by_x == sorted(by_x, key=lambda ref: top[ref][0])
    by_x = sorted(("U5", "U6", "U7", "U8"), key=lambda ref: board.site(ref).x)
    assert by_x == sorted(by_x, key=lambda ref: -bottom[ref][0])
    assert any("left and right are swapped" in words for words in bottom)


def test_clamshell_partners_meet_when_the_board_is_turned_over() -> None:
    # The two views are the same paper folded: x from the left in one is x from the right in the
    # other.
    board = quince(8)
    top, bottom = (words_at(side_svg(board, side)) for side in ("top", "bottom"))
    assert board.outline is not None
    for site in board.sites[:4]:
        assert top[site.ref][0] + bottom[site.clamshell][0] == pytest.approx(board.outline[0])


def test_up_on_the_board_is_up_in_the_picture() -> None:
    board, seen = quince(12), words_at(side_svg(quince(12), "top"))
    for one in board.sites:
        for two in board.sites:
            if one.y > two.y + 1:
                assert seen[one.ref][1] < seen[two.ref][1]


def test_distances_in_the_picture_are_millimetres_of_the_board() -> None:
    board, seen = quince(12), words_at(side_svg(quince(12), "top"))
    one, two = board.site("U1"), board.site("U9")
    assert math.dist(seen["U1"], seen["U9"]) == pytest.approx(
        math.dist((one.x, one.y), (two.x, two.y))
    )


@pytest.mark.parametrize(
    ("rotation", "corner"),
    # Turned anticlockwise as seen, pin 1 goes from upper left to lower left, lower right, upper
    # right; the picture's y runs down.
    [(0, (-4, -6)), (90, (-6, 4)), (180, (4, 6)), (270, (6, -4))],
)
def test_pin_1_turns_with_the_package(rotation: float, corner: tuple[float, float]) -> None:
    first = outline(0, 0, Site("U1", size=(8, 12), rotation=rotation))[0]
    assert first == pytest.approx(corner)


def drawn_corners(svg: str, height: float, width: float | None) -> set[tuple[float, float]]:
    """The corners of the picture's first four-cornered path, in mm of the profile; `width` is
    given for a view that is mirrored."""
    group = ET.fromstring(svg).find(f"{SVG}g")
    assert group is not None
    paths = [node.attrib["d"] for node in group.iter(f"{SVG}path")]
    d = next(d for d in paths if d.count("L") == 3)
    points = [tuple(map(float, p.split())) for p in re.split("[ML]", d.strip("MZ"))]
    return {(round(x if width is None else width - x, 2), round(height - y, 2)) for x, y in points}


def test_a_turned_package_lies_where_the_checks_of_the_profile_take_it_to_lie() -> None:
    """Drawn on its own side, and through the board from the other: the same place."""
    text = """
        board = "b"
        outline = [60, 40]
        [[site]]
        ref = "U1"
        x = 20
        y = 15
        side = "%s"
        rotation = 30
        size = [8, 12]
        links = [{ channel = 0, lanes = [0] }]
        """
    for side in ("top", "bottom"):
        board, _ = profiles.examine(text % side)
        assert board is not None
        corners = {(round(x, 2), round(y, 2)) for x, y in profile_places.corners(board.sites[0])}
        assert drawn_corners(side_svg(board, "top"), 40, None) == corners
        assert drawn_corners(side_svg(board, "bottom"), 40, 60) == corners


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    for board in (quince(12), quince(8), quince(2)):
        svg = side_svg(board, "top")
        said = next(int(w.split()[0]) for w in words_at(svg) if w.endswith(" mm"))
        assert re.search(r"H([\d.]+)M", svg)
        start, end = map(float, re.search(r"M([\d.]+) [\d.]+H([\d.]+)M", svg).groups())
        assert end - start == pytest.approx(said)


def test_the_marked_site_is_pointed_at_from_the_edges() -> None:
    plain, marked = (
        side_svg(quince(12), "top"),
        side_svg(quince(12), "top", {"U7": Mark(work=True)}),
    )
    assert ET.fromstring(plain).find(f".//{SVG}g/{SVG}line") is None
    lines = ET.fromstring(marked).findall(f".//{SVG}g/{SVG}line")
    x, y = words_at(marked)["U7"]
    ends = [[float(line.attrib[k]) for k in ("x1", "y1", "x2", "y2")] for line in lines]
    down = [each for each in ends if each[0] == each[2]]
    across = [each for each in ends if each[1] == each[3]]
    assert len(down) == len(across) == 2  # each stops at the ring
    assert all(each[0] == pytest.approx(x) for each in down)
    assert all(abs(each[1] - y) < 3 for each in across)
    assert "U7 (work here)" in ET.fromstring(marked).find(f"{SVG}title").text


def test_no_two_causes_look_alike_without_colour() -> None:
    assert len(set(PATTERNS.values())) == len(PATTERNS)
    assert len(set(LETTERS.values())) == len(LETTERS)

    def grey(cause: str) -> str:
        drawn = swatch(Mark(cause), "n")
        return re.sub(r"#[0-9a-f]{3,6}\b", "#000", drawn).replace(cause, "")

    assert len({grey(cause) for cause in PATTERNS}) == len(PATTERNS)


def test_a_package_through_the_board_is_dashed_and_bracketed() -> None:
    bottom = side_svg(quince(12), "bottom")
    assert "(U7)" in words_at(bottom) and "stroke-dasharray" in bottom
    assert any("no package on this side" in words for words in words_at(bottom))


@pytest.mark.parametrize(
    ("site", "lines"),
    [
        (Site("U1", (Link(0, 0, 0), Link(0, 0, 1), Link(1, 0, 0), Link(1, 0, 1))), ("ch 0 1",)),
        (Site("U1", (Link(0, 0, 3),)), ("ch 0", "lane 3")),
        (Site("U1", (Link("A", 0, 3, (4, 5, 6, 7)),)), ("ch A", "lane 3 dq 4-7")),
        (Site("U1", (Link(2, 0, None),)), ("ch 2",)),
        (Site("U1"), ()),
    ],
)
def test_a_site_is_labelled_with_what_it_carries(site: Site, lines: tuple[str, ...]) -> None:
    assert carries(site) == lines


def test_a_board_without_places_cannot_be_drawn() -> None:
    with pytest.raises(ValueError, match="no site"):
        board_svg(Board("bench", sites=(Site("U1", x=3.0, y=3.0),)))


def test_parts_outside_the_outline_are_still_in_the_picture() -> None:
    svg = board_svg(Board("b", sites=bench(x=-30.0).sites, outline=(50, 50)))
    root = ET.fromstring(svg)
    for view in root.findall(f"{SVG}svg"):
        board = view.find(f".//{SVG}g/{SVG}rect")
        assert board is not None and float(board.attrib["width"]) > 90


@settings(max_examples=examples(50), deadline=None)
@given(
    st.text(min_size=1, max_size=12),
    st.text(max_size=12),
    st.tuples(st.floats(-200, 200), st.floats(0.1, 60), st.floats(0, 360)),
    st.sampled_from([None, *PATTERNS, "a new cause"]),
)
def test_any_board_gives_well_formed_svg_that_loads_nothing(
    ref: str, title: str, place: tuple[float, float, float], cause: str | None
) -> None:
    x, size, rotation = place
    site = Site(ref, (Link(ref, 0, 0),), x, x, rotation=rotation, size=(size, size * 1.4))
    svg = board_svg(Board(title, title=title, sites=(site,)), {ref: Mark(cause, True)})
    root = ET.fromstring(svg.split("\n", 1)[1])
    tags = {node.tag.removeprefix(SVG) for node in root.iter()}
    assert tags <= {
        "svg",
        "g",
        "rect",
        "path",
        "line",
        "circle",
        "text",
        "title",
        "defs",
        "pattern",
    }
    names = {name for node in root.iter() for name in node.attrib}
    assert not {n for n in names if "style" in n or "href" in n or n.startswith("on")}


def test_text_that_is_markup_stays_text() -> None:
    svg = board_svg(Board('<script>alert("U1")</script>', sites=bench().sites))
    assert "<script" not in svg
    assert any("<script>" in words for words in words_at(svg.split("\n", 1)[1]))


# --- the command --------------------------------------------------------------------------------


def run(*arguments: str) -> tuple[int, str, str]:
    from memdiag.cli.main import app

    result = CliRunner().invoke(app, ["board", *arguments], standalone_mode=False)
    status = result.return_value if isinstance(result.return_value, int) else 0
    if result.exception is not None:
        return 2, result.stdout, str(result.exception)
    return status, result.stdout, result.stderr


def test_list_names_the_shipped_boards() -> None:
    status, out, _ = run("list")
    assert status == 0
    assert [line.split()[0] for line in out.splitlines()[2:]] == [
        "quince-12",
        "quince-2",
        "quince-8",
    ]


def test_check_says_what_is_wrong_and_how_bad(tmp_path: Path) -> None:
    assert run("check", "quince-12", "quince-8", "quince-2")[0] == 0
    path = tmp_path / "b.toml"
    path.write_text('board = "b"\n[[site]]\nref = "U1"\nlinks = []\nrails = ["V"]\n')
    status, out, _ = run("check", str(path))
    assert status == 2 and "error: " in out and 'rails names "V"' in out
    path.write_text(
        'board = "b"\n[[site]]\nref = "U1"\nlinks = []\n'
        '[[rail]]\nname = "V"\nvolts = 1.2\ninject_volts_max = 3.3\n'
    )
    status, out, _ = run("check", str(path))
    assert status == 1 and "warning: " in out and "board b, memory not said, 1 sites" in out


def test_draw_writes_a_picture(tmp_path: Path) -> None:
    target = tmp_path / "board.svg"
    status, out, _ = run("draw", "quince-12", "--mark", "U7", "-o", str(target))
    assert (status, out) == (0, "")
    root = ET.parse(target).getroot()
    assert root.tag == f"{SVG}svg" and root.attrib["width"].endswith("mm")


def test_draw_refuses_a_site_the_board_has_not() -> None:
    status, _, said = run("draw", "quince-12", "--mark", "U13")
    assert status == 2 and "no site U13" in said and "it has U1, U2" in said


def test_the_group_is_called_board() -> None:
    assert command.name == "board" and set(command.commands) == {"list", "check", "draw", "new"}
