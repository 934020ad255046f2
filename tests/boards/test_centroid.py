"""Positions from a pick-and-place file: its headings, its units, and what is wrong in it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import centroid, profiles
from memdiag.boards.centroid import Spot
from memdiag.depot import surroundings
from memdiag.ledger import tickets
from memdiag.model.problems import Position
from memdiag.model.problems.boards import KINDS

HEAD = "Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\n"
PROFILE = """\
board = "bench"
centroid = "places.csv"
[defaults]
size = [8, 12]
rotation = 45
[[sites]]
refs = "U1-U3"
links = { channel = "from 0, 1 each", lanes = [0, 1] }
[[site]]
ref = "U4"
x = 1
y = 2
links = { channel = 4, lanes = 0 }
"""


@pytest.mark.parametrize(
    ("code", "text"),
    [(code, t) for code, k in KINDS.items() if k.via == "centroid" for t in k.provoked_by],
)
def test_each_problem_is_provoked_by_its_inputs(code: str, text: str) -> None:
    found = centroid.parse(text.encode(), ["U1", "U2"], "places.csv")
    assert code in [p.code for p in found.problems]
    assert all("places.csv" in p.message for p in found.problems)


@pytest.mark.parametrize(
    ("text", "spot"),
    [
        (HEAD + "R7,1,1,0,Top\nU1,10.5,20,90,Bottom\n", Spot(10.5, 20, 90, "bottom")),
        # A thousandth of an inch is 0.0254 mm, by definition of the inch.
        (
            '"RefDes","X (mil)","Y (mil)","Side"\n"u1","1000","-500","T"',
            Spot(25.4, -12.7, None, "top"),
        ),
        ("Ref;PosX;PosY;Rot;Side\nU1;10,5;20,25;-90;front\n", Spot(10.5, 20.25, 270, "top")),
        ("Units: mil\nmade on a Monday\n\nRef\tX\tY\nU1\t100\t200\n", Spot(2.54, 5.08)),
        ("Ref,Pad X,Pad Y,Mid X,Mid Y,TB\nU1,1,1,10mm,400mil,B", Spot(10, 10.16, None, "bottom")),
        ("Layer,Designator,Center-X(mm),Center-Y(mm)\nTopLayer,U1,1,2\n", Spot(1, 2, None, "top")),
        ('Value,Location X_mm,Location Y_mm,Ref Designator\n"a, b",1,2,U1\n', Spot(1, 2)),
    ],
)
def test_usual_headings_and_units_are_read(text: str, spot: Spot) -> None:
    for data in (
        text.encode(),
        text.encode("utf-16"),
        text.replace("\n", "\r\n").encode("latin-1"),
    ):
        found = centroid.parse(data, ["U1"])
        assert found.spots == {"u1": spot}
        assert not [p for p in found.problems if p.code != "centroid-unit"]


def test_a_wrong_cell_has_its_line_and_costs_that_cell() -> None:
    text = HEAD + "U1,10,20,0,Top\nU2,10,20,round,Top\n"
    found = centroid.parse(text.encode(), ["U1", "U2"], "p.csv")
    assert [(p.code, p.position) for p in found.problems] == [("centroid-cell", Position(3, 10))]
    assert found.spots["u2"] == Spot(10, 20, None, "top")


@settings(deadline=None)
@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_no_bytes_break_it(data: bytes) -> None:
    for more in (b"", HEAD.encode()):
        try:
            found = centroid.parse(more + data, ["U1"])
        except centroid.Unreadable as wrong:
            assert str(wrong)
        else:
            assert found.problems or found.spots


@settings(deadline=None)
@given(
    st.dictionaries(
        st.integers(1, 99).map("U{}".format),
        st.tuples(
            st.integers(-99_999, 99_999).map(lambda n: n / 100),
            st.integers(-99_999, 99_999).map(lambda n: n / 100),
            st.integers(0, 359),
            st.sampled_from(["top", "bottom"]),
        ),
        min_size=1,
    ),
    st.sampled_from([",", ";", "\t"]),
)
def test_what_is_written_is_read(
    parts: dict[str, tuple[float, float, int, str]], separator: str
) -> None:
    rows = [("Designator", "Mid X (mm)", "Mid Y (mm)", "Rotation", "Layer")]
    rows += [(ref, *map(str, place)) for ref, place in parts.items()]
    text = "\n".join(separator.join(row) for row in rows)
    found = centroid.parse(text.encode(), list(parts))
    assert found.problems == ()
    assert found.spots == {ref.casefold(): Spot(*place) for ref, place in parts.items()}


def test_a_profile_takes_places_from_the_file_it_names(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(PROFILE)
    file = tmp_path / "places.csv"
    file.write_text(HEAD + "U1,10,20,90,Top\nu2,30,20,,Bottom\nU3,50,20,0,Top\nU4,9,9,0,Bottom\n")
    board, problems = profiles.read_with_problems(tmp_path / "b.toml")
    assert problems == () and board is not None
    assert [(s.x, s.y, s.rotation, s.side) for s in board.sites] == [
        (1, 2, 0, "bottom"),  # its own place holds
        (10, 20, 90, "top"),
        (30, 20, 45, "bottom"),  # what the file does not say is as for all
        (50, 20, 0, "top"),
    ]
    file.write_text(file.read_text().replace("U1,10", "U1,11"))
    os.utime(file, (1, 1))
    assert profiles.read(tmp_path / "b.toml").site("U1").x == 11, "a changed file is read again"
    file.write_text(HEAD + "U1,10,20,90,Top\nU2,30,20,0,Top\n")
    board, problems = profiles.read_with_problems(tmp_path / "b.toml")
    assert [p.code for p in problems] == ["centroid-lacks", "profile-unplaced"]


def test_a_file_that_is_not_there_is_said_with_the_line_of_the_profile(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(PROFILE)
    for make in (lambda: None, (tmp_path / "places.csv").mkdir):
        make()
        board, problems = profiles.read_with_problems(tmp_path / "b.toml")
        assert board is None
        assert ("profile-centroid", Position(2, 1)) in [(p.code, p.position) for p in problems]


PLACES = HEAD + "U1,10,20,90,Top\nU2,30,20,0,Bottom\nU3,50,20,0,Top\n"


@pytest.fixture
def placed(tmp_path: Path) -> Path:
    """A profile with its centroid file beside it."""
    (tmp_path / "places.csv").write_text(PLACES)
    (tmp_path / "b.toml").write_text(PROFILE)
    return tmp_path / "b.toml"


def test_a_profile_is_filed_so_that_it_can_lie_alone(placed: Path, tmp_path: Path) -> None:
    """Years later the centroid file may be gone."""
    dump = (
        "bench-dump 1\n[run]\nboard bench\n[training]\nsite ch step result\nU1 0 id pass\n[end] 1\n"
    )
    reading = tickets.Reading(board=str(placed))
    filed = tickets.attach(tmp_path / "filed", "R-1", tickets.judged(dump.encode(), "d", reading))
    text = (filed.filed.entry.folder / tickets.BOARD).read_text(encoding="utf-8")
    board, problems = profiles.examine(text)
    assert board is not None and not problems
    assert replace(board, origin="") == replace(profiles.read(placed), origin="")


def test_a_worker_with_other_places_is_another(
    placed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MEMDIAG_BOARDS", str(tmp_path))
    before = surroundings.digest()
    assert surroundings.digest() == before
    (tmp_path / "places.csv").write_text(PLACES.replace("U1,10", "U1,11"))
    assert surroundings.digest() != before
