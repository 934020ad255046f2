"""Error counts: rates follow from the margin, and a count speaks of rates as statistics say.

* Q scale: rate = erfc(Q / sqrt 2) / 2 (Keysight M8000 guide, "Q-factor"; J-BERT N4903B user guide);
  Q = 4.753, 5.998, 7.034, 7.941, 8.757 at 1e-6, 1e-9, 1e-12, 1e-15, 1e-18 (dual-Dirac chapter of a
  signal-integrity guide, seen second-hand; scipy's norm.isf gives the same digits).
* Rule of three: no event in n trials, then at 95 % fewer than 3 / n (Hanley and Lippman-Hand 1983;
  title from memory). Exact: 1 - 0.05^(1/n).
* Stray words in sound arrays: DIVA-DRAM, SIGMETRICS 2017 (44 of 600 modules).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erfc
from scipy.stats import binom, norm

from memdiag.evidence import error_counts
from memdiag.evidence.covered import Cover
from memdiag.evidence.error_counts import Common, count_loglik
from memdiag.evidence.nodes import FLOOR, GRADES
from memdiag.stats.bell import upper_tail
from memdiag.stats.dual_dirac import q_of
from tests.support.likelihoods import (
    ALONE,
    GRADE_NAMES,
    SHAKEN,
    SICK,
    falls,
    likeliest,
    of_grades,
    states,
)
from tests.support.marks import examples

# ---- the Q scale ----


@pytest.mark.parametrize(
    ("rate", "q"), [(1e-6, 4.753), (1e-9, 5.998), (1e-12, 7.034), (1e-15, 7.941), (1e-18, 8.757)]
)
def test_printed_q_of_a_rate(rate: float, q: float) -> None:
    assert q_of(rate) == pytest.approx(q, abs=6e-4)
    (back,) = upper_tail(np.array([q]))
    assert math.log10(back) == pytest.approx(math.log10(rate), abs=3e-3)  # q has four digits


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(-8, 30))
def test_the_tail_is_that_of_scipy(q: float) -> None:
    (here,) = upper_tail(np.array([q]))
    assert here == pytest.approx(norm.sf(q), rel=1e-9)
    assert here == pytest.approx(erfc(q / math.sqrt(2)) / 2, rel=1e-9)


def rate_of(grade: str) -> float:
    """The rate in the middle of an eye that is so wide: dual Dirac, with half of the width (Q - Qs)
    times the random jitter, so Q - Qs shrinks with the width (Keysight M8000 guide, p. 481)."""
    whole = error_counts.HEALTHY_Q - error_counts.SWEEP_Q
    swept = float(norm.sf(error_counts.SWEEP_Q + whole * math.exp(GRADES[grade])))
    return swept * 10 ** error_counts.stressed(GRADES[grade])


def test_rates_rise_strictly_as_the_width_falls() -> None:
    rates = [rate_of(name) for name in GRADE_NAMES]
    assert all(a < b for a, b in pairwise(rates))
    assert rates[0] == pytest.approx(6.22e-16, rel=1e-3)  # Q = 8


@pytest.mark.parametrize("grade", [g for g in GRADE_NAMES if g not in ("sound", "12")])
def test_a_count_at_the_rate_of_a_grade_speaks_for_it(grade: str) -> None:
    """Enough bits for hundreds of errors, at the rate that the Q scale gives: of the grades that
    one is likeliest, within the play of Q and of rates (a decade and a half at the whole end)."""
    rate = rate_of(grade)
    bits = 1000 / rate
    values = of_grades(count_loglik(1000, bits))
    best = GRADE_NAMES[int(np.argmax(values))]
    assert abs(GRADE_NAMES.index(best) - GRADE_NAMES.index(grade)) <= 1


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.floats(-14, -1), min_size=2, max_size=6))
def test_a_higher_rate_never_speaks_for_a_wider_eye(decades: list[float]) -> None:
    best = []
    for decade in sorted(decades):
        values = of_grades(count_loglik(1000, 1000 / 10**decade))
        best.append(int(np.argmax(values)))
    assert best == sorted(best)


# ---- no errors ----


def chance_of_none(grade: str, bits: float) -> float:
    return math.exp(states(count_loglik(0, bits))[grade])


def chance_by_hand(grade: str, bits: float) -> float:
    """By brute force: Q as it varies from link to link and rates as patterns stress them."""
    rng = np.random.default_rng(5)
    q = rng.normal(error_counts.HEALTHY_Q, error_counts.Q_PLAY, 200_000)
    share = math.exp(GRADES[grade])
    rate = np.log10(norm.sf(error_counts.SWEEP_Q + (q - error_counts.SWEEP_Q) * share))
    more = error_counts.stressed(GRADES[grade])
    rate = rate + rng.normal(more, math.hypot(error_counts.RATE_PLAY, more), q.size)
    rate = np.minimum(rate, 0.0)
    none = float(binom.pmf(0, bits, 10**rate).mean())
    missed = error_counts.NOT_MET if grade != "sound" else 0.0
    return (1 - error_counts.STRAY) * (missed + (1 - missed) * none)


@pytest.mark.parametrize("bits", [10**9, 10**12])
@pytest.mark.parametrize("grade", ["sound", "80", "58", "45"])
def test_the_chance_of_no_errors_is_that_of_trying_it_out(grade: str, bits: int) -> None:
    assert chance_of_none(grade, bits) == pytest.approx(chance_by_hand(grade, bits), abs=0.03)


@pytest.mark.parametrize("bits", [1e6, 1e9, 1e12])
def test_the_rule_of_three(bits: float) -> None:
    """A grade all of whose rates lie above 3 / n has at most a chance of 5 % of no errors in n
    bits where a test meets it; one far below is left alone. (Rates of one grade vary: those are
    compared that lie five decades off.)"""
    for grade in GRADE_NAMES:
        found = chance_of_none(grade, bits)
        if rate_of(grade) > 3e5 / bits:
            assert found <= error_counts.NOT_MET + (1 - error_counts.NOT_MET) * 0.05
        if rate_of(grade) < 0.0003 / bits:
            assert found >= 0.8


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(1, 1e15))
def test_no_errors_never_speak_for_the_narrower_eye(bits: float) -> None:
    assert falls(of_grades(count_loglik(0, bits)), 1e-6)


@settings(max_examples=examples(40), deadline=None)
@given(st.lists(st.floats(1, 1e11), min_size=2, max_size=6))
def test_no_errors_in_more_bits_is_better_news(exposures: list[float]) -> None:
    """As long as a sound lane has none to be expected: 1e-12 and less is what links are built for
    (common practice, no source)."""
    odds = []
    for exposure in sorted(exposures):
        found = states(count_loglik(0, exposure))
        odds.append(found["sound"] - max(found["58"], found["33"]))
    assert all(b >= a - 0.03 for a, b in pairwise(odds))


def test_silence_in_a_complete_list_speaks_for_health_and_less_than_a_count() -> None:
    unlisted = error_counts.listed_loglik(0)
    assert falls(of_grades(unlisted), 1e-6)
    assert likeliest(unlisted) == "sound"


# ---- errors ----


@settings(max_examples=examples(40), deadline=None)
@given(st.integers(8, 14), st.lists(st.integers(1, 10**7), min_size=2, max_size=6, unique=True))
def test_more_errors_never_look_healthier(decades: int, counts: list[int]) -> None:
    """Against the sum of the sick states, a sound lane loses with every error more, within
    the floors beyond which a node does not speak. None at all is another matter: a lane that
    failed its training is often left out of the count."""
    odds = []
    for errors in sorted(counts):
        found = states(count_loglik(errors, 10.0**decades))
        sick = math.log(sum(math.exp(found[s]) for s in (*SICK, "80", "70", "array")))
        odds.append(min(max(found["sound"] - sick, FLOOR), -FLOOR))
    assert all(a >= b - 0.02 for a, b in pairwise(odds))


@pytest.mark.parametrize("bits", [1e9, 1e12])
def test_a_stray_word_or_two_clear_nobody_and_blame_nobody(bits: float) -> None:
    """7 % of sound modules show one to three (DIVA-DRAM): a sound lane may well have one, and a
    nearly closed eye, which makes hundreds, has it no more easily than none at all."""
    none, one = (states(count_loglik(n, bits)) for n in (0, 1))
    assert one["sound"] > math.log(error_counts.STRAY / 3)
    assert one["sound"] > one["12"] and none["sound"] > none["12"]


@pytest.mark.parametrize("errors", [1, 2, 3])
def test_stray_words_of_a_sound_lane_add_up_to_what_was_measured(errors: int) -> None:
    found = [math.exp(states(count_loglik(n, 1e9))["sound"]) for n in (1, 2, 3)]
    assert sum(found) == pytest.approx(error_counts.STRAY, rel=0.1)
    assert found == sorted(found, reverse=True)
    assert found[errors - 1] < 0.07


def test_half_of_all_bits_wrong_is_a_line_that_is_not_driven() -> None:
    """Derived: what nothing drives is right by chance half of the time."""
    assert likeliest(count_loglik(500_000, 1_000_000)) in ("dead", "mute", "absent")
    assert likeliest(count_loglik(0, 1e12)) == "sound"
    line = count_loglik(500_000, 1_000_000, "line")
    assert likeliest(line) in ("dead", "stuck", "joined", "mute", "absent")


def test_an_eighth_of_half_is_one_line_of_eight() -> None:
    found = states(count_loglik(62_500, 1_000_000))
    assert found["stuck"] > max(found["dead"], found["array"], found["45"], found["sound"])


# ---- a count of several lanes ----


def test_a_count_of_a_package_may_be_one_lane_of_it() -> None:
    """A line of eight in one lane of four is a thirty-second of half of the bits."""
    found = states(count_loglik(15_625, 1_000_000, cover=Cover(4, 4)))
    alone = states(count_loglik(15_625, 1_000_000))
    assert found["stuck"] - found["dead"] > alone["stuck"] - alone["dead"] - 40
    assert found["stuck"] > found["sound"] + 5


def test_a_channel_half_of_whose_bits_are_wrong_has_no_single_lane_to_blame() -> None:
    found = states(count_loglik(500_000, 1_000_000, cover=Cover(2, 2)))
    assert found["mute"] > max(found["stuck"], found["dead"]) + 10


# ---- what lanes have in common ----


@settings(max_examples=examples(40), deadline=None)
@given(st.lists(st.integers(1, 5), min_size=4, max_size=40))
def test_a_few_errors_everywhere_are_background(errors: list[int]) -> None:
    lanes = [(e, 10**12) for e in errors]
    assert min(errors) <= error_counts.background(lanes) * 10**12 <= max(errors)
    assert error_counts.background(lanes[:3]) == 0.0
    assert error_counts.background([(e * 1000, b) for e, b in lanes]) == 0.0


def test_background_excuses_what_all_lanes_have() -> None:
    with_it = states(count_loglik(3, 1e12, alike=Common(background=3e-12)))
    without = states(count_loglik(3, 1e12))
    assert with_it["sound"] - with_it["58"] > without["sound"] - without["58"]


def test_bursts_from_elsewhere_excuse_errors_and_no_more() -> None:
    """A shaken lane may be whole though it errs; what reads nothing at all is not shaken."""
    burst, dead = count_loglik(10_000, 1e12), count_loglik(500_000, 1e6)
    assert states(burst, SHAKEN)["sound"] > states(burst, ALONE)["sound"] + 5
    assert states(dead, SHAKEN)["dead"] - states(dead, SHAKEN)["sound"] > 10


# ---- words of an unknown exposure ----


def test_listed_words_are_evidence_against_a_sound_place() -> None:
    """A few speak for cells, of which there may be one; many for whatever is wrong."""
    few, many = (states(error_counts.listed_loglik(n)) for n in (2, 10_000))
    assert few["sound"] < few["array"]
    assert many["sound"] < min(many[s] for s in (*SICK, "array", "astray")) - 2


def test_what_all_lanes_have_on_the_list_says_nothing_of_one() -> None:
    found = states(error_counts.listed_loglik(2, common=True))
    assert found["sound"] == max(found.values())


def test_what_does_not_work_errs_as_often_as_any_lane_of_the_list() -> None:
    """Seven words cannot be all that an open strobe made of a test in which another lane erred 500
    times; bad cells may well be seven. Where no lane has more, neither is told."""
    seven, most = (states(error_counts.listed_loglik(7, longest=n)) for n in (500, 7))
    for state in ("stuck", "joined", "dead", "mute", "absent"):
        assert seven[state] < seven["array"] - 1
        assert most[state] > most["array"]


# ---- any count ----


@settings(max_examples=examples(60), deadline=None)
@given(
    st.integers(0, 10**12),
    st.floats(0, 1e15),
    st.sampled_from(["place", "line"]),
    st.sampled_from([Cover(), Cover(4, 4), Cover(8, 1)]),
)
def test_every_count_can_be_weighed(errors: int, bits: float, kind: str, cover: Cover) -> None:
    table = count_loglik(errors, bits, kind, cover)
    for view in (ALONE, SHAKEN):
        assert max(states(table, view).values()) <= 1e-6


@pytest.mark.parametrize("bits", [40, 1000])
@pytest.mark.parametrize("state", ["sound", "80", "45", "12", "array", "stuck", "dead"])
def test_the_counts_of_a_state_are_a_distribution(state: str, bits: int) -> None:
    """Over all counts up to the exposure; above some dozens they are scaled alike for all states,
    so they are summed up to there."""
    most = min(bits, error_counts.STRAY_MOST)
    total = sum(math.exp(states(count_loglik(n, bits))[state]) for n in range(most + 1))
    assert total <= 1.001
    if bits == most:
        assert total == pytest.approx(1.0, abs=0.02)
