"""The `[baseline]` of a profile: written and read again, and put into profiles people wrote."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.boards.baseline_text import Unplaceable, replaced, to_toml
from memdiag.model import STEPS, Baseline, Board, HealthyEye, HealthyRail, HealthySlope
from memdiag.resources import shipped

PROFILE = """\
# The board of the sorter.
board = "bench"  # as its dumps say

# one supply
[[rail]]
name = "VDDQ"
[[rail]]
name = "V \\"two\\""

[address]
fields = [
  {name = "row", bits = [
    [9, 5]
  ]},
]

# the packages
[[site]]
ref = "U1"
links = [{channel = 0, lanes = [0, 1, 2]}]  # three
"""
LEARNT = Baseline(
    4,
    (HealthyEye("width", "UI", "read", None, 0.46, 0.04),),
    (HealthySlope("level", -3.25, 0.5),),
    (HealthyRail("VDDQ", 112.0, 0.05),),
    1.5e-12,
)

above = st.floats(1e-12, 1e9)
spreads = st.floats(1e-6, 3)
units = st.sampled_from([("width", "UI"), ("width", "s"), ("width", "tap"), ("height", "V")])


@st.composite
def baselines(draw: st.DrawFn) -> Baseline:
    """A baseline that fits `PROFILE`."""
    kinds = st.tuples(units, st.sampled_from(STEPS), st.sampled_from([None, 0, 1, 2]))
    eyes = draw(st.lists(kinds, unique=True, max_size=6))
    slopes = draw(st.lists(st.sampled_from(STEPS), unique=True, max_size=3))
    rails = draw(st.lists(st.sampled_from(["VDDQ", 'V "two"']), unique=True))
    return Baseline(
        draw(st.integers(1, 500)),
        tuple(
            HealthyEye(
                *kind,
                step,
                lane,
                draw(st.floats(0.01, 1.0) if kind[1] == "UI" else above),
                draw(spreads),
            )
            for kind, step, lane in eyes
        ),
        tuple(HealthySlope(step, draw(st.floats(-90, 90)), draw(spreads)) for step in slopes),
        tuple(HealthyRail(rail, draw(above), draw(spreads)) for rail in rails),
        draw(st.none() | st.floats(1e-18, 0.5)),
    )


def read(text: str) -> Board:
    board, problems = profiles.examine(text, "my.toml")
    assert board is not None, problems
    return board


@settings(deadline=None)
@given(baselines(), st.sampled_from(["\n", "\r\n"]))
def test_what_is_written_is_read_again(learnt: Baseline, end: str) -> None:
    text = replaced(PROFILE.replace("\n", end), learnt)
    assert read(text).baseline == learnt
    assert ("\n" in text.replace("\r\n", "")) == (end == "\n")


@given(baselines(), baselines())
def test_a_later_baseline_takes_the_place_of_the_earlier_one(one: Baseline, two: Baseline) -> None:
    once = replaced(PROFILE, one)
    assert once.startswith(PROFILE)
    assert replaced(once, two) == replaced(PROFILE, two)
    assert replaced(once, one) == once


@pytest.mark.parametrize(
    "old",
    [
        "[baseline]\nboards = 1\n",
        "[ baseline ]  # old\nboards = 1\n\n[[baseline.eyes]]\nwhat = 'width'\nunit = 'UI'\n"
        "step = 'read'\ncentre = 0.3\nspread = 0.1\n",
        '["baseline"]\nboards = 1\nrails = [\n  {rail = "VDDQ", ohms = 9, spread = 1},\n]\n',
    ],
)
@pytest.mark.parametrize("before", ["# the packages\n[[site]]", "[address]"])
def test_comments_and_order_of_the_profile_stay(old: str, before: str) -> None:
    profile = PROFILE.replace(before, f"{old}\n{before}")
    made = replaced(profile, LEARNT)
    assert made == PROFILE.replace(before, f"{to_toml(LEARNT)}\n{before}")
    assert read(made).baseline == LEARNT


@pytest.mark.parametrize(
    "odd", ["baseline.boards = 3\n", "baseline = {boards = 3}\n", 'baseline."boards" = 3\n']
)
def test_what_is_no_table_of_its_own_is_not_touched(odd: str) -> None:
    with pytest.raises(Unplaceable):
        replaced(odd + PROFILE, LEARNT)


def test_a_list_and_a_text_that_look_like_headers_are_none() -> None:
    tricky = 'title = """\n[baseline]\n"""\n' + PROFILE.replace("    [9, 5]\n", "[9, 5]\n")
    made = replaced(tricky, LEARNT)
    assert made.startswith(tricky) and read(made).title == "[baseline]\n"
    again = replaced(made.replace("[address]", "[baseline.x]\n[address]"), LEARNT)
    assert tomllib.loads(again) == tomllib.loads(made)


@pytest.mark.parametrize("name", ["quince-12", "quince-8", "quince-2"])
def test_shipped_profiles_take_a_baseline(name: str) -> None:
    text = (shipped("samples") / "boards" / f"{name}.toml").read_text(encoding="utf-8")
    learnt = Baseline(2, LEARNT.eyes, LEARNT.slopes)
    made = replaced(text, learnt)
    assert made.startswith(text) and read(made).baseline == learnt


def test_every_mistake_is_told_with_file_and_key() -> None:
    entries = (
        'eyes = [{what = "width", unit = "UI", step = "red", centre = 0, spread = 0.1},\n'
        '{what = "height", unit = "UI", step = "raed", lane = 9, centre = 0.1, spread = 0.1}]\n'
        'rails = [{rail = "VDQQ", ohms = 9, spread = 9}, {rail = "VDQ", ohms = 9, spread = 1}]\n'
    )
    _, problems = profiles.examine(PROFILE + "[baseline]\nboards = 2.5\n" + entries, "my.toml")
    assert [p.message for p in problems if "baseline" in p.message] == [
        "my.toml: [baseline] boards is 2.5",
        "my.toml: [baseline] eye number 1: centre is 0",
        "my.toml: [baseline] rail VDQQ: spread is 9",
    ]
    _, problems = profiles.examine(
        PROFILE + "[baseline]\nboards = 2\n" + entries.replace("= 0,", "= 0.4,"), "my.toml"
    )
    assert [p.message for p in problems if "baseline" in p.message] == [
        "my.toml: [baseline] rail VDQQ: spread is 9",
        'my.toml: [baseline] eye number 1: there is no step "red"; nearest is "read"',
        'my.toml: [baseline] eye number 2: there is no step "raed"; nearest is "read"',
        "my.toml: [baseline] eye number 2: a height is not in UI (one of V, %, tap)",
        "my.toml: [baseline] eye number 2: no link of the profile has lane 9",
        'my.toml: [baseline] rail "VDQ": no [[rail]] has that name; nearest is "VDDQ"',
    ]


def test_a_rail_of_the_baseline_is_not_taken_for_the_profiles_own() -> None:
    board = read(replaced(PROFILE, LEARNT))
    rail = board.rail("VDDQ")
    assert rail is not None and rail.healthy_ohms_typical is None
    assert board.baseline is not None and board.baseline.rail("VDDQ") == LEARNT.rails[0]
