"""Board profiles: the shipped ones, the ways a profile can be wrong, and how one is found."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profile_checks, profile_fill, profile_form, profile_sites, profiles
from memdiag.boards.inferred import inferred
from memdiag.boards.profile_places import overlap
from memdiag.boards.whereabouts import Whereabouts
from memdiag.model import Board, Head, Place, Run, Source, TrainingRow
from memdiag.model.problems import Position, Severity
from memdiag.model.problems.boards import KINDS
from memdiag.resources import shipped
from tests.support.marks import examples

MINE = 'board = "quince-12"\n[[site]]\nref = "M1"\nlinks = [{channel = 0, lanes = [0]}]\n'
QUINCES = ("quince-12", "quince-8", "quince-2")


def run_of(*scopes: Place, **head: object) -> Run:
    rows = tuple(
        TrainingRow(position=Position(i), step="id", place=s) for i, s in enumerate(scopes, 1)
    )
    return Run(Head(**head), Source("", 1, 1, True, len(rows), "format-1"), training=rows)


def says(text: str) -> str:
    return "\n".join(p.sentence() for p in profiles.examine(text, "my.toml")[1])


@pytest.fixture(autouse=True)
def no_boards_of_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("MEMDIAG_BOARDS", raising=False)


# --- the shipped boards -------------------------------------------------------------------------


@pytest.mark.parametrize("name", QUINCES)
def test_shipped_profile_has_no_problem(name: str) -> None:
    board, problems = profiles.read_with_problems(shipped("samples") / "boards" / f"{name}.toml")
    assert problems == ()
    assert board is not None and board.name == name and board.known


def test_shipped_boards_are_what_their_names_say() -> None:
    twelve, eight, two = (profiles.find(name) for name in QUINCES)
    assert twelve and eight and two
    # JEDEC JESD250: a GDDR6 package has two independent x16 channels, so two byte lanes each.
    assert len(twelve.sites) == 12 and len(twelve.channels) == 24
    assert all(twelve.lanes_of(channel) == (0, 1) for channel in twelve.channels)
    assert {len(sites) for sites in twelve.partitions.values()} <= {2, 3}
    # A 64-bit channel of x8 packages: eight byte lanes, one package each.
    assert eight.channels == (0,) and eight.lanes_of(0) == tuple(range(8))
    assert all(len(site.links) == 1 for site in eight.sites)
    # JEDEC JESD209-4: an LPDDR4 package has two x16 channels.
    assert [len(site.channels) for site in two.sites] == [2, 2]
    assert all(two.lanes_of(channel) == (0, 1) for channel in two.channels)


@pytest.mark.parametrize(
    ("name", "rail", "volts"),
    [
        # JESD250 (GDDR6): VDD 1.35 V, VPP 1.8 V. JESD79-4 (DDR4): VDD 1.2 V, VPP 2.5 V.
        # JESD209-4 (LPDDR4): VDD1 1.8 V, VDD2 1.1 V.
        ("quince-12", "VDD_MEM_A", 1.35),
        ("quince-12", "VPP_MEM", 1.8),
        ("quince-8", "VDD_MEM", 1.2),
        ("quince-8", "VPP_MEM", 2.5),
        ("quince-2", "VDD1_MEM", 1.8),
        ("quince-2", "VDD2_MEM", 1.1),
    ],
)
def test_rail_volts_are_the_family_standard(name: str, rail: str, volts: float) -> None:
    board = profiles.find(name)
    assert board is not None
    found = board.rail(rail)
    assert found is not None and found.volts == volts
    assert found.inject_volts_max is not None and found.inject_volts_max <= 1.0


def test_clamshell_partners_on_the_ddr4_board_are_back_to_back() -> None:
    board = profiles.find("quince-8")
    assert board is not None
    for site in board.sites:
        partner = board.site(site.clamshell or "")
        assert partner is not None and (partner.x, partner.y) == (site.x, site.y)
        assert {site.side, partner.side} == {"top", "bottom"}
        assert "clamshell" in board.couplings(site.ref, partner.ref)


@pytest.mark.parametrize("name", QUINCES)
def test_shipped_profiles_describe_the_boards_that_are_written_out_in_full(name: str) -> None:
    """Site by site, by hand: the folder beside this test holds the long form."""
    short = profiles.read(shipped("samples") / "boards" / f"{name}.toml")
    full = profiles.read(Path(__file__).parent / "written_out" / f"{name}.toml")
    assert replace(short, origin="") == replace(full, origin="")


def test_the_short_form_is_short() -> None:
    text = (shipped("samples") / "boards" / "quince-12.toml").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 40


# --- what is wrong is said, all of it -----------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "text"),
    [(code, t) for code, kind in KINDS.items() if kind.via == "profile" for t in kind.provoked_by],
)
def test_each_problem_is_provoked_by_its_inputs(code: str, text: str | bytes) -> None:
    board, problems = profiles.examine(text, "my.toml")
    assert code in [p.code for p in problems]
    assert (board is None) == any(p.severity is Severity.ERROR for p in problems)
    assert all("my.toml" in p.message for p in problems)


def test_several_faults_are_reported_together() -> None:
    told = says(
        """
        board = "bench"
        colour = "green"
        [[rail]]
        name = "VDDQ"
        volts = "1.35"
        [[site]]
        ref = "U7"
        side = "topp"
        rails = ["VQQ"]
        links = [{ channel = 0, lanes = [0, 1] }]
        [[site]]
        ref = "U8"
        links = [{ channel = 0, lanes = [1, 2] }]
        """
    )
    assert (
        'my.toml: site U7: rails names "VQQ", which no [[rail]] defines; nearest is "VDDQ"' in told
    )
    assert 'my.toml: there is no key "colour" here' in told
    assert 'my.toml: rail VDDQ: volts is "1.35" (wanted: number of volts, 0.001 to 100)' in told
    assert 'my.toml: site U7: side is "topp"' in told
    assert "my.toml: channel 0 rank 0 lane 1 is owned by U7 and U8" in told


@pytest.mark.parametrize(
    ("text", "code", "line", "column"),
    [
        ('board = "b"\n\nsite = 3\n', "profile-value", 3, 1),
        (MINE + 'rails = ["VQQ"]\n', "profile-undefined", 5, 1),
        (MINE + 'size = [1, 2]\nside = "left"\n', "profile-value", 6, 1),
        (MINE + MINE.partition("\n")[2], "profile-twice", 5, 1),
        (MINE + "x = 3\n", "profile-half-placed", 5, 1),
        (MINE.replace("lanes = [0]", "lane = [0]"), "profile-key", 4, 24),
        (MINE.replace("lanes = [0]", "lanes = [99]"), "profile-value", 4, 24),
        (MINE.replace('ref = "M1"\n', ""), "profile-missing", 2, 1),
        (MINE + 'clamshell = "M1"\n', "profile-clamshell", 5, 1),
        (MINE + "\n[defaults]\nrails = 'V'\n", "profile-undefined", 7, 1),
        (MINE + "\n[defaults]\nsize = 3\n", "profile-value", 7, 1),
        (MINE + '[[sites]]\nrefs = "M1-M2"\nlinks = []\n', "profile-twice", 5, 1),
        (MINE + '[[sites]]\nrefs = "M2-N3"\nlinks = []\n', "profile-row", 6, 1),
        (
            MINE + "[address]\nfields = [\n{name = 'r', bits = [1, [2, 1],\n 1]}]\n",
            "profile-address",
            8,
            2,
        ),
        (
            MINE + "[baseline]\nboards = 1\nslopes = [\n{step = 'x', taps = 1, spread = 1}]\n",
            "profile-baseline",
            8,
            1,
        ),
        ('board = "b"\nmemory = ddr4\n', "profile-syntax", 2, 10),
    ],
)
def test_a_problem_has_its_line(text: str, code: str, line: int, column: int) -> None:
    _, problems = profiles.examine(text, "my.toml")
    assert (code, Position(line, column)) in [(p.code, p.position) for p in problems]


def test_every_problem_of_a_profile_has_a_line_where_the_text_has_one() -> None:
    """What is not there at all has none."""
    absent = ("board is missing", "[[site]] is missing", "it is no UTF-8 text", "has no site")
    for kind in KINDS.values():
        for text in kind.provoked_by if kind.via == "profile" else ():
            for p in profiles.examine(text, "my.toml")[1]:
                assert p.position is not None or any(words in p.message for words in absent)


def test_the_nearest_known_key_is_named() -> None:
    told = says('board = "b"\n[[site]]\nref = "U1"\nclamshel = "U2"\nlinks = []\n')
    assert 'site U1: there is no key "clamshel" here; nearest is "clamshell"' in told


def test_one_bad_site_does_not_make_its_partner_look_wrong() -> None:
    told = says(
        """
        board = "bench"
        [[site]]
        ref = "U1"
        clamshell = "U2"
        links = [{ channel = 0, lanes = [0] }]
        [[site]]
        ref = "U2"
        clamshell = "U1"
        side = "bottom"
        links = "all"
        """
    )
    assert "site U2: links is" in told
    assert "no [[site]] defines" not in told


def test_two_sites_may_divide_a_lane_by_data_lines() -> None:
    # Two x4 packages on one byte lane.
    text = """
        board = "nibbles"
        [[site]]
        ref = "U1"
        links = [{ channel = "A", lanes = [0], dq = [0, 1, 2, 3] }]
        [[site]]
        ref = "U2"
        links = [{ channel = "A", lanes = [0], dq = [%s] }]
        """
    board, problems = profiles.examine(text % "4, 5, 6, 7")
    assert board is not None and not [p for p in problems if p.severity is Severity.ERROR]
    assert Place(channel="A", lane=0, dq=5).sites(board) == ("U2",)
    assert "channel A rank 0 lane 0 dq 3 is owned by U1 and U2" in says(text % "3, 4, 5, 6")


def test_a_channel_written_as_a_number_is_that_number() -> None:
    text = 'board = "b"\n[[site]]\nref = "U1"\nlinks = [{channel = "%s", lanes = [0]}]\n'
    for written, channel in (("3", 3), ("A", "A"), ("0x3", "0x3")):
        board, _ = profiles.examine(text % written)
        assert board is not None and board.channels == (channel,)


def test_an_xor_group_is_one_bit_of_its_field() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    bank = next(f for f in board.address if f.name == "bank")
    assert len(bank.bits) == 4 and all(len(group) == 2 for group in bank.bits)


@pytest.mark.parametrize(
    ("gap", "turn", "depth"),
    [(0.0, 0, 0.0), (-0.5, 0, 0.5), (0.5, 0, 0.0), (0.0, 45, 0.0), (-0.5, 90, 0.5)],
)
def test_overlap_is_the_depth_of_two_rectangles(gap: float, turn: int, depth: float) -> None:
    # Two 10 x 10 squares side by side, the whole scene turned: turning changes nothing.
    def square(x: float) -> tuple[tuple[float, float], ...]:
        a = math.radians(turn)
        return tuple(
            ((x + u) * math.cos(a) - v * math.sin(a), (x + u) * math.sin(a) + v * math.cos(a))
            for u, v in ((-5, -5), (5, -5), (5, 5), (-5, 5))
        )

    assert overlap(square(0), square(10 + gap)) == pytest.approx(depth, abs=1e-9)


@settings(max_examples=examples(60), deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            [
                "board",
                "site",
                "rail",
                "controller",
                "address",
                "limits",
                "outline",
                "memory",
                "nonsense",
            ]
        ),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(
                    st.sampled_from(
                        [
                            "ref",
                            "links",
                            "channel",
                            "lanes",
                            "x",
                            "y",
                            "size",
                            "rails",
                            "fields",
                            "bits",
                            "name",
                            "clamshell",
                            "side",
                            "q",
                        ]
                    ),
                    inner,
                    max_size=4,
                )
            ),
            max_leaves=12,
        ),
    )
)
def test_no_table_of_any_shape_breaks_the_check(data: dict[str, object]) -> None:
    names = Whereabouts("my.toml", data)
    form, problems = profile_fill.fill(names)
    if form is not None:
        sites, wrong = profile_sites.sites(form, names)
        problems += (*wrong, *profile_checks.examine(profile_checks.Profile(form, sites), names))
    assert all(p.message.strip() and p.hint.strip() for p in problems)


@settings(max_examples=examples(60), deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_no_text_breaks_the_reader(text: bytes) -> None:
    board, problems = profiles.examine(text)
    assert board is None and problems  # nothing random names a site with links


@pytest.mark.parametrize("key", ["a", "title", "site", "rail", "outline", "dotted"])
def test_a_deep_or_huge_text_is_a_problem_not_a_crash(key: str) -> None:
    key = "a" + ".a" * 10**5 if key == "dotted" else key
    for value in ("[" * 20_000, "9" * 10**6, "0x" + "f" * 10**6, "inf", "nan"):
        board, problems = profiles.examine(f"{key} = {value}\n{MINE.partition(chr(10))[2]}")
        assert board is None and problems
        assert all(len(p.sentence()) < 400 for p in problems)


def test_names_of_no_length_and_no_number_break_the_messages() -> None:
    for ref in ("0x" + "f" * 10**5, '"' + "U" * 10**5 + '"', "[" * 99 + "]" * 99, "-" + "9" * 99):
        for line in (f"ref = {ref}", f'ref = "U1"\nlinks = [{{channel = {ref}, lanes = [0]}}]'):
            board, problems = profiles.examine(f'board = "b"\n[[site]]\n{line}\n')
            assert board is None and problems
            assert all(len(p.sentence()) < 400 for p in problems)


def test_a_file_of_nothing_but_faults_is_not_read_to_its_end() -> None:
    """Each that is said takes a search for the nearest word: a megabyte of them took minutes."""
    for text in (
        "".join(f"k{n} = 1\n" for n in range(30_000)),
        'board = "b"\n' + '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0]}]\n' * 3_000,
        'board = "b"\n[[rail]]\nname = "V"\n'
        + "".join(
            f'[[site]]\nref = "U{n}"\nrails = ["W{n}"]\nlinks = [{{channel = {n}, lanes = [0]}}]\n'
            for n in range(1_000)
        ),
    ):
        board, problems = profiles.examine(text)
        assert board is None
        assert 1 <= len(problems) <= 2 * profile_fill.MOST_PROBLEMS


_SITE = '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0]}]\n'
_RAIL = '[[rail]]\nname = "VDDQ"\n'
_EYE = 'boards = 1\neyes = [{what = "width", unit = "UI", step = "read", centre = C, spread = S}]\n'
NUMBERS = {
    **{key: f"{_SITE}{key} = #\n" for key in ("x", "y", "rotation")},
    "size": f"{_SITE}size = [1, #]\n",
    "rank": '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0], rank = #}]\n',
    "channel": '[[site]]\nref = "U1"\nlinks = [{channel = #, lanes = [0]}]\n',
    "lanes": '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [#]}]\n',
    "dq": '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0], dq = [#]}]\n',
    **{
        key: f"{_SITE}{_RAIL}{key} = #\n"
        for key in (
            "volts",
            "healthy_ohms_min",
            "healthy_ohms_typical",
            "inject_volts_max",
            "inject_amps_max",
        )
    },
    "outline": f"outline = [#, 1]\n{_SITE}",
    "bits": f'{_SITE}[address]\nfields = [{{name = "row", bits = [#]}}]\n',
    "thin_ui": f"{_SITE}[limits]\nthin_ui = #\n",
    "boards": f"{_SITE}[baseline]\nboards = #\n",
    "error_floor": f"{_SITE}[baseline]\nboards = 1\nerror_floor = #\n",
    "centre": f"{_SITE}[baseline]\n{_EYE.replace('C', '#').replace('S', '1')}",
    "spread": f"{_SITE}[baseline]\n{_EYE.replace('C', '1').replace('S', '#')}",
    "taps": f'{_SITE}[baseline]\nboards = 1\nslopes = [{{step = "read", taps = #, spread = 1}}]\n',
    "ohms": f"{_SITE}{_RAIL}[baseline]\nboards = 1\n"
    'rails = [{rail = "VDDQ", ohms = #, spread = 1}]\n',
}


@pytest.mark.parametrize("key", NUMBERS)
def test_every_number_has_two_ends(key: str) -> None:
    for value in ("inf", "-inf", "nan", "1e300", "-1e300", "1" + "0" * 400, "0x" + "f" * 9_000):
        board, problems = profiles.examine('board = "b"\n' + NUMBERS[key].replace("#", value))
        assert board is None
        assert [p.code for p in problems if f"{key} is" in p.message][:1] == ["profile-value"], (
            value
        )


def test_every_number_of_the_form_is_among_them() -> None:
    def keys(kind: type[msgspec.Struct]) -> Iterator[str]:
        for field in msgspec.structs.fields(kind):
            said = str(field.type)
            if (kind, field.name) not in profile_form.TABLES and ("int" in said or "float" in said):
                yield field.name

    tables = {kind for kind, _ in profile_form.TABLES} | set(profile_form.TABLES.values())
    assert {key for kind in tables for key in keys(kind)} == set(NUMBERS) | {"lane"}


# --- finding one --------------------------------------------------------------------------------


def test_the_folders_of_the_variable_come_before_the_shipped(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "any-name.toml").write_text(MINE)
    monkeypatch.setenv("MEMDIAG_BOARDS", f"{tmp_path / 'none'}:{tmp_path / 'b'}")
    board = profiles.find("Quince-12")
    assert board is not None and [s.ref for s in board.sites] == ["M1"]


def test_a_toml_that_is_no_profile_is_not_on_the_shelf(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "shop.toml").write_text("[costs]\nreplace = 50\n")
    (tmp_path / "nameless.toml").write_text(MINE.split("\n", 1)[1])
    monkeypatch.setenv("MEMDIAG_BOARDS", str(tmp_path))
    assert [name for name, _ in profiles.shelf()] == ["nameless", *sorted(QUINCES)]


def test_a_changed_file_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    path.write_text(MINE)
    first = profiles.read(path)
    assert profiles.read(path) is first
    path.write_text(MINE.replace("M1", "MM1"))
    assert profiles.read(path).site("MM1") is not None


def test_a_name_that_is_a_path_stays_a_name(tmp_path: Path) -> None:
    (tmp_path / "secret.toml").write_text(MINE.replace("quince-12", "other"))
    assert profiles.find(str(tmp_path / "secret")) is None
    assert profiles.find("../boards/quince-12") is None


def test_without_a_profile_the_neighbours_are_unknown_and_that_is_said_once() -> None:
    run = run_of(Place(site="U1", channel=0, lane=0), board="quince-13", memory="gddr6")
    board, problems = profiles.for_run(run)
    assert not board.known and [s.ref for s in board.sites] == ["U1"]
    assert [p.code for p in problems] == ["board-unknown"]
    assert 'nearest is "quince-12"' in problems[0].message
    board, problems = profiles.for_run(run_of(Place(site="U1", channel=0)))
    assert [p.code for p in problems] == ["board-unsaid"] and not board.known


def test_the_explicit_profile_wins_and_a_difference_is_said(tmp_path: Path) -> None:
    path = tmp_path / "b.toml"
    path.write_text(MINE)
    run = run_of(Place(site="U1", channel=0), board="quince-8")
    board, problems = profiles.for_run(run, path)
    assert board.site("M1") is not None
    assert [p.code for p in problems] == ["board-differs"]
    same, problems = profiles.for_run(run, board)
    assert same is board
    assert profiles.for_run(run, "quince-8")[0].name == "quince-8"


def test_an_explicit_profile_that_cannot_be_used_raises(tmp_path: Path) -> None:
    run = run_of(Place(site="U1", channel=0), board="quince-8")
    for explicit in (tmp_path / "none.toml", tmp_path, "quince-9"):
        with pytest.raises(profiles.ProfileError) as caught:
            profiles.for_run(run, explicit)
        assert [p.code for p in caught.value.problems] == ["profile-unreadable"]


def test_a_broken_profile_that_was_found_is_said_and_not_used(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "b.toml").write_text(MINE.replace("ref", "reff"))
    monkeypatch.setenv("MEMDIAG_BOARDS", str(tmp_path))
    board, problems = profiles.for_run(run_of(Place(site="U1", channel=0), board="quince-12"))
    assert not board.known
    assert {"profile-key", "profile-missing", "board-unknown"} == {p.code for p in problems}
    # A line of the profile is none of the dump.
    assert all(p.position is None for p in problems)
    assert f"line 3 of {tmp_path / 'b.toml'}: site" in problems[0].message


# --- inferred from the rows ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("memory", "scopes", "expected"),
    [
        ("gddr6", [Place("U1", 0), Place("U1", 1)], {"U1": (0, 1)}),
        ("gddr6", [Place("U1", 1, lane=0), Place("U1", 1)], {"U1": (1,)}),
        ("gddr6", [Place(channel=0), Place(channel=1, lane=0)], {"ch 0": (0,), "ch 1": (1,)}),
        ("ddr4", [Place(channel=0), Place(channel=0, lane=3)], {"ch 0 lane 3": (0,)}),
        ("ddr4", [Place(channel="A")], {"ch A": ("A",)}),
        (
            "ddr4",
            [Place("U1", 0, lane=0), Place(channel=0, lane=1)],
            {"U1": (0,), "ch 0 lane 1": (0,)},
        ),
        ("ddr4", [Place("U1")], {"U1": ()}),
    ],
)
def test_inferred_sites_and_their_channels(
    memory: str, scopes: list[Place], expected: dict[str, tuple[object, ...]]
) -> None:
    board = inferred(run_of(*scopes, memory=memory))
    assert {site.ref: site.channels for site in board.sites} == expected


def test_a_channel_without_lanes_is_one_link_that_owns_any_lane() -> None:
    board = inferred(run_of(Place("U1", 0), Place("U2", 1, lane=1), memory="gddr6"))
    assert [link.lane for link in board.sites[0].links] == [None]
    assert board.lanes_of(0) == () and board.lanes_of(1) == (1,)
    assert Place(channel=0, lane=1).sites(board) == ("U1",)
    assert Place(channel=1, lane=0).sites(board) == ()


def test_a_row_without_rank_adds_nothing_to_the_ranked_ones() -> None:
    board = inferred(run_of(Place("U1", 0, 1, 2), Place("U1", 0, None, 2), memory="ddr4"))
    assert [(k.rank, k.lane) for k in board.sites[0].links] == [(1, 2)]


def test_sites_that_only_the_head_names_are_on_the_inferred_board() -> None:
    board = inferred(run_of(Place("U1", 0), removed=("U6",), swapped=(("U3", "U5"),)))
    assert {s.ref for s in board.sites} == {"U1", "U3", "U5", "U6"}


def test_the_board_type_is_exported() -> None:
    import memdiag

    assert memdiag.Board is Board
