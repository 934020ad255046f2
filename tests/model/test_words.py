"""Places in words: a list of designators in short names exactly those, and a group is no one."""

from __future__ import annotations

import re

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from memdiag.model import Action, Place
from memdiag.model.in_short import sites_in_short
from memdiag.model.words import action_words, suspects, where
from tests.support.marks import examples

REFS = st.one_of(
    st.builds("{}{}".format, st.sampled_from(["U", "IC", "U1_", "Ü"]), st.integers(0, 40)),
    st.builds("{}{:03}".format, st.sampled_from(["U", ""]), st.integers(0, 120)),
    st.from_regex(r"[A-Z][A-Z0-9_.-]{0,6}", fullmatch=True),
    st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=5),
    st.just("U" + "9" * 5000),
)


def named(text: str) -> list[str]:
    """Every designator that the words name, by a reading of its own: a range counts on from its
    first, with as many digits at the least."""
    out: list[str] = []
    for part in text.split(", ") if text else []:
        first, _, last = part.partition(" to ")
        out.append(first)
        while last and out[-1] != last:
            digits = re.search(r"[0-9]+$", out[-1])
            assert digits is not None and len(out) < 10_000
            count = str(int(digits.group()) + 1).rjust(len(digits.group()), "0")
            out.append(out[-1][: digits.start()] + count)
    return out


@given(st.lists(REFS, max_size=30))
@example(["U8", "U9", "U10", "U09", "U010", "U99", "U100", "U101"])
@example(["U098", "U099", "U100", "U0", "U00", "U1"])
@settings(max_examples=examples(400), deadline=None)
def test_the_short_list_names_exactly_those_sites(refs: list[str]) -> None:
    text = sites_in_short(refs)
    assert sorted(named(text)) == sorted(set(refs))
    assert sites_in_short(list(reversed(refs))) == text


@given(st.integers(0, 2000), st.integers(3, 60))
def test_a_row_of_designators_is_one_range(first: int, count: int) -> None:
    row = [f"U{first + n}" for n in range(count)]
    assert sites_in_short(row) == f"{row[0]} to {row[-1]}"


@pytest.mark.parametrize(
    ("refs", "words"),
    [
        ([], ""),
        (["U6"], "U6"),
        (["U2", "U1"], "one of U1, U2"),
        (["U1", "U2", "U3", "U4", "U5", "U6"], "one of U1 to U6"),
        (["U1", "U2", "U5", "U6", "U7", "U8"], "one of U1, U2, U5 to U8"),
        (["U9", "U10", "U11", "IC3"], "one of IC3, U9 to U11"),
        (["U08", "U09", "U10"], "one of U08 to U10"),
    ],
)
def test_a_group_is_said_in_short(refs: list[str], words: str) -> None:
    assert suspects(refs) == words


def test_a_place_of_a_group_names_the_group_and_what_they_share() -> None:
    assert where(Place("U6", 3, lane=1)) == "U6 channel 3 lane 1"
    assert where(Place()) == "the board"
    assert where(Place(), ("U1", "U2")) == "one of U1, U2"
    assert where(Place(rail="VDDQ"), ("U1", "U2")) == "one of U1, U2 on rail VDDQ"
    assert where(Place("U1", 3), ("U1", "U2")) == "one of U1, U2 on channel 3"


def test_what_is_to_be_done_to_a_group_names_no_one_of_it() -> None:
    assert action_words(Action.LEAVE, Place("U6")) == "LEAVE U6 alone for now"
    said = action_words(Action.LEAVE, Place(rail="VDDQ"), ("U1", "U2", "U3"))
    assert said == "LEAVE one of U1 to U3 alone for now"
