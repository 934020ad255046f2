"""What is learnt from good boards, from which of them, and how sure that is."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.boards.baseline_text import replaced
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Baseline, Board, HealthyEye, Place, Run, Verdict
from memdiag.model.problems.learning import KINDS
from memdiag.reading.load import load
from memdiag.repair import good_boards, healthy_figures
from memdiag.repair.baseline import (
    ENOUGH,
    EYES_APART,
    LEAST_SPREAD,
    RAILS_APART,
    Learnt,
    fitted,
    learn,
)
from memdiag.repair.healthy_figures import DelaysOf, EyeOf, Figures
from memdiag.stats.robust import Line, factor_uncertain
from tests.support.marks import examples

BOARDS = Path(__file__).resolve().parents[2] / "samples" / "boards"
TWO, EIGHT = (profiles.read(BOARDS / f"{name}.toml") for name in ("quince-2", "quince-8"))
LANES = tuple((site.ref, k.channel, k.lane) for site in TWO.sites for k in site.links)


def dump(eye: float = 0.6, read: str = "pass", more: str = "", **head: str) -> str:
    """A quince-2 of which every lane has about this eye, and no errors in 1e12 bits."""
    said = {"board": "quince-2", "memory": "lpddr4", "rate": "3.2 Gbit/s", "serial": "A1"} | head
    keys = "".join(f"{key}  {value}\n" for key, value in said.items() if value)
    trained = "".join(
        f"{at} {ch} {lane} read {read} {eye + 0.01 * (n % 3):.3f}UI\n"
        for n, (at, ch, lane) in enumerate(LANES)
    )
    counted = "".join(f"{at} {ch} {lane} walk 1e12 0\n" for at, ch, lane in LANES)
    return (
        f"bench-dump 1\n[run]\n{keys}[training]\nsite ch lane step result width\n{trained}"
        f"[counts]\nsite ch lane test bits errors\n{counted}{more}[end]\n"
    )


def learnt(*texts: str, board: Board = TWO) -> Learnt:
    return learn([run for text in texts for run in load(text, board=board)], board)


def baseline(*texts: str) -> Baseline:
    made = learnt(*texts).baseline
    assert made is not None
    return made


def codes(made: Learnt) -> list[str]:
    return [p.code for p in made.problems]


def figures(text: str, board: Board = EIGHT) -> Figures:
    (run,) = load("bench-dump 1\n[run]\nboard " + f"{board.name}\n{text}[end]\n", board=board)
    return healthy_figures.of_dump(measure(run, board))


# --- which dumps --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "text"), [(code, t) for code, kind in KINDS.items() for t in kind.provoked_by]
)
def test_each_problem_is_provoked_by_its_inputs(code: str, text: str) -> None:
    assert code in codes(learnt(text))


def test_every_refused_dump_is_named_and_the_rest_is_learnt_from() -> None:
    made = learnt(
        dump(id="good"),
        dump(serial="A2", id="faulty", read="fail"),
        dump(serial="A3", id="slow", rate="2.4 Gbit/s"),
        dump(serial="A4", id="fine"),
    )
    assert made.refused == 2 and made.dumps == 2
    assert made.baseline is not None and made.baseline.boards == 2
    refused = [p.message for p in made.problems if "not learnt from" in p.message]
    assert len(refused) == 2 and "faulty" in refused[0] and "slow" in refused[1]
    assert made.baseline == baseline(dump(), dump(serial="A4"))


def test_two_dumps_of_one_serial_are_one_board() -> None:
    made = learnt(dump(0.60), dump(0.62, stage="final", serial="a1"), dump(0.61, serial="A2"))
    assert made.dumps == 3
    assert made.baseline is not None and made.baseline.boards == 2


def test_dumps_without_a_serial_are_boards_of_their_own() -> None:
    assert baseline(dump(0.60, serial=""), dump(0.62, serial="")).boards == 2
    assert (
        baseline(
            dump(0.60, serial=""), dump(0.60, serial="").replace("[counts]", "\n# again\n[counts]")
        ).boards
        == 1
    )


def test_a_rate_printed_with_more_digits_is_the_same_rate() -> None:
    made = learnt(
        dump(), dump(serial="A2", rate="3.2000 Gbit/s"), dump(serial="A3", rate="3199MT/s")
    )
    assert made.refused == 0


def test_a_key_that_every_board_says_otherwise_is_no_setting() -> None:
    texts = [dump(serial=f"A{n}", mac=f"00:1b:{n:02x}") for n in range(3)]
    assert learnt(*texts).refused == 0
    tight = [dump(serial=f"A{n}", timing="tight") for n in range(3)]
    assert learnt(*tight, dump(serial="A9", timing="loose")).refused == 1
    seen = [dump(serial=f"A{n}", operator="Ida") for n in range(3)]
    assert learnt(*seen, dump(serial="A9", operator="Ruth")).refused == 0


def test_boards_are_judged_without_the_baseline_of_the_profile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[Baseline | None] = []

    def spied(measured: Measurements, *more: object) -> Verdict:
        asked.append(measured.board.baseline)
        return judge(measured, *more)

    judge = good_boards.judge_measured
    monkeypatch.setattr(good_boards, "judge_measured", spied)
    old = Baseline(9, (HealthyEye("width", "UI", "read", None, 0.99, 0.01),))
    made = learnt(dump(), board=replace(TWO, baseline=old))
    assert asked == [None] and made.baseline == baseline(dump())


# --- the figures --------------------------------------------------------------------------------


def test_centre_and_spread_are_those_the_boards_were_made_with() -> None:
    rng = random.Random(3)
    eyes = [
        [rng.gauss(0, 0.06) + rng.gauss(math.log(0.3 + 0.04 * lane), 0.02) for lane in range(8)]
        for _ in range(40)
    ]
    made = fitted([figure_of(logs) for logs in eyes], ())
    assert made is not None and made.boards == 40
    for lane in range(8):
        own = made.eye("width", "UI", "read", lane)
        assert own is not None and own.lane == lane
        assert own.centre == pytest.approx(0.3 + 0.04 * lane, rel=0.04)
        assert own.spread == pytest.approx(math.hypot(0.06, 0.02), rel=0.3)
    every = made.eye("width", "UI", "read", None)
    # Of all lanes together, how far they lie apart counts as well.
    assert every is not None and every.spread > 2 * math.hypot(0.06, 0.02)


def figure_of(logs: Sequence[float], slope: float = 3.0) -> Figures:
    eyes = {
        EyeOf("width", "UI", "read", "lane", Place("U1", 0, 0, lane)): math.exp(log)
        for lane, log in enumerate(logs)
    }
    return Figures(eyes, {DelaysOf("level", None, Place(channel=0, rank=0)): Line(slope, 0.1)})


def test_one_board_has_the_spread_that_is_expected_of_boards() -> None:
    made = fitted([replace(figure_of([math.log(0.5)] * 8), ohms={"VDD": 90.0})], ["VDD"])
    assert made is not None
    assert {eye.spread for eye in made.eyes} == {EYES_APART}
    assert made.rails[0].spread == RAILS_APART and made.slopes[0].spread > 0


def test_very_many_equal_boards_are_known_no_better_than_an_eye_is_read() -> None:
    made = fitted([figure_of([math.log(0.5)])] * 400, ())
    assert made is not None and made.eyes[0].spread == LEAST_SPREAD


def test_no_slope_is_known_better_than_its_line() -> None:
    made = fitted([figure_of([], slope=0.0)] * 400, ())
    assert made is not None and made.slopes[0].spread == 0.1


@pytest.mark.parametrize("boards", [1, 2, ENOUGH - 1, ENOUGH])
def test_too_few_boards_are_told_with_how_unsure_they_leave_it(boards: int) -> None:
    made = learnt(*(dump(serial=f"A{n}") for n in range(boards)))
    told = [p.message for p in made.problems if p.code == "baseline-few"]
    assert bool(told) == (boards < ENOUGH)
    if boards == 1:
        assert "5 %" in told[0] and "10 %" in told[0]
    elif told:
        assert f"{factor_uncertain(boards):.1f} times" in told[0]


def test_enough_boards_are_enough_for_a_factor_of_two() -> None:
    assert factor_uncertain(ENOUGH) <= 2 < factor_uncertain(ENOUGH - 1)


SEEDS = st.integers(0, 10**6)


@given(SEEDS, st.integers(8, 24), st.sampled_from([-9.0, -0.7, 0.7, 9.0]))
def test_one_wild_lane_moves_no_centre_by_more_than_its_spread(
    seed: int, lanes: int, off: float
) -> None:
    rng = random.Random(seed)
    logs = [rng.gauss(-0.6, 0.03) for _ in range(lanes)]
    spoilt = [*logs]
    spoilt[rng.randrange(lanes)] += off
    calm, wild = (fitted([figure_of(each)], ()) for each in (logs, spoilt))
    assert calm is not None and wild is not None
    one, two = calm.eyes[0], wild.eyes[0]
    assert abs(math.log(two.centre / one.centre)) <= one.spread


@given(SEEDS, st.integers(3, 6))
def test_one_wild_board_moves_no_slope_and_no_rail_far(seed: int, boards: int) -> None:
    rng = random.Random(seed)
    made = [
        replace(figure_of([-0.6], rng.gauss(3, 0.1)), ohms={"VDD": rng.gauss(90, 3)})
        for _ in range(2 * boards)
    ]
    wild = replace(figure_of([-0.6], 40.0), ohms={"VDD": 9e5})
    calm, spoilt = fitted(made, ["VDD"]), fitted([wild, *made[1:]], ["VDD"])
    assert calm is not None and spoilt is not None
    assert abs(spoilt.slopes[0].taps - calm.slopes[0].taps) <= calm.slopes[0].spread
    moved = abs(math.log(spoilt.rails[0].ohms / calm.rails[0].ohms))
    assert moved <= calm.rails[0].spread


texts = st.lists(
    st.tuples(st.integers(50, 70), st.sampled_from(["A1", "A2", "A3", ""])), min_size=1, max_size=4
).map(lambda drawn: [dump(eye / 100, serial=serial) for eye, serial in drawn])


@settings(max_examples=examples(20), deadline=None)
@given(texts, st.randoms(use_true_random=False))
def test_order_and_repeats_of_dumps_change_nothing(given_: list[str], rng: random.Random) -> None:
    again = [*given_, *(rng.choice(given_) for _ in range(2))]
    rng.shuffle(again)
    made, other = learnt(*given_), learnt(*again)
    assert made.baseline == other.baseline and made.dumps == other.dumps
    joined = learnt("\n".join(again))
    assert joined.baseline == made.baseline


@settings(max_examples=examples(20), deadline=None)
@given(texts)
def test_what_is_learnt_is_what_the_profile_then_says(given_: list[str]) -> None:
    made = baseline(*given_)
    text = (BOARDS / "quince-2.toml").read_text(encoding="utf-8")
    board, problems = profiles.examine(replaced(text, made))
    assert board is not None and not problems
    assert board.baseline == made and replace(board, baseline=None, origin=TWO.origin) == TWO


def test_the_error_floor_is_the_rule_of_three() -> None:
    # Hanley and Lippman-Hand 1983 (JAMA 249:1743): none in n shows a rate below 3 / n at 95 %.
    assert baseline(dump()).error_floor == pytest.approx(3 / 8e12, rel=0.002)
    assert baseline(dump(), dump(serial="A2")).error_floor == pytest.approx(3 / 16e12, rel=0.002)


def test_errors_in_a_burst_are_fewer_events_and_so_a_higher_floor() -> None:
    places = [Place("U1", 0, 0, lane) for lane in range(8)]
    even = fitted([Figures(counts=dict.fromkeys(places, (1, 10**9)))], ())
    burst = dict.fromkeys(places, (0, 10**9)) | {places[0]: (8, 10**9)}
    bursts = fitted([Figures(counts=burst)], ())
    assert even is not None and bursts is not None
    assert even.error_floor is not None and bursts.error_floor is not None
    # Garwood: the upper one-sided limit of 8 at 95 % is 14.43, that of one event 4.744.
    assert even.error_floor == pytest.approx(14.43 / 8e9, rel=3e-3)
    assert bursts.error_floor == pytest.approx(4.744 / 1e9, rel=3e-3)


# --- what a dump says ---------------------------------------------------------------------------


def eyes_of(rows: str, columns: str = "site ch lane step result width") -> Mapping[EyeOf, float]:
    return figures(f"[training]\n{columns}\n{rows}").eyes


def kinds(eyes: Mapping[EyeOf, float]) -> dict[tuple[str, str, str], float]:
    return {(e.what, e.unit, e.step): value for e, value in eyes.items()}


def test_the_best_candidate_of_the_last_attempt_is_the_eye() -> None:
    eyes = eyes_of(
        "U1 0 0 read pass 0.7UI 1 1\nU1 0 0 read fail 0.0UI 2 1\nU1 0 0 read pass 0.5UI 2 2\n"
        "U1 0 0 read pass 0.4UI 2 3\nU1 0 0 read fail 0.9UI 2 4\n",
        "site ch lane step result width attempt candidate",
    )
    assert kinds(eyes) == {("width", "UI", "read"): 0.5}


def test_of_several_set_points_the_narrowest_is_the_eye() -> None:
    eyes = eyes_of(
        "U1 0 0 read pass 0.5UI fast\nU1 0 0 read pass 0.7UI slow\n",
        "site ch lane step result width point",
    )
    assert kinds(eyes) == {("width", "UI", "read"): 0.5}


def test_units_are_those_of_the_baseline() -> None:
    eyes = eyes_of(
        "U1 0 0 read pass 94ps 61mV -\nU1 0 0 write pass - - 0001111000\n"
        "U1 0 0 gate pass 0.5ui - -\nU1 0 0 vref pass 31 - -\n",
        "site ch lane step result width height window",
    )
    found = kinds(eyes)
    assert found["width", "s", "read"] == pytest.approx(94e-12)
    assert found["height", "V", "read"] == pytest.approx(0.061)
    assert found["width", "tap", "write"] == 4
    assert found["width", "UI", "gate"] == 0.5 and found["width", "tap", "vref"] == 31


def test_no_spread_is_too_wide_for_a_profile() -> None:
    rails = [Figures(ohms={"VDD": ohms}) for ohms in (0.1, 1e4, 1e6)]
    made = fitted(rails, ["VDD"])
    assert made is not None and made.rails[0].spread == 3.0


def test_what_is_no_eye_is_not_learnt() -> None:
    eyes = eyes_of(
        "U1 0 0 read pass - 11111111\nU1 0 0 level pass 0.5UI -\nU1 0 0 write pass 0UI -\n"
        "U2 0 2 read pass 1.3UI -\nU2 0 0 read pass 0.5UI -\nU9 9 0 read pass 0.5UI -\n"
        "U1 0 0 gate not-run 0.4UI -\nU1 0 0 polish pass 0.4UI -\n",
        "site ch lane step result width window",
    )
    assert eyes == {}


def test_eyes_of_lanes_go_before_those_of_data_lines() -> None:
    lane = figures("[training]\nsite ch lane step result width\nU1 0 0 read pass 0.5UI\n")
    lines = figures(
        "[training]\nsite ch lane dq step result width\nU1 0 0 1 read pass 0.7UI\n"
        "U1 0 0 2 read pass 0.72UI\n"
    )
    assert len(lines.eyes) == 2
    for together, centre in (([lane, lines], 0.5), ([lines], math.sqrt(0.7 * 0.72))):
        made = fitted(together, ())
        assert made is not None and made.eyes[0].centre == pytest.approx(centre, rel=1e-3)


def test_delays_along_the_lanes_have_a_slope() -> None:
    rows = "".join(
        f"{site.ref} 0 {site.links[0].lane} level pass {20 + 4 * (site.links[0].lane or 0)}\n"
        for site in EIGHT.sites
    )
    text = "[training]\nsite ch lane step result delay\n"
    (slope,) = figures(text + rows).slopes.values()
    assert slope.slope == 4
    assert figures(text + rows.replace("\n", "ps\n")).slopes == {}
    (wild,) = figures(text + rows.replace("pass 28", "pass 63")).slopes.values()
    assert wild.slope == pytest.approx(4, abs=0.1)
    assert figures(text + rows.splitlines()[0] + "\n").slopes == {}


def test_of_several_candidates_the_widest_has_the_delay() -> None:
    rows = "".join(
        f"{site.ref} 0 {lane} read pass {20 + 4 * lane} 0.6UI 1\n"
        f"{site.ref} 0 {lane} read pass {90 - 9 * lane} 0.3UI 2\n"
        for site in EIGHT.sites
        for lane in [site.links[0].lane or 0]
    )
    text = "[training]\nsite ch lane step result delay width candidate\n"
    (slope,) = figures(text + rows).slopes.values()
    assert slope.slope == 4


@pytest.mark.parametrize(
    ("row", "head", "read"),
    [
        ("VDD_MEM 135 settled", "", {"VDD_MEM": 135.0}),
        ("VDD_MEM 135 -", "", {"VDD_MEM": 135.0}),
        ("VDD_MEM 135 -\nVDD_MEM 141 -", "", {"VDD_MEM": 138.0}),
        ("VDD_MEM 135 rising", "", {}),
        ("VDD_MEM 0L settled", "", {}),
        ("VDD_MEM 0 settled", "", {}),
        ("VDD_MEM 135 settled", "removed U1\n", {}),
        ("VXX 135 settled", "", {}),
    ],
)
def test_ohms_are_those_at_rest_with_everything_fitted(
    row: str, head: str, read: dict[str, float]
) -> None:
    assert figures(f"{head}[rails]\nrail ohms trend\n{row}\n").ohms == read


def test_no_bit_is_counted_twice() -> None:
    text = (
        "[counts]\nsite ch lane test bits errors\nU1 - - walk 1000 0\nU1 0 0 walk 1000 0\n"
        "U2 0 2 walk 500 -\nU3 0 4 walk 500 0\n"
    )
    eight = figures(text).counts
    assert sum(bits for _, bits in eight.values()) == 2500
    # Errors of a test whose bits nobody counted are no rate.
    halves = "[counts]\nsite ch lane test bits errors\nU1 0 0 walk - 50\nU1 0 0 march 10 0\n"
    assert figures(halves).counts == {}
    wide = "[counts]\nsite ch lane test bits errors\nU1 0 - walk 2000 0\nU1 0 0 walk 1000 0\n"
    assert sum(bits for _, bits in figures(wide, TWO).counts.values()) == 1000


def test_counts_and_eyes_of_one_board_come_together() -> None:
    runs: list[Run] = [run for text in (dump(0.5), dump(0.6)) for run in load(text, board=TWO)]
    one, two = (healthy_figures.of_dump(measure(run, TWO)) for run in runs)
    both = healthy_figures.of_board([one, two])
    assert all(both.counts[place] == (0, 2 * 10**12) for place in one.counts)
    assert all(
        both.eyes[eye] == pytest.approx((one.eyes[eye] + two.eyes[eye]) / 2) for eye in one.eyes
    )
