"""Two runs laid side by side, from dumps as a technician pastes them.

What follows from swapping, replacing and reflowing is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag import stats
from memdiag.diagnosis.judge import judge
from memdiag.evidence.measurements import measure
from memdiag.model import Action, Cause, Finding, Place, Quote
from memdiag.model.comparison import Change, ChangeKind, Comparison, Outcome
from memdiag.repair.alignment import Counts, align, gather, lines_of
from memdiag.repair.comparison import compare, history
from memdiag.repair.part_swaps import JOINT, PACKAGE, SITE
from memdiag.repair.rate_change import excluded, rate_change
from tests.support.marks import examples
from tests.support.twodumps import (
    BITS,
    GONE,
    HEALTHY,
    WARNED,
    WEAK,
    after,
    before,
    board,
    compared,
    document,
    dump,
    judged,
    run,
)


def at(made: Comparison, site: str) -> Change:
    """The change of the finding at a site."""
    (found,) = [c for c in made.findings if c.place.site == site]
    return found


def codes(made: Comparison) -> set[str]:
    return {p.code for p in made.problems}


# ---- the bench's own story ----


def test_package_off_then_fitted_closes_the_case() -> None:
    """Common practice, no source: with a package deliberately off its site is missing, every
    other one warns, and a few errors elsewhere decide nothing. All of it gone after fitting."""
    others = {s.ref: WARNED for s in board().sites if s.ref != "U6"}
    bare = before(
        {**others, "U6": GONE, "U9/16/1": {**WARNED, "errors": 5}},
        head={"stage": "bare", "removed": "U6"},
    )
    fitted = after(head={"stage": "after-swap", "replaced": "U6"})
    made = compared(bare, fitted)
    assert made.outcome is Outcome.REPAIRED
    assert at(made, "U6").kind is ChangeKind.CLEARED
    assert "empty on purpose" in at(made, "U6").because
    ninth = at(made, "U9")
    assert ninth.kind is ChangeKind.CLEARED and ninth.before.errors == 5 and ninth.after.errors == 0
    assert "was spillover from U6" in ninth.because


def test_the_whole_sequence_in_one_history() -> None:
    others = {s.ref: WARNED for s in board().sites if s.ref != "U6"}
    texts = [
        before({**others, "U6": GONE}),
        dump(
            {**others, "U6": GONE, "U9/16/1": {**WARNED, "errors": 4}},
            head={"id": "bare", "stage": "bare", "removed": "U6", "at": "2031-03-05T11:00:00Z"},
        ),
        dump(
            head={
                "id": "swap",
                "stage": "after-swap",
                "replaced": "U6",
                "at": "2031-03-05T13:00:00Z",
            }
        ),
        after(),
    ]
    made = history([run(text) for text in texts])
    assert made.outcome is Outcome.REPAIRED
    assert made.history is not None
    assert [s.outcome for s in made.history.stages] == [
        None,
        Outcome.NOT_REPAIRED,
        Outcome.REPAIRED,
        Outcome.NOTHING_TO_REPAIR,
    ]
    track = next(t for t in made.history.tracks if t.place.site == "U6")
    assert [f.cause if f else None for f in track.findings] == [
        Cause.MISSING,
        Cause.MISSING,
        None,
        None,
    ]
    assert track.findings[1] is not None and track.findings[1].expected
    # What was done in between was declared by a run in the middle.
    assert "new package" in at(made, "U6").because
    assert len(document(made)["history"]["stages"]) == 4


def test_a_fault_that_showed_only_in_between_must_be_borne_out_too() -> None:
    middle = dump(
        {"U2": WEAK}, head={"id": "m", "stage": "after-swap", "at": "2031-03-05T11:00:00Z"}
    )
    short = {s.ref: {"bits": 10**7} for s in board().sites}
    made = history([run(before({"U6": GONE})), run(middle), run(after(short))])
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert made.needed_for is not None and made.needed_for.site == "U2"


def test_history_of_one_run_is_refused() -> None:
    with pytest.raises(ValueError, match="two runs"):
        history([run(before())])


# ---- alignment ----


@pytest.mark.parametrize("name", ["quince-12", "quince-8", "quince-2"])
def test_row_order_does_not_matter(name: str) -> None:
    site = board(name).sites[0].ref
    first = before({site: WEAK}, name=name)
    forwards = document(compared(first, after(name=name)))
    backwards = document(compared(first, after(name=name, reverse=True)))
    for made in (forwards, backwards):
        made["after"].pop("sha256")
    assert forwards == backwards


def test_links_that_name_less_meet_the_only_one_they_can_mean() -> None:
    pairs = align(
        [Place("U1", 0, 0, 0), Place("U1", 0, 0, 1), Place("U2", 1, 0, 0)],
        [Place("U1", 0, None, 0), Place(None, 0, 0, 1), Place("U3", 2, 0, 0)],
    )
    assert set(pairs) == {
        (Place("U1", 0, 0, 0), Place("U1", 0, None, 0)),
        (Place("U1", 0, 0, 1), Place(None, 0, 0, 1)),
        (Place("U2", 1, 0, 0), None),
        (None, Place("U3", 2, 0, 0)),
    }


def test_a_link_that_could_mean_two_is_not_guessed() -> None:
    pairs = align([Place(None, 0, 0, 0)], [Place("U1", 0, 0, 0), Place("U2", 0, 0, 0)])
    assert all(a is None or b is None for a, b in pairs)


KEYS = st.builds(
    Place,
    st.sampled_from([None, "U1", "U2", "U3"]),
    st.sampled_from([None, 0, 1, "A"]),
    st.sampled_from([None, 0, 1]),
    st.sampled_from([None, 0, 1, 2]),
)


@given(st.lists(KEYS, unique=True, max_size=8), st.lists(KEYS, unique=True, max_size=8))
@settings(max_examples=examples(80), deadline=None)
def test_every_link_is_in_one_pair(a: list, b: list) -> None:  # type: ignore[type-arg]
    pairs = align(a, b)
    assert sorted(map(str, (x for x, _ in pairs if x is not None))) == sorted(map(str, a))
    assert sorted(map(str, (y for _, y in pairs if y is not None))) == sorted(map(str, b))
    assert {(x, x) for x in a if x in b} <= set(pairs)


def test_lines_counted_from_the_profile() -> None:
    everything = [Place(s.ref) for s in board().sites]
    assert lines_of(everything, board()) == 12 * 2 * 2 * 8  # packages, channels, lanes, lines
    assert lines_of([Place("U6", 10, 0, 1)], board()) == 8
    assert lines_of([Place(s.ref) for s in board("quince-8").sites], board("quince-8")) == 64


def test_without_a_profile_the_rows_are_the_board() -> None:
    one = before({"U6": WEAK}, head={"board": "bench-proto"})
    two = after(head={"board": "bench-proto", "replaced": "U6"})
    made = compared(one, two)
    assert made.outcome is Outcome.REPAIRED and not made.board.known


# ---- unlike runs ----


@pytest.mark.parametrize(
    ("setting", "head"),
    [
        ("board", {"board": "quince-8"}),
        ("serial", {"serial": "Q-00418"}),
        ("memory", {"memory": "gddr5"}),
        ("rate", {"rate": "16.0 Gbit/s"}),
    ],
)
def test_unlike_settings_are_refused_by_name(setting: str, head: dict[str, str]) -> None:
    made = compared(before({"U6": WEAK}), after(head=head))
    assert made.outcome is Outcome.NOT_COMPARABLE and made.differs == (setting,)
    assert made.changes == () and setting in made.why


def test_unlike_tests_are_refused() -> None:
    made = compared(before({"U6": WEAK}), after().replace(" walk ", " march "))
    assert made.differs == ("test",) and "walk" in made.why and "march" in made.why


POINTS = """bench-dump 1
[run]
board   bench-lp
memory  lpddr4
rate    3.2 Gbit/s
id      {id}
[training]
ch lane step result
A 0 read pass
A 1 read {read}
[counts]
ch lane point test bits errors
A 0 {point} walk 1000000000 0
A 1 {point} walk 1000000000 {errors}
[end] 4
"""


def test_unlike_set_points_are_refused_and_like_ones_compared() -> None:
    first = POINTS.format(id="a", point="1600", read="fail", errors=9000)
    made = compared(first, POINTS.format(id="b", point="800", read="pass", errors=0))
    assert made.differs == ("point",) and "1600" in made.why and "800" in made.why
    made = compared(first, POINTS.format(id="b", point="1600", read="pass", errors=0))
    assert made.differs == () and made.outcome is Outcome.REPAIRED
    half = POINTS.format(id="b", point="1600", read="pass", errors=0)
    half = "\n".join(line for line in half.splitlines() if not line.startswith("A 0"))
    made = compared(first, half.replace("[end] 4", "[end] 2"))
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert any("lane 0" in r.says for r in made.reasons)


def test_two_data_lines_of_one_lane_are_two_places() -> None:
    one, two = run(before()), run(after())
    dead = Finding(
        Place("U6", 10, 0, 0, 3),
        Cause.JOINT,
        0.97,
        ((Cause.CLEAR, 0.03),),
        None,
        Action.REFLOW,
        "by hand",
        evidence=(Quote(12, "by hand"),),
    )
    other = replace(dead, place=Place("U6", 10, 0, 0, (4, 5)), cause=Cause.BRIDGE)
    made = compare(
        one,
        two,
        before_verdict=replace(judge(one, board()), findings=(dead,)),
        after_verdict=replace(judge(two, board()), findings=(other,)),
    )
    assert {(c.place.dq, c.kind) for c in made.findings} == {
        (3, ChangeKind.CLEARED),
        ((4, 5), ChangeKind.NEW),
    }
    document(made)


def test_only_tests_of_both_runs_are_compared() -> None:
    text = after()
    row = "U6 10 0 0 march - 1000000 7"
    longer = text.replace("[end] 144", f"{row}\n[end] 145")
    assert row in longer
    made = compared(before({"U6": WEAK}), longer)
    link = next(c for c in made.links if c.place == Place("U6", 10, 0, 0))
    assert link.after.errors == 0 and link.after.bits == BITS  # march is not in BEFORE
    assert "compare-drifted" in codes(made)


@pytest.mark.parametrize("setting", ["board", "memory", "rate"])
def test_a_missing_setting_is_a_warning(setting: str) -> None:
    made = compared(before({"U6": WEAK}, head={setting: None}), after(head={"replaced": "U6"}))
    assert made.outcome is Outcome.REPAIRED
    said = [p for p in made.problems if p.code == "compare-unsaid"]
    assert [setting in p.message and "BEFORE" in p.message for p in said] == [True]


def test_a_setting_neither_run_says_is_a_warning_but_a_serial_is_not() -> None:
    none = {"rate": None, "serial": None}
    made = compared(before({"U6": WEAK}, head=none), after(head={"replaced": "U6", **none}))
    said = [p.message for p in made.problems if p.code == "compare-unsaid"]
    assert len(said) == 1 and "neither run" in said[0] and "rate" in said[0]
    assert made.outcome is Outcome.REPAIRED


def test_the_same_rate_in_other_words_is_the_same() -> None:
    made = compared(before(head={"rate": "14.0 Gbit/s"}), after(head={"rate": "14000 Mbit/s"}))
    assert made.outcome is Outcome.NOTHING_TO_REPAIR


@pytest.mark.parametrize("twin", [str, lambda t: t.replace("\n", "\r\n")])
def test_the_same_dump_twice_is_said(twin) -> None:  # type: ignore[no-untyped-def]
    text = before({"U6": WEAK})
    made = compared(text, twin(text))
    assert made.differs == ("dump",) and "same dump" in made.why and "after the repair" in made.todo


def test_the_same_hash_is_the_same_dump_where_the_text_was_not_kept() -> None:
    bare = replace(run(before()), text=())
    assert compare(bare, bare).differs == ("dump",)


@pytest.mark.parametrize(
    ("setting", "first", "last"),
    [
        ("at", {"at": "2031-03-06T09:00:00Z", "stage": None}, {"stage": None}),
        ("stage", {"stage": "final", "at": None}, {"stage": "intake", "at": None}),
        ("at", {"at": "2031-03-05T15:00:01+00:00", "stage": None}, {"stage": None}),
    ],
)
def test_runs_the_wrong_way_round(setting: str, first: dict, last: dict) -> None:  # type: ignore[type-arg]
    one, two = before({"U6": WEAK}, head=first), after(head=last)
    made = compared(one, two)
    assert made.differs == (setting,) and "wrong way round" in made.why and "older" in made.todo
    assert compared(one, two, any_order=True).outcome is Outcome.REPAIRED


def test_dates_in_two_zones_are_one_time_line() -> None:
    made = compared(
        before(head={"at": "2031-03-05T16:30:00+02:00"}), after(head={"at": "2031-03-05T15:00:00Z"})
    )
    assert made.outcome is Outcome.NOTHING_TO_REPAIR


def test_dates_against_stages_is_a_warning() -> None:
    made = compared(before(head={"at": "2031-03-06T09:00:00Z"}), after())
    assert made.outcome is Outcome.NOTHING_TO_REPAIR and "compare-order-unclear" in codes(made)


def test_no_repair_is_confirmed_by_a_cut_dump() -> None:
    cut = after(head={"replaced": "U6"}).replace("[end] 144", "")
    made = compared(before({"U6": WEAK}), cut)
    assert made.outcome is Outcome.TOO_LITTLE_DATA and "cut" in made.headline
    assert "compare-cut" in codes(made)


def test_a_cut_first_dump_is_a_warning() -> None:
    cut = before({"U6": WEAK}).replace("[end] 144", "")
    made = compared(cut, after(head={"replaced": "U6"}))
    assert made.outcome is Outcome.REPAIRED and "compare-cut" in codes(made)


def test_another_temperature_is_said() -> None:
    made = compared(before(), after(head={"ambient": "41 C"}))
    assert any("temperature" in p.message for p in made.problems)
    assert not any("temperature" in p.message for p in compared(before(), after()).problems)


# ---- what is cleared, and what is not ----


@pytest.mark.parametrize("name", ["quince-12", "quince-8", "quince-2"])
@pytest.mark.parametrize("fault", [GONE, WEAK])
def test_a_new_package_that_works(name: str, fault: dict) -> None:  # type: ignore[type-arg]
    site = board(name).sites[-1].ref
    made = compared(before({site: fault}, name=name), after(name=name, head={"replaced": site}))
    assert made.outcome is Outcome.REPAIRED and made.needed_bits is None
    assert at(made, site).kind is ChangeKind.CLEARED and at(made, site).points_to == PACKAGE


def test_two_healthy_runs() -> None:
    made = compared(before(), after())
    assert made.outcome is Outcome.NOTHING_TO_REPAIR
    assert made.headline == "Neither run shows a fault."
    assert {c.kind for c in made.links} == {ChangeKind.SAME}


def test_too_few_bits_say_how_many_are_needed_and_how_long() -> None:
    short = {"U6": {"bits": 10**8}}
    made = compared(before({"U6": WEAK}), after(short, head={"replaced": "U6"}))
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    # More than independent errors would need (N = -ln(1 - CL) / BER: Redd 2000, Lightwave,
    # April), and no more than if all errors had been one event in all the bits.
    assert made.needed_bits is not None
    assert -math.log(0.05) / (5000 / BITS) < made.needed_bits < -math.log(0.05) * 4 * BITS
    assert made.needed_bits == math.ceil(stats.multiple_to_exclude(20_000, 0.05) * 4 * BITS)
    # Four lanes of eight lines, 14 Gbit/s each.
    assert made.needed_seconds == pytest.approx(made.needed_bits / (32 * 14e9))
    assert at(made, "U6").kind is ChangeKind.TOO_LITTLE_DATA


@given(st.integers(1, 4000), st.sampled_from([0.9, 0.95, 0.99]), st.integers(10**9, 10**13))
@settings(max_examples=examples(60), deadline=None)
def test_just_enough_bits_exclude_the_earlier_rate(
    errors: int, confidence: float, bits: int
) -> None:
    old = [Counts(bits, errors, None)]
    short = rate_change(old, [Counts(1, 0, None)], confidence)
    assert short is not None
    need = short.bits_to_exclude(1 - confidence)
    assert need is not None
    for given_bits, wanted in ((need, True), (need - need // 100 - 1, False)):
        change = rate_change(old, [Counts(max(1, given_bits), 0, None)], confidence)
        assert excluded([change], confidence) == [wanted]


@given(st.integers(1, 4000), st.sampled_from([0.9, 0.95, 0.99]), st.integers(10**9, 10**13))
@settings(max_examples=examples(60), deadline=None)
def test_just_enough_bits_exclude_distinct_cells(cells: int, confidence: float, bits: int) -> None:
    old = [Counts(bits, 3 * cells, cells)]
    short = rate_change(old, [Counts(1, 0, 0)], confidence)
    assert short is not None
    need = short.bits_to_exclude(1 - confidence)
    assert need is not None
    for given_bits, wanted in ((need, True), (need - need // 100 - 1, False)):
        change = rate_change(old, [Counts(max(1, given_bits), 0, 0)], confidence)
        assert excluded([change], confidence) == [wanted]
        # The same in other words: the one-sided limit of the later run against the earlier rate.
        limit = stats.poisson_limits(0, confidence, sided=1)[1] / max(1, given_bits)
        assert (limit <= cells / bits * (1 + 1e-9)) is wanted


def test_one_wrong_repaired_hurts_so_all_places_share_the_risk() -> None:
    # Holm 1979 over three places whose earlier rate is each excluded at 95 % by itself.
    each = rate_change([Counts(10**9, 4, 4)], [Counts(10**9, 0, 0)], 0.95)
    assert each is not None and each.p_none == pytest.approx(math.exp(-4))  # 0.018
    assert excluded([each], 0.95) == [True]
    assert excluded([each, each], 0.95) == [True, True]  # 2 x 0.018
    assert excluded([each] * 3, 0.95) == [False] * 3  # 3 x 0.018


def test_what_did_not_run_is_not_cleared() -> None:
    idle = {"U6": {"read": "not-run", "width": None, "bits": None, "errors": None}}
    made = compared(before({"U6": WEAK}), after(idle, head={"replaced": "U6"}))
    assert made.outcome is not Outcome.REPAIRED
    assert at(made, "U6").kind in (ChangeKind.TOO_LITTLE_DATA, ChangeKind.REMAINS)


def test_a_step_left_out_is_not_cleared() -> None:
    text = after(head={"replaced": "U6"})
    rows = [
        line for line in text.splitlines() if not line.startswith("U6 ") or " read " not in line
    ]
    dropped = len(text.splitlines()) - len(rows)
    made = compared(
        before({"U6": WEAK}), "\n".join(rows).replace("[end] 144", f"[end] {144 - dropped}")
    )
    assert (
        at(made, "U6").kind is ChangeKind.TOO_LITTLE_DATA
        and "read did not run" in at(made, "U6").because
    )


def test_a_site_the_later_run_leaves_out() -> None:
    text = after(head={"replaced": "U6"})
    rows = [line for line in text.splitlines() if not line.startswith("U3 ")]
    dropped = len(text.splitlines()) - len(rows)
    made = compared(
        before({"U6": WEAK}), "\n".join(rows).replace("[end] 144", f"[end] {144 - dropped}")
    )
    assert made.outcome is Outcome.TOO_LITTLE_DATA and "U3" in made.why
    assert "compare-not-measured" in codes(made)


def _no_counts(text: str) -> str:
    head, _, _ = text.partition("[counts]")
    return head + "[end] 96\n"


def test_training_alone_is_enough_where_nothing_was_counted() -> None:
    one = _no_counts(before({"U6": {**WEAK, "errors": None}}))
    made = compared(one, _no_counts(after(head={"replaced": "U6"})))
    assert made.outcome is Outcome.REPAIRED and "read now passes" in at(made, "U6").because


def test_training_alone_does_not_exclude_a_counted_rate() -> None:
    made = compared(before({"U6": WEAK}), _no_counts(after(head={"replaced": "U6"})))
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert "AFTER counts no bits" in at(made, "U6").because
    assert made.needed_bits == math.ceil(stats.multiple_to_exclude(20_000, 0.05) * 4 * BITS)


def test_errors_without_bits_give_no_rate_to_exclude() -> None:
    made = compared(before({"U6": {**WEAK, "bits": None}}), after(head={"replaced": "U6"}))
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert "BEFORE counts no bits" in at(made, "U6").because and made.needed_bits is None


def test_a_few_errors_left_are_not_a_repair() -> None:
    left = {"U6/10/0": {"errors": 40}}
    made = compared(before({"U6": WEAK}), after(left, head={"replaced": "U6"}))
    assert made.outcome is Outcome.NOT_REPAIRED
    assert at(made, "U6").kind in (ChangeKind.BETTER, ChangeKind.REMAINS)


def test_a_new_fault_is_worse_but_a_hidden_one_is_not() -> None:
    harmed = compared(before({"U6": WEAK}), after({"U7": GONE}, head={"replaced": "U6"}))
    assert harmed.outcome is Outcome.WORSE and at(harmed, "U7").kind is ChangeKind.NEW
    assert harmed.headline.startswith("U7 missing")
    # U7 was never reached before: found now, it was merely hidden.
    idle = {"id": "not-run", "read": "not-run", "width": None, "bits": None, "errors": None}
    one, two = before({"U6": GONE, "U7": idle}), after({"U7": WEAK}, head={"replaced": "U6"})
    sixth = tuple(f for f in judged(one).findings if f.place.site == "U6")
    made = compare(
        run(one),
        run(two),
        before_verdict=replace(judged(one), findings=sixth),
        after_verdict=judged(two),
    )
    assert made.outcome is Outcome.NOT_REPAIRED
    assert at(made, "U7").kind is ChangeKind.NEW and "did not test it" in at(made, "U7").because


def test_a_fault_that_got_graver_is_worse() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": GONE}))
    assert made.outcome is Outcome.WORSE and at(made, "U6").kind is ChangeKind.WORSE


def test_spillover_that_vanished_confirms_and_what_stayed_is_a_finding() -> None:
    near = {"U5": WARNED, "U7": WARNED}
    made = compared(before({"U6": GONE, **near}), after(head={"replaced": "U6"}))
    assert "confirms it" in at(made, "U6").because
    assert made.outcome is Outcome.REPAIRED
    stays = compared(before({"U6": GONE, **near}), after({"U5": WEAK}, head={"replaced": "U6"}))
    assert stays.outcome is Outcome.NOT_REPAIRED
    assert at(stays, "U5").kind is ChangeKind.REMAINS
    assert "now a finding of its own" in at(stays, "U5").because
    assert at(stays, "U7").kind is ChangeKind.CLEARED


def test_a_site_taken_off_is_neither_cleared_nor_new() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": GONE}, head={"removed": "U6"}))
    assert made.outcome is Outcome.NOT_REPAIRED
    assert at(made, "U6").kind is ChangeKind.TOO_LITTLE_DATA and "on purpose" in made.headline
    assert "Fit a package at U6" in made.todo
    assert all(c.kind is not ChangeKind.NEW for c in made.changes)


def test_fitted_but_still_silent() -> None:
    made = compared(before({"U6": GONE}, head={"removed": "U6"}), after({"U6": GONE}))
    assert made.outcome is Outcome.NOT_REPAIRED
    assert "not right yet" in at(made, "U6").because


def test_a_failed_step_no_finding_speaks_of_is_no_repair() -> None:
    one, two = before({"U6": WEAK}), after({"U3/4/1": {"read": "fail"}}, head={"replaced": "U6"})
    made = compare(
        run(one),
        run(two),
        before_verdict=judged(one),
        after_verdict=replace(judged(two), findings=()),
    )
    assert made.outcome is Outcome.WORSE and "U3 channel 4 lane 1" in made.headline
    assert "Read pass -> fail" in made.why
    quiet = replace(judged(two), findings=())
    again = compare(
        run(two),
        run(after(head={"id": "more"})),
        before_verdict=quiet,
        after_verdict=judged(after(head={"id": "more"})),
    )
    assert again.outcome is Outcome.REPAIRED
    idle = after(
        {
            "U3/4/1": {
                "read": "not-run",
                "width": None,
                "bits": None,
                "errors": None,
                "id": "not-run",
            }
        },
        head={"id": "more"},
    )
    left = compare(
        run(two), run(idle), before_verdict=quiet, after_verdict=replace(judged(idle), findings=())
    )
    assert left.outcome is Outcome.TOO_LITTLE_DATA and "U3" in left.why


# ---- following the part ----

SWAP = {"swapped": "U6>U9 U9>U6"}


def test_the_fault_followed_the_part() -> None:
    made = compared(before({"U6": WEAK}), after({"U9": WEAK}, head=SWAP))
    assert made.outcome is Outcome.NOT_REPAIRED
    assert [(c.kind, c.points_to) for c in made.findings] == [(ChangeKind.MOVED, PACKAGE)]
    assert "U6 to U9" in made.headline and "U9" in made.todo


def test_the_fault_stayed_at_the_site() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": WEAK}, head=SWAP))
    assert at(made, "U6").kind is ChangeKind.REMAINS and at(made, "U6").points_to == SITE
    assert made.todo.startswith("No further package at U6")


def test_the_fault_went_with_the_swap_itself() -> None:
    made = compared(before({"U6": WEAK}), after(head=SWAP))
    assert made.outcome is Outcome.REPAIRED and at(made, "U6").points_to == JOINT
    assert "compare-may-come-back" in codes(made) and "once more" in made.todo


def test_the_fault_shows_at_both_places() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": WEAK, "U9": WEAK}, head=SWAP))
    assert at(made, "U6").kind is ChangeKind.REMAINS and at(made, "U6").points_to is None
    assert "U9 too" in at(made, "U6").because


def test_two_faults_swapped_say_little() -> None:
    both = {"U6": WEAK, "U9": WEAK}
    made = compared(before(both), after(both, head=SWAP))
    assert all(c.points_to is None for c in made.findings)
    assert "says little" in at(made, "U6").because


def test_a_swap_declared_before_already_is_not_this_repair() -> None:
    made = compared(before({"U6": WEAK}, head=SWAP), after({"U6": WEAK}, head=SWAP))
    assert at(made, "U6").points_to is None


def test_a_new_package_with_the_same_fault() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": WEAK}, head={"replaced": "U6"}))
    assert at(made, "U6").kind is ChangeKind.REMAINS and at(made, "U6").points_to == SITE


def test_gone_after_reflow_only_may_come_back() -> None:
    made = compared(before({"U6": WEAK}), after(head={"reflowed": "U6"}))
    assert made.outcome is Outcome.REPAIRED and at(made, "U6").points_to == JOINT
    assert "compare-may-come-back" in codes(made)


def test_reflow_that_did_not_help() -> None:
    made = compared(before({"U6": WEAK}), after({"U6": WEAK}, head={"reflowed": "U6"}))
    assert at(made, "U6").kind is ChangeKind.REMAINS and "did not help" in at(made, "U6").because


# ---- rates ----


def test_rate_of_a_link_is_the_exact_conditional_test() -> None:
    # R, ?poisson.test: 11 in 800 against 21 in 3011, ratio 1.971488, interval .8584264-4.2772659;
    # the central p is this project's, the interval is R's.
    change = rate_change([Counts(3011, 21, 21)], [Counts(800, 11, 11)], 0.95)
    assert change is not None and change.ratio == pytest.approx(1.971488, abs=5e-7)
    assert (change.low, change.high) == pytest.approx((0.8584264, 4.2772659), abs=5e-8)


def test_one_count_each_is_compared_as_bursts() -> None:
    one, two = [Counts(10**12, 2000, None)], [Counts(10**12, 5000, None)]
    change = rate_change(one, two, 0.95)
    assert change is not None and change.p is not None and change.p > 0.05
    assert change.p_steady is not None and change.p_steady < 1e-100  # independent, no doubt of it
    assert "bursts" in change.basis and "one count each" in change.basis


def test_repeats_of_one_cell_are_one_cell() -> None:
    made = rate_change([Counts(10**9, 9000, 2)], [Counts(10**9, 16000, 3)], 0.95)
    assert made is not None and made.ratio == pytest.approx(1.5)
    assert made.p == stats.conditional_test(3, 1, 2, 1).p  # 1.0: not different
    assert "distinct failing addresses" in made.basis and "9,000 errors" in made.basis


def test_scatter_of_the_attempts_is_used_and_said() -> None:
    noisy = tuple((10**9, e) for e in (900, 20, 2000, 400))
    calm = tuple((10**9, e) for e in (300, 60, 900, 120))
    made = rate_change(
        [Counts(4 * 10**9, 3320, None, noisy)], [Counts(4 * 10**9, 1380, None, calm)], 0.95
    )
    assert made is not None and made.p is not None and made.p > 0.05
    assert "4 attempts scatter" in made.basis and "times as much" in made.basis
    plain = stats.conditional_test(1380, 4, 3320, 4)
    assert plain.p < 1e-100


def test_lanes_scatter_where_both_runs_have_errors() -> None:
    one = [Counts(10**9, e, None) for e in (10, 900, 30, 200)]
    two = [Counts(10**9, e, None) for e in (400, 20, 700, 90)]
    made = rate_change(one, two, 0.95)
    assert made is not None and made.p is not None and made.p > 0.05 and "4 lanes" in made.basis
    # One sick lane of four, then none: nothing to doubt in a run without any error.
    clean = rate_change(
        [Counts(10**9, e, None) for e in (10_000, 3, 1, 0)], [Counts(10**9, 0, 0)] * 4, 0.95
    )
    assert clean is not None and excluded([clean], 0.95) == [True]


def test_bursts_need_more_bits_than_independent_errors() -> None:
    burst = rate_change(
        [Counts(4 * 10**9, 1000, None, ((10**9, 0), (10**9, 0), (10**9, 1000), (10**9, 0)))],
        [Counts(10**9, 0, 0)],
        0.95,
    )
    steady = rate_change(
        [Counts(4 * 10**9, 1000, None, tuple((10**9, 250) for _ in range(4)))],
        [Counts(10**9, 0, 0)],
        0.95,
    )
    assert burst is not None and steady is not None
    # One event in 4e9 bits: 3.0 times as many exclude it (rule of three); 1000 events: 0.3 %.
    assert burst.bits_to_exclude(0.05) == pytest.approx(2.996 * 4e9, rel=1e-3)
    assert steady.bits_to_exclude(0.05) == pytest.approx(2.996 * 4e6, rel=1e-3)
    assert excluded([burst], 0.95) == [False] and excluded([steady], 0.95) == [True]


def test_like_runs_with_bursts_are_seldom_called_different() -> None:
    """scipy's and numpy's negative binomial, variance 101 means, over the tool's own links."""
    rng = np.random.default_rng(5)
    called = 0
    for _ in range(300):
        draws = rng.negative_binomial(4, 4 / 404, size=10)
        sides = [tuple((10**9, int(e)) for e in part) for part in (draws[:5], draws[5:])]
        one, two = ([Counts(5 * 10**9, sum(e for _, e in s), None, s)] for s in sides)
        change = rate_change(one, two, 0.95)
        called += change is not None and change.p is not None and change.p < 0.05
    assert called < 30  # 15 expected


def test_attempts_come_through_from_the_dump() -> None:
    first = before({"U6": {**WEAK, "errors": [900, 20, 2000, 400]}}, attempts=4)
    made = compared(first, after({"U6": {**WEAK, "errors": [300, 60, 900, 120]}}, attempts=4))
    change = at(made, "U6")
    assert change.kind is ChangeKind.REMAINS and change.rate is not None
    assert "4 attempts scatter" in change.rate.basis and change.rate.p_adjusted > 0.05


def test_cells_come_through_from_the_dump() -> None:
    first = before({"U6/10/0": {"errors": 9000, "cells": 2}}, columns=("errors", "cells"))
    second = after({"U6/10/0": {"errors": 16000, "cells": 3}}, columns=("errors", "cells"))
    made = compared(first, second)
    link = next(c for c in made.links if c.place == Place("U6", 10, 0, 0))
    assert link.kind is ChangeKind.REMAINS and link.rate is not None
    assert "distinct failing addresses" in link.rate.basis


def test_p_values_are_adjusted_for_the_number_of_links() -> None:
    small = {"errors": 9, "cells": 9}
    dumps = [{f"U6/{c}/{lane}": small for c in (10, 11) for lane in (0, 1)}, None]
    more = {"columns": ("errors", "cells")}
    made = compared(before(dumps[1], **more), after(dumps[0], **more))
    tested = [c for c in made.links if c.rate is not None]
    assert len(tested) == 4
    for c in tested:
        assert c.rate is not None and c.rate.p == pytest.approx(2 * 0.5**9)
        assert c.rate.p_adjusted == pytest.approx(min(1, 4 * 2 * 0.5**9))


# ---- eyes ----


def test_all_eyes_narrower_together_is_no_change() -> None:
    warm = {s.ref: {"width": 0.40} for s in board().sites}
    made = compared(before(), after(warm))
    assert {c.kind for c in made.links} == {ChangeKind.SAME}
    assert made.outcome is Outcome.NOTHING_TO_REPAIR


def test_one_eye_that_closed_stands_out_from_its_peers() -> None:
    made = compared(before(), after({"U6/10/0": {"width": 0.30}}))
    link = next(c for c in made.links if c.place == Place("U6", 10, 0, 0))
    assert link.kind is ChangeKind.WORSE and "0.48 -> 0.32 UI" in link.because
    assert sum(c.kind is ChangeKind.WORSE for c in made.links) == 1


def test_a_tap_more_or_less_is_no_change() -> None:
    made = compared(before(), after({"U6/10/0": {"width": 0.44}, "U2/2/0": {"width": 0.48}}))
    assert {c.kind for c in made.links} == {ChangeKind.SAME}


def test_an_eye_that_opened_clears_a_thin_one() -> None:
    thin = {"U6": {"width": 0.14}}
    made = compared(before(thin), after(head={"replaced": "U6"}))
    assert made.outcome is Outcome.REPAIRED
    assert "eye 0.14" in at(made, "U6").because or "eye 0.15" in at(made, "U6").because


# ---- verdicts made by hand ----


def test_given_verdicts_are_taken_as_they_are() -> None:
    one, two = run(before()), run(after())
    healthy = judge(one, board())
    made_up = Finding(
        Place(site="U3"),
        Cause.WEAK,
        0.97,
        ((Cause.CLEAR, 0.03),),
        None,
        Action.REPLACE,
        "by hand",
        evidence=(Quote(12, "by hand"),),
    )
    made = compare(
        one,
        two,
        before_verdict=replace(healthy, findings=(made_up,)),
        after_verdict=judge(two, board()),
    )
    assert at(made, "U3").kind is ChangeKind.CLEARED
    rail = replace(made_up, place=Place(rail="VDD_MEM_A"), cause=Cause.SUPPLY)
    back = compare(
        one,
        two,
        before_verdict=healthy,
        after_verdict=replace(judge(two, board()), findings=(rail,)),
    )
    assert back.outcome is Outcome.WORSE and "VDD_MEM_A" in back.headline


def test_a_supply_needs_its_ohms_read_again() -> None:
    rails = "[rails]\nrail ohms\nVDD_MEM_A 3.1\n[end] 145"
    one, two = run(before().replace("[end] 144", rails)), run(after())
    supply = Finding(
        Place(rail="VDD_MEM_A"),
        Cause.SUPPLY,
        0.97,
        ((Cause.CLEAR, 0.03),),
        None,
        Action.CHECK_SUPPLY,
        "by hand",
    )
    early = replace(judge(one, board()), findings=(supply,))
    late = replace(judge(two, board()), findings=())
    made = compare(one, two, before_verdict=early, after_verdict=late)
    assert made.outcome is Outcome.TOO_LITTLE_DATA
    assert "ohms of VDD_MEM_A" in made.findings[0].because


def test_a_confidence_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence"):
        compare(run(before()), run(after()), confidence=95)


def test_gathered_counts_are_the_dump_s() -> None:
    text = before({"U6/10/1": {"errors": [1, 2, 3]}}, attempts=3)
    links = gather(measure(run(text), board()))
    counts = links[Place("U6", 10, 0, 1)]
    assert counts.repeats == {("walk", None): {1: (BITS, 1), 2: (BITS, 2), 3: (BITS, 3)}}
    assert HEALTHY["bits"] == BITS
