"""Evidence: facts and directions, never the figures of judgement.

* Outliers: Iglewicz and Hoaglin, "How to Detect and Handle Outliers" (1993); NIST/SEMATECH
  e-Handbook 1.3.5.17 (eight values with one far off, 1.3.5.17.1).
* What an undriven line reads follows from its termination: to VDDQ in JESD250, JESD212, JESD79-4
  and JESD79-5, to ground in JESD209-4 and JESD209-5, to the middle in JESD79-3 (derived).
* The link check of GDDR5, GDDR6 and DDR4 is a CRC-8 with x^8 + x^2 + x + 1 over 72 bits, and finds
  all single, double and odd errors (a DDR4 data sheet's list; here proved by trying).
"""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.evidence import addresses, error_counts, error_signs, margins, training_steps
from memdiag.evidence.measurements import Try, effective
from memdiag.evidence.nodes import FLOOR, LINE, PLACE, SHAPE, Node
from memdiag.model import STEPS, Result
from memdiag.reading.load import load
from memdiag.stats.outliers import modified_z

HEALTHY = ("sound", "stray", "disturbed")


def states(table: dict[str, float] | None) -> dict[str, float]:
    assert table is not None
    assert all(math.isfinite(v) for v in table.values())
    return table


def likeliest(table: dict[str, float] | None) -> str:
    found = states(table)
    return max(found, key=found.__getitem__)


# ---- margins ----

NIST_EIGHT = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


def test_eight_lanes_can_never_show_three_sigma() -> None:
    """The largest plain z of n values is (n - 1) / sqrt n: 2.475 of eight. Medians can."""
    thin = [0.45] * 7 + [0.001]
    z = (np.mean(thin) - min(thin)) / np.std(thin, ddof=1)
    assert z == pytest.approx(7 / math.sqrt(8)) == pytest.approx(2.475, abs=1e-3)
    assert likeliest(margins.width_loglik(0.001, _peers(thin))) not in HEALTHY


def _peers(widths: list[float], floor: float = 0.0) -> margins.Peers:
    found = margins.reference(widths, floor)
    assert found is not None
    return found


def test_the_far_value_of_the_handbook_stands_out_here_too() -> None:
    """Mirrored, since a fault takes margin away: the far value is narrow, the rest its peers."""
    assert abs(modified_z(NIST_EIGHT)[-1]) == pytest.approx(29.963, abs=1e-3)
    widths = [0.45 * 200 / v for v in NIST_EIGHT]
    peers = _peers(widths)
    assert max(widths[:-1]) >= peers.reference >= min(widths[:-1])
    far, near = (margins.width_loglik(w, peers) for w in (widths[-1], min(widths[:-1])))
    assert states(far)["thin"] - states(far)["sound"] > states(near)["thin"] - states(near)["sound"]
    assert likeliest(near) in (*HEALTHY, "array")


@settings(max_examples=60, deadline=None)
@given(st.integers(4, 16), st.integers(0, 16), st.floats(0.05, 0.5), st.integers(0, 2**32 - 1))
def test_half_a_sick_board_leaves_the_reference_with_the_healthy(
    good: int, sick: int, how_thin: float, seed: int
) -> None:
    """A fault only takes margin away: the healthy are the uppermost, be they but half."""
    rng = random.Random(seed)
    sick = min(sick, good)
    healthy = [0.45 * rng.uniform(0.98, 1.02) for _ in range(good)]
    thin = [0.45 * how_thin * rng.uniform(0.95, 1.05) for _ in range(sick)]
    mixed = healthy + thin
    rng.shuffle(mixed)
    peers = _peers(mixed)
    assert min(healthy) <= peers.reference <= max(healthy)
    for width in healthy:
        assert likeliest(margins.width_loglik(width, peers)) in (*HEALTHY, "array")


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.3, 0.5), min_size=8, max_size=24), st.floats(1e-13, 1e6))
def test_the_unit_of_widths_does_not_matter(widths: list[float], scale: float) -> None:
    one, other = _peers(widths), _peers([w * scale for w in widths])
    assert other.reference == pytest.approx(one.reference * scale)
    for width in (0.02, 0.2, 0.4):
        here = states(margins.width_loglik(width, one))
        there = states(margins.width_loglik(width * scale, other))
        assert there == pytest.approx(here, rel=1e-6, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.02, 0.99), min_size=2, max_size=6))
def test_a_narrower_eye_is_never_more_like_a_sound_one(ratios: list[float]) -> None:
    peers = _peers([0.44, 0.45, 0.45, 0.46, 0.45, 0.44, 0.46, 0.45])
    against = []
    for ratio in sorted(ratios, reverse=True):
        table = states(margins.width_loglik(peers.reference * ratio, peers))
        against.append(table["sound"])
    assert all(a >= b - 1e-9 for a, b in pairwise(against))


def test_all_peers_thin_are_held_to_the_absolute_limit() -> None:
    """Where every eye is under the limit, none of them is the measure of health."""
    thin = [0.09, 0.10, 0.10, 0.11, 0.09, 0.10, 0.10, 0.11]
    by_peers, by_limit = _peers(thin), _peers(thin, floor=0.2)
    assert by_limit.reference >= 0.2 > by_peers.reference
    own = states(margins.width_loglik(0.10, by_peers))
    held = states(margins.width_loglik(0.10, by_limit))
    assert held["thin"] - held["sound"] > own["thin"] - own["sound"]


def test_two_eyes_are_no_peers() -> None:
    assert margins.reference([0.45, 0.20]) is None
    assert margins.reference([]) is None


def test_a_narrow_figure_of_a_cut_sweep_says_nothing() -> None:
    peers = _peers([0.45] * 8)
    assert margins.width_loglik(0.2, peers, at_least=True) is None
    assert margins.width_loglik(0.45, peers, at_least=True) is not None


# ---- directions ----


@pytest.mark.parametrize("memory", ["gddr5", "gddr6", "ddr4", "ddr5"])
def test_an_undriven_line_reads_one_where_the_pull_is_up(memory: str) -> None:
    rose = states(error_signs.direction_loglik(200, 0, memory))
    fell = states(error_signs.direction_loglik(0, 200, memory))
    for state in ("absent", "mute", "dead", "line"):
        assert rose[state] > fell[state]
        assert rose[state] > rose["thin"]


@pytest.mark.parametrize("memory", ["lpddr4", "lpddr5"])
def test_an_undriven_line_reads_nought_where_the_pull_is_down(memory: str) -> None:
    rose = states(error_signs.direction_loglik(200, 0, memory))
    fell = states(error_signs.direction_loglik(0, 200, memory))
    for state in ("absent", "mute", "dead", "line"):
        assert fell[state] > rose[state]


@pytest.mark.parametrize("memory", ["ddr3", "other", None])
def test_a_pull_to_the_middle_takes_no_side(memory: str | None) -> None:
    assert error_signs.direction_loglik(200, 0, memory) == error_signs.direction_loglik(
        0, 200, memory
    )


@pytest.mark.parametrize("memory", ["gddr6", "lpddr4", "ddr3", None])
def test_errors_both_ways_are_noise_or_cells_before_an_undriven_line(memory: str | None) -> None:
    both = states(error_signs.direction_loglik(100, 100, memory))
    assert min(both["thin"], both["array"]) > max(both["absent"], both["dead"], both["line"])


def test_three_errors_have_no_direction() -> None:
    assert error_signs.direction_loglik(3, 0, "gddr6") is None


def test_few_errors_say_less_than_many() -> None:
    few, many = (states(error_signs.direction_loglik(n, 0, "gddr6")) for n in (4, 400))
    assert 0 < few["absent"] - few["thin"] < many["absent"] - many["thin"]


# ---- counts ----


@settings(max_examples=40, deadline=None)
@given(st.integers(8, 14), st.lists(st.integers(1, 10**7), min_size=2, max_size=6, unique=True))
def test_more_errors_never_look_healthier(decades: int, counts: list[int]) -> None:
    """Against the sum of the sick states, a sound lane loses with every error more, within
    the floors beyond which a node does not speak. None at all is another matter: a lane that
    failed its training is often left out of the count."""
    exposure = 10.0**decades
    odds = []
    for errors in sorted(counts):
        table = states(error_counts.count_loglik(errors, exposure))
        sick = sum(math.exp(table[s]) for s in ("thin", "line", "dead", "mute", "absent"))
        odds.append(min(max(table["sound"] - math.log(sick), FLOOR), -FLOOR))
    assert all(a >= b - 0.02 for a, b in pairwise(odds))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(1, 1e12), min_size=2, max_size=6))
def test_no_errors_in_more_bits_is_better_news(exposures: list[float]) -> None:
    odds = []
    for exposure in sorted(exposures):
        table = states(error_counts.count_loglik(0, exposure))
        odds.append(table["sound"] - table["thin"])
    assert all(b >= a - 1e-6 for a, b in pairwise(odds))


def test_half_of_all_bits_wrong_is_a_line_that_is_not_driven() -> None:
    assert likeliest(error_counts.count_loglik(500_000, 1_000_000)) in ("dead", "mute", "absent")
    assert likeliest(error_counts.count_loglik(0, 1e12)) == "sound"
    line = states(error_counts.count_loglik(500_000, 1_000_000, "line"))
    assert max(line, key=line.__getitem__) in ("dead", "open", "joined")


def test_an_eighth_of_half_is_one_line_of_eight() -> None:
    assert likeliest(error_counts.count_loglik(62_500, 1_000_000)) in ("line", "joined")


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**12), st.floats(0, 1e15), st.sampled_from(["place", "line"]))
def test_every_count_can_be_weighed(errors: int, exposure: float, kind: str) -> None:
    table = states(error_counts.count_loglik(errors, exposure, kind))
    assert set(table) == set(PLACE if kind == "place" else LINE)


# ---- the link check ----


def test_good_checks_speak_for_cells_and_bad_ones_for_the_link() -> None:
    """The package computes the check over what its array gives out: wrong cells travel well. What
    the line changes afterwards, the check does not know."""
    good, bad = (
        states(error_signs.link_check_loglik(20, 0)),
        states(error_signs.link_check_loglik(0, 20)),
    )
    for link in ("thin", "line", "dead", "mute", "absent"):
        assert good["array"] > good[link]
        assert bad["array"] < bad[link]


def test_no_word_checked_says_nothing() -> None:
    assert error_signs.link_check_loglik(0, 0) is None


def test_repeated_words_do_not_confirm_for_ever() -> None:
    few, many = (states(error_signs.link_check_loglik(n, 0)) for n in (10, 10_000))
    assert few == pytest.approx(many)


# ---- addresses ----


MAPPED = "quince-12"  # its profile says which address bits are bank, row and column


def shape(
    lines: list[str], columns: str = "site ch lane address wrote read", board: str = "-"
) -> addresses.Shape:
    text = ["bench-dump 1", "[run]", f"board  {board}", "[errors]", columns, *lines]
    (run,) = load("\n".join([*text, f"[end] {len(lines)}", ""]))
    profile, _ = profiles.for_run(run, None)
    assert run.errors is not None
    found = addresses.shape_of(run.errors, np.arange(len(run.errors)), profile, 1)
    assert found is not None
    return found


def test_one_cell_hit_ten_thousand_times_is_one_cell() -> None:
    found = shape(["U3 4 0 0x1a2b40 0x00 0x01"] * 10_000)
    assert (found.name, found.distinct) == ("cell", 1)


CELLS = "site ch lane address bank row col wrote read"


@pytest.mark.parametrize(
    ("name", "places"),
    [
        ("row", [(3, 77, c) for c in range(0, 640, 16)]),
        ("column", [(3, 5 * r + r * r % 7, 48) for r in range(40)]),
        ("bank", [(3, 131 * r % 4096, 7 * r % 1024) for r in range(60)]),
        ("spread", [(r % 16, 131 * r % 4096, 7 * r % 1024) for r in range(60)]),
    ],
)
def test_rows_columns_and_banks(name: str, places: list[tuple[int, int, int]]) -> None:
    lines = [
        f"U3 4 0 {(b << 24 | r << 10 | c) << 5:#x} {b} {r} {c} 0x00 0x01" for b, r, c in places
    ]
    found = shape(lines, CELLS)
    assert found.name == name
    assert found.kind == ("spread" if name == "spread" else "clustered")


@pytest.mark.parametrize("on", ["-", MAPPED])
@pytest.mark.parametrize("bit", [9, 13, 17, 22, 27])
def test_an_open_address_line_pairs_addresses_one_bit_apart(bit: int, on: str) -> None:
    rng = random.Random(bit)
    some = [rng.getrandbits(28) & ~(1 << bit) for _ in range(40)]
    lines = [f"U3 4 0 {a | b:#x} 0x00 0x01" for a in some for b in (0, 1 << bit)]
    assert shape(lines, board=on).kind == "paired"


@settings(max_examples=20, deadline=None)
@given(st.integers(1100, 2**24), st.integers(0, 2**30), st.integers(0, 2**32 - 1))
def test_a_stride_that_wavers_a_little_is_a_stride(step: int, start: int, seed: int) -> None:
    """At any distance where only addresses are known; where cells are, a stride inside one row or
    bank is that row or bank first."""
    rng = random.Random(seed)
    at, lines = start, []
    for _ in range(40):
        at += step + rng.randint(-(step // 400), step // 400)
        lines.append(f"U3 4 0 {at:#x} 0x00 0x01")
    assert shape(lines).kind == "striped"
    assert shape(lines, board=MAPPED).kind == "striped" or step < 2**20


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["-", MAPPED]))
def test_addresses_at_random_have_no_shape(seed: int, on: str) -> None:
    rng = random.Random(seed)
    lines = [f"U3 4 0 {rng.getrandbits(32):#x} 0x00 0x01" for _ in range(60)]
    assert shape(lines, board=on).kind == "spread"


def test_each_shape_speaks_for_its_own_state() -> None:
    for kind in SHAPE[1:]:
        table = addresses.shape_loglik(addresses.Shape(kind, kind, 0.8, 20, ""))
        assert max(table, key=table.__getitem__) == kind


# ---- steps ----


def test_silence_on_identification_is_absence_and_a_pass_is_presence() -> None:
    silent = states(training_steps.outcome_loglik("id", Result.NO_RESPONSE))
    word = states(training_steps.word_loglik("id", Result.NO_RESPONSE))
    both = {s: silent[s] + word[s] for s in silent}
    assert max(both, key=both.__getitem__) == "absent"
    passed = states(training_steps.outcome_loglik("id", Result.PASS))
    assert min(passed, key=passed.__getitem__) == "absent"


@pytest.mark.parametrize("step", STEPS)
def test_a_step_that_gives_up_is_never_more_like_a_sound_place(step: str) -> None:
    passed = states(training_steps.outcome_loglik(step, Result.PASS))
    gave_up = states(training_steps.outcome_loglik(step, Result.FAIL))
    for state in ("thin", "dead", "mute", "absent"):
        assert gave_up[state] - gave_up["sound"] > passed[state] - passed["sound"]


def test_what_was_not_run_says_nothing_of_the_place() -> None:
    assert training_steps.outcome_loglik("read", Result.NOT_RUN) is None
    assert training_steps.outcome_loglik("a step of one's own", Result.FAIL) is None


def test_the_last_attempt_counts() -> None:
    tried = [Try(1, None, Result.FAIL), Try(2, None, Result.PASS)]
    assert effective(tried) in (Result.PASS, Result.MARGINAL)
    assert effective(tried[::-1]) is effective(tried)
    assert effective([Try(1, None, Result.PASS), Try(2, None, Result.FAIL)]) is Result.FAIL
    assert effective([Try(1, None, Result.NOT_RUN)]) is None
    assert effective([Try(1, None, Result.PASS, 9)]) is Result.MARGINAL


def test_of_candidates_the_best_counts_and_of_rows_that_contradict_each_other_the_worse() -> None:
    scan = [Try(1, "b0", Result.NOT_FOUND), Try(1, "b1", Result.PASS)]
    assert effective(scan) is Result.PASS
    assert effective([*scan, Try(1, "b1", Result.FAIL)]) is Result.FAIL
    assert effective([Try(1, None, Result.PASS), Try(1, None, Result.FAIL)]) is Result.FAIL


# ---- nodes ----


def test_no_node_speaks_more_strongly_than_the_floor() -> None:
    node = Node("place", ("U3",))
    for _ in range(50):
        node.add(states(training_steps.outcome_loglik("read", Result.PASS)))
    assert max(node.vector()) == 0.0
    assert min(node.vector()) >= FLOOR
