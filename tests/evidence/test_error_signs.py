"""What errors look like: which way they go, what the link check saw, what repeats, how many bits.

* What an undriven line reads follows from its termination: to VDDQ in JESD250, JESD212, JESD79-4
  and JESD79-5, to ground in JESD209-4 and JESD209-5, to the middle in JESD79-3 (derived).
* The link check of GDDR5, GDDR6 and DDR4 is a CRC-8 with x^8 + x^2 + x + 1 over 72 bits, and finds
  all single, double and odd errors (a DDR4 data sheet's list; here proved by trying).
"""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.evidence import error_signs
from memdiag.evidence.nodes import GRADES, LINK
from tests.support.likelihoods import falls, likeliest, of_grades, states
from tests.support.marks import examples

UNDRIVEN = ("absent", "mute", "dead", "stuck")
LINK_BAD = (*UNDRIVEN, "12", "33", "joined")


# ---- directions ----


@pytest.mark.parametrize("memory", ["gddr5", "gddr6", "ddr4", "ddr5"])
def test_an_undriven_line_reads_one_where_the_pull_is_up(memory: str) -> None:
    rose = states(error_signs.direction_loglik(200, 0, memory))
    fell = states(error_signs.direction_loglik(0, 200, memory))
    for state in UNDRIVEN:
        assert rose[state] > fell[state]
        assert rose[state] > rose["45"]


@pytest.mark.parametrize("memory", ["lpddr4", "lpddr5"])
def test_an_undriven_line_reads_nought_where_the_pull_is_down(memory: str) -> None:
    rose = states(error_signs.direction_loglik(200, 0, memory))
    fell = states(error_signs.direction_loglik(0, 200, memory))
    for state in UNDRIVEN:
        assert fell[state] > rose[state]


@pytest.mark.parametrize("memory", ["ddr3", "other", None])
def test_a_pull_to_the_middle_takes_no_side(memory: str | None) -> None:
    rose, fell = (error_signs.direction_loglik(*n, memory) for n in ((200, 0), (0, 200)))
    assert states(rose) == states(fell)


@pytest.mark.parametrize("memory", ["gddr6", "lpddr4"])
def test_what_is_driven_goes_either_way(memory: str) -> None:
    """Of margin, cells and joined lines neither direction is the termination's."""
    rose = states(error_signs.direction_loglik(200, 0, memory))
    fell = states(error_signs.direction_loglik(0, 200, memory))
    for state in (*GRADES, "array", "astray", "joined"):
        assert rose[state] == fell[state]


@pytest.mark.parametrize("memory", ["gddr6", "lpddr4", "ddr3", None])
def test_errors_both_ways_are_noise_or_cells_before_an_undriven_line(memory: str | None) -> None:
    """Where the pull is to the middle, or not known, an undriven line may read noise as well."""
    both = states(error_signs.direction_loglik(100, 100, memory))
    assert both["45"] > max(both[s] for s in UNDRIVEN)
    known = memory in ("gddr6", "lpddr4")
    assert both["array"] >= max(both[s] for s in UNDRIVEN) + (0.1 if known else 0.0)


def test_three_errors_have_no_direction() -> None:
    assert error_signs.direction_loglik(3, 0, "gddr6") is None


def test_few_errors_say_less_than_many() -> None:
    """Four of a coin fall alike one time in eight."""
    few, many = (states(error_signs.direction_loglik(n, 0, "gddr6")) for n in (4, 400))
    assert 0 < few["absent"] - few["45"] < many["absent"] - many["45"]


# ---- the link check ----


def crc8(bits: list[int]) -> int:
    """CRC-8, x^8 + x^2 + x + 1, start 0, bit by bit."""
    register = 0
    for bit in bits:
        carry = register >> 7 ^ bit
        register = register << 1 & 0xFF ^ (0x07 if carry else 0)
    return register


def test_the_link_check_finds_what_a_bad_line_does() -> None:
    """All singles, doubles and odd errors of 72 bits: hardly a bad link goes unseen, so words
    whose check is good were wrong before they travelled."""
    word = [random.Random(1).getrandbits(1) for _ in range(72)]
    right = crc8(word)

    def seen(*wrong: int) -> bool:
        return crc8([bit ^ (i in wrong) for i, bit in enumerate(word)]) != right

    assert all(seen(i) for i in range(72))
    assert all(seen(i, j) for i in range(72) for j in range(i))
    rng = random.Random(2)
    assert all(seen(*rng.sample(range(72), rng.choice((3, 5, 7)))) for _ in range(500))


def test_good_checks_speak_for_cells_and_bad_ones_for_the_link() -> None:
    """The package computes the check over what its array gives out: wrong cells travel well. What
    the line changes afterwards, the check does not know."""
    good = states(error_signs.link_check_loglik(20, 0))
    bad = states(error_signs.link_check_loglik(0, 20))
    for link in LINK_BAD:
        for cells in ("array", "astray"):
            assert good[cells] > good[link]
            assert bad[cells] < bad[link]


def test_the_narrower_the_eye_the_more_checks_fail() -> None:
    assert falls(of_grades(error_signs.link_check_loglik(20, 0)))
    assert falls(of_grades(error_signs.edc_count_loglik(0, None)))
    assert falls(of_grades(error_signs.edc_count_loglik(5, None))[::-1])


def test_no_word_checked_says_nothing() -> None:
    assert error_signs.link_check_loglik(0, 0) is None


def test_repeated_words_do_not_confirm_for_ever() -> None:
    few, many = (states(error_signs.link_check_loglik(n, 0)) for n in (10, 10_000))
    assert few == pytest.approx(many)


def test_failed_checks_beside_many_wrong_bits_are_counted_by_the_burst() -> None:
    """Ten thousand wrong bits in two thousand failed bursts: no burst was good."""
    assert states(error_signs.edc_count_loglik(2_000, 10_000)) == states(
        error_signs.link_check_loglik(0, 10_000)
    )
    assert likeliest(error_signs.edc_count_loglik(0, 10_000)) in ("array", "astray")


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(0, 10**6), st.one_of(st.none(), st.integers(0, 10**6)))
def test_any_count_of_checks_can_be_weighed(failed: int, errors: int | None) -> None:
    table = error_signs.edc_count_loglik(failed, errors)
    assert min(states(table).values()) > -30


# ---- words, bits, cells ----


def test_one_cell_hit_ten_thousand_times_is_one_cell() -> None:
    """It says no more than one hit a hundred times, and it says cells."""
    often, seldom = (states(error_signs.repeat_loglik(n, 1)) for n in (10_000, 100))
    assert often == seldom
    assert max(often, key=often.__getitem__) == "array"


def test_errors_somewhere_else_each_time_are_not_cells() -> None:
    found = states(error_signs.repeat_loglik(10_000, 10_000))
    assert found["45"] > found["array"]


@pytest.mark.parametrize("bits", [4.0, 3.0])
def test_whole_words_are_a_strobe_or_another_address(bits: float) -> None:
    """A word that is not the one asked for differs in half of its bits (derived: chance), four of
    a lane's eight. A single cell or line makes one bit wrong."""
    whole = states(error_signs.word_loglik(100, 100 * bits))
    single = states(error_signs.word_loglik(100, 100.0))
    for state in ("dead", "mute", "absent", "astray"):
        assert whole[state] > max(whole["array"], whole["stuck"], whole["sound"])
    for state in ("array", "stuck", "sound"):
        assert single[state] > max(single["dead"], single["astray"])


def test_one_word_is_one_event() -> None:
    """However many of its bits are wrong: eight say nothing eight times, and many words more."""
    one, many = (states(error_signs.word_loglik(n, 8.0 * n)) for n in (1, 30))
    assert 0 < one["dead"] - one["array"] < many["dead"] - many["array"]
    assert states(error_signs.word_loglik(1, 8.0)) == states(error_signs.word_loglik(1, 4.0))
    assert error_signs.word_loglik(0, 0.0) is None


def test_most_lines_wrong_alike_are_no_single_line() -> None:
    found = states(error_signs.MANY_LINES)
    assert found["stuck"] < min(found["dead"], found["33"], found["array"]) - 2


def test_one_line_all_over_the_array_is_the_line() -> None:
    found = states(error_signs.STEADY)
    assert min(found["stuck"], found["joined"]) > found["array"] + 2


# ---- data lines of a lane ----


@settings(max_examples=examples(60), deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_the_more_of_the_lanes_errors_a_line_has_the_worse_it_is(a: int, b: int) -> None:
    most = max(a, b)
    little, much = (states(error_signs.share_loglik(n, most)) for n in sorted((a, b)))
    for state in ("stuck", "dead", "12"):
        assert much[state] - much["sound"] >= little[state] - little["sound"] - 1e-9


def test_lines_wrong_only_where_they_are_written_unlike_are_joined() -> None:
    """What is shorted agrees with itself; an open line does not look at its neighbour."""
    assert error_signs.joined_ratio(0, 40, 0, 30) > 3
    assert error_signs.joined_ratio(20, 40, 0, 30) < -1
    assert error_signs.joined_ratio(0, 40, 20, 30) < -1


def test_too_few_patterns_cannot_tell_joined_lines_from_open_ones() -> None:
    """Kautz's counting sequence needs ceil(log2(n + 2)) words for n nets (the formula is quoted of
    Kautz 1974 and of Goel and McMahon 1982): four for eight lines, and more to tell what it is."""
    assert error_signs.joined_ratio(0, 40, 0, 4) == 0
    assert error_signs.joined_ratio(0, 2, 0, 30) == 0


@settings(max_examples=examples(60), deadline=None)
@given(
    st.floats(0, 1e6),
    st.floats(0, 1e6),
    st.sampled_from(["gddr5", "gddr6", "ddr3", "ddr4", "lpddr4", "other", None]),
)
def test_every_sign_can_be_weighed(a: float, b: float, memory: str | None) -> None:
    tables = [
        error_signs.direction_loglik(a, b, memory),
        error_signs.link_check_loglik(a, b),
        error_signs.repeat_loglik(int(a), int(b)),
        error_signs.word_loglik(int(a), b),
        error_signs.share_loglik(min(a, b), max(a, b)),
    ]
    for table in tables:
        if table is not None:
            found = states(table)
            assert set(found) == set(LINK)
            assert max(found.values()) <= 1e-9 and min(found.values()) > -40
