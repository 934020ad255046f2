"""Places: what covers what, what can be one, and which sites of a board each touches."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import WHOLE_BOARD, Board, Cause, Link, Place, Run, Site
from memdiag.reading.load import load
from memdiag.repair.comparison import compare
from memdiag.repair.paired_runs import PairedRuns, judged
from memdiag.reports import documents, heat_marks
from tests.support.marks import examples


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


DQS = st.none() | st.integers(0, 7) | st.tuples(st.integers(0, 3), st.integers(4, 7))
PLACES = st.builds(
    Place,
    site=st.sampled_from([None, "U1", "U2"]),
    channel=st.sampled_from([None, 0, 1, "A"]),
    rank=st.sampled_from([None, 0, 1]),
    lane=st.sampled_from([None, 0, 1]),
    dq=DQS,
    rail=st.sampled_from([None, "VDD"]),
    partition=st.sampled_from([None, "P0"]),
    group=st.sampled_from([None, ("U1", "U2"), ("U2", "U3")]),
).filter(lambda place: place.site is None or place.group is None)


@given(PLACES, PLACES, PLACES)
@settings(max_examples=examples(300), deadline=None)
def test_covering_is_an_order(a: Place, b: Place, c: Place) -> None:
    assert a.covers(a) and WHOLE_BOARD.covers(a)
    if a.covers(b) and b.covers(c):
        assert a.covers(c)
    if a.covers(b) and b.covers(a):
        assert a == b


@given(PLACES, PLACES)
@settings(max_examples=examples(300), deadline=None)
def test_meeting_is_mutual_and_follows_from_covering(a: Place, b: Place) -> None:
    assert a.meets(b) == b.meets(a)
    if a.covers(b):
        assert a.meets(b)


@given(PLACES, PLACES)
@settings(max_examples=examples(300), deadline=None)
def test_what_two_places_have_in_common_covers_both(a: Place, b: Place) -> None:
    both = a.common(b)
    assert both == b.common(a) and both.covers(a) and both.covers(b)


@given(PLACES, PLACES)
@settings(max_examples=examples(300), deadline=None)
def test_a_wider_place_touches_every_site_of_a_part_of_it(a: Place, b: Place) -> None:
    board = Board(
        "two",
        sites=(
            Site("U1", (Link(0, 0, 0), Link(0, 0, 1), Link("A", 0, 0)), rails=("VDD",)),
            Site("U2", (Link(1, 0, 0), Link(1, 1, 0)), rails=("VDD",), partition="P0"),
        ),
    )
    if a.covers(b) and b.site is None:
        assert set(b.sites(board)) <= set(a.sites(board))


def test_a_group_is_all_of_its_sites_and_no_other() -> None:
    some = Place(group=("U2", "U3", "U4"))
    assert some.sites(quince(12)) == ("U2", "U3", "U4") and not some.is_board
    assert str(some) == "the group U2 to U4"
    assert some.covers(Place(site="U3", channel=4)) and not some.covers(Place(site="U5"))
    assert some.meets(Place(site="U2")) and not some.meets(Place(site="U1"))
    assert some.speaks_of(Place(site="U4", channel=6, lane=1), quince(12))
    assert not some.speaks_of(Place(site="U1", channel=0, lane=1), quince(12))


@pytest.mark.parametrize("ill", [("U1", "U2", "U3", "U4"), ("U5", "U6", "U7", "U8")])
def test_without_a_profile_what_is_shared_is_named_by_its_sites(ill: tuple[str, ...]) -> None:
    """Half of the lanes of four packages in a row read rubbish: nobody knows what they share, but
    which packages they are. The rest of the board is spoken of as clear, in the table too."""
    rows = ["bench-dump 1", "[run]", "stage intake", "[counts]", "site ch lane bits errors"]
    for k in range(8):
        for ch in (2 * k, 2 * k + 1):
            for lane in (0, 1):
                bad = f"U{k + 1}" in ill and (lane + ch) % 2
                rows.append(f"U{k + 1} {ch} {lane} 400000000000 {200000000000 * bad}")
    (run,) = load("\n".join([*rows, "[end]"]))
    v = judge(run)
    assert v.summary.place.group == ill
    document = documents.scope_document(v.summary.place)
    assert document["group"] == list(ill) and document["site"] is None
    assert {row.site for row in v.table if row.cause != "clear"} == set(ill)
    assert set(heat_marks.marks(v)) == set(ill)
    assert not any("package at the group" in text for text in v.findings[0].next)


@pytest.mark.parametrize(
    ("place", "sites"),
    [
        (Place(site="U3", channel=4, lane=1), ("U3",)),
        (Place(rail="VDD_MEM_B"), ("U7", "U8", "U9", "U10", "U11", "U12")),
        (Place(partition="P1"), ("U3", "U4")),
        (Place(partition="P1", channel=4), ("U3",)),
        (Place(channel=23), ("U12",)),
        (Place(channel=23, lane=1, dq=(2, 3)), ("U12",)),
        (Place(lane=1), tuple(f"U{n}" for n in range(1, 13))),
        (Place(rail="VDD_CORE"), ()),
        (WHOLE_BOARD, tuple(f"U{n}" for n in range(1, 13))),
    ],
)
def test_the_sites_of_a_place(place: Place, sites: tuple[str, ...]) -> None:
    assert place.sites(quince(12)) == sites


def test_a_package_owns_its_data_lines_alone() -> None:
    """An x4 package owns half of a lane (JESD79-4: x4, x8 and x16 devices)."""
    low = Site("U1", (Link(0, 0, 0, (0, 1, 2, 3)),))
    high = Site("U2", (Link(0, 0, 0, (4, 5, 6, 7)),))
    board = Board("halves", sites=(low, high))
    assert Place(channel=0, lane=0, dq=5).sites(board) == ("U2",)
    assert Place(channel=0, lane=0, dq=(3, 4)).sites(board) == ("U1", "U2")


# --- a controller's lane ------------------------------------------------------------------------

REFS = tuple(f"U{n}" for n in range(1, 13))


def swept_board(stage: str, *, striped: bool) -> Run:
    """A board whose every lane trains. `striped`: dq 3 of lane 1 is wrong on every site at one
    distance of addresses, whatever sits there."""
    training = []
    for number, ref in enumerate(REFS):
        for channel in (2 * number, 2 * number + 1):
            training.append(f"{ref} {channel} - id pass -")
            training += [
                f"{ref} {channel} {lane} {step} pass {width}"
                for lane in (0, 1)
                for step, width in (("wck", "-"), ("read", "0.45UI"), ("write", "0.45UI"))
            ]
    errors = [
        f"{ref} {2 * number} 1 {0x100000 * k + 0x40 * number:#x} 0x00 0x08 ok"
        for number, ref in enumerate(REFS)
        for k in range(24)
    ]
    lines = ["bench-dump 1", "[run]", "board quince-12", f"stage {stage}", "memory gddr6"]
    lines += ["rate 14.0 Gbit/s", "[training]", "site ch lane step result width", *training]
    if striped:
        lines += ["[errors]", "site ch lane address wrote read edc", *errors]
    lines.append(f"[end] {len(training) + striped * len(errors)}")
    (run,) = load("\n".join(lines) + "\n")
    return run


def test_verdict_comparison_and_picture_mean_the_same_sites() -> None:
    before = swept_board("intake", striped=True)
    verdict = judge(before)
    (finding,) = (f for f in verdict.findings if f.cause is Cause.CONTROLLER)
    assert finding.place == Place(lane=1, dq=3)
    assert finding.place.sites(verdict.board) == REFS
    marked = {row.site for row in verdict.table if row.cause == "controller"}
    assert marked == set(REFS)
    assert {row.lane for row in verdict.table if row.cause == "controller"} == {1, None}
    assert tuple(heat_marks.marks(verdict)) == REFS
    made = compare(before, swept_board("after-swap", striped=False))
    (change,) = (c for c in made.findings if c.place == finding.place)
    assert change.place.sites(made.board) == REFS
    pair = PairedRuns(
        judged(before, made.board, None, verdict), judged(before, made.board, None, verdict), 0.95
    )
    assert {link.site for link in pair.keys_at(finding.place, pair.old)} == set(REFS)
    assert all(pair.touch(finding.place, Place(ref)) for ref in REFS)
