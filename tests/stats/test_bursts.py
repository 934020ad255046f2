"""One count each: the burst prior, its limits, and how often it calls like runs different."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import integrate, special
from scipy import stats as reference

from memdiag import stats
from tests.support.marks import examples

QUICK = settings(max_examples=examples(60), deadline=None)
COUNT = st.integers(0, 10**6)
BITS = st.floats(1e6, 1e13)


def test_the_prior_has_the_extremes_and_the_middle_of_what_was_measured() -> None:
    # CMU-SAFARI, DIVA-DRAM: 103 modules, variance over mean 5.6 to 15,751, median 791.
    prior = stats.MEASURED
    assert prior.median == 791
    # numpy: the middle of the largest of 103 normal draws, in standard deviations, is near 2.5.
    rng = np.random.default_rng(3)
    draws = 791 * np.exp(prior.spread * rng.standard_normal((4000, 103)))
    width = np.mean(np.log(draws.max(axis=1)) - np.log(draws.min(axis=1)))
    assert width == pytest.approx(math.log(15751 / 5.6), rel=0.01)


def test_the_mean_is_the_integral_over_the_prior() -> None:
    # scipy's adaptive quadrature over the same log-normal.
    prior = stats.MEASURED

    def density(z: float, errors: float, multiple: float) -> float:
        dispersion = max(1.0, prior.median * math.exp(prior.spread * z))
        return math.exp(-(1 + (errors - 1) / dispersion) * multiple) * float(reference.norm.pdf(z))

    for errors, multiple in ((6, 1.0), (5000, 1.0), (20000, 2.0), (10**6, 0.1)):
        whole, _ = integrate.quad(density, -9, 9, args=(errors, multiple), limit=200)
        got = stats.chance_of_none(errors, multiple)
        assert got == pytest.approx(whole, rel=0.005)


@given(COUNT, BITS, COUNT, BITS)
@QUICK
def test_a_dispersion_of_one_is_the_plain_test(n1: int, t1: float, n2: int, t2: float) -> None:
    plain = stats.conditional_test(n1, t1, n2, t2)
    got = stats.compare_single(n1, t1, n2, t2, prior=stats.INDEPENDENT)
    assert (got.p, got.p_less, got.p_greater) == pytest.approx(
        (plain.p, plain.p_less, plain.p_greater), rel=1e-6, abs=1e-12
    )
    assert got.low == pytest.approx(plain.low, rel=1e-6)
    assert got.high == pytest.approx(plain.high, rel=1e-6)


@given(st.integers(1, 10**6), st.sampled_from([0.1, 0.05, 0.01, 0.001]))
@QUICK
def test_independent_errors_need_the_bits_of_the_tables(errors: int, level: float) -> None:
    # N x BER = -ln(level): Redd 2000, Lightwave, April.
    got = stats.multiple_to_exclude(errors, level, stats.INDEPENDENT)
    assert got * errors == pytest.approx(-math.log(level), rel=1e-9)
    assert stats.multiple_to_exclude(errors, level) >= got * (1 - 1e-9)


@given(st.integers(1, 10**6), st.integers(1, 10**6), st.floats(0.001, 100), st.floats(1, 50))
@QUICK
def test_more_errors_and_more_bits_exclude_more(a: int, b: int, short: float, more: float) -> None:
    few, many = sorted((a, b))
    assert stats.chance_of_none(many, short) <= stats.chance_of_none(few, short) + 1e-12
    assert stats.chance_of_none(few, short * more) <= stats.chance_of_none(few, short) + 1e-12
    # However they hang together, the errors are one event at least, and no more than they are.
    chance = stats.chance_of_none(few, short)
    assert math.exp(-few * short) - 1e-12 <= chance <= math.exp(-short) + 1e-12


@given(st.integers(1, 10**6), st.sampled_from([0.1, 0.05, 0.01]))
@QUICK
def test_just_enough_bits_are_just_enough(errors: int, level: float) -> None:
    need = stats.multiple_to_exclude(errors, level)
    assert stats.chance_of_none(errors, need) <= level
    assert stats.chance_of_none(errors, need * 0.999) > level


@given(COUNT, COUNT, COUNT, st.sampled_from([0.1, 1.0, 10.0]))
@QUICK
def test_more_errors_after_look_more_like_a_rise(n: int, a: int, b: int, longer: float) -> None:
    few, many = sorted((a, b))
    less = stats.compare_single(few, longer, n, 1)
    more = stats.compare_single(many, longer, n, 1)
    assert more.p_greater <= less.p_greater + 1e-9
    assert less.low <= more.low * (1 + 1e-9) and less.high <= more.high * (1 + 1e-9)


@given(COUNT, BITS, COUNT, BITS)
@example(927, 1e6, 131054, 19078154059.0)
@QUICK
def test_the_other_way_round_is_the_same_test(n1: int, t1: float, n2: int, t2: float) -> None:
    """At the example scipy's betaincc makes a step of 1e-7 of itself, which is not to be seen."""
    one = stats.compare_single(n1, t1, n2, t2)
    two = stats.compare_single(n2, t2, n1, t1)
    assert one.p == pytest.approx(two.p, rel=1e-6, abs=1e-12)
    assert one.low <= (one.ratio if one.ratio is not None else math.inf) <= one.high or not n2
    if n1 and n2:
        assert one.low == pytest.approx(1 / two.high, rel=1e-6)


@pytest.mark.parametrize("mean", [100, 3000, 100_000, 10_000_000])
@pytest.mark.parametrize("longer", [1, 10])
def test_like_runs_are_called_different_one_time_in_twenty(mean: float, longer: int) -> None:
    """numpy's negative binomials, each pair of a dispersion drawn from the prior: the plain test
    calls most of them different."""
    rng = np.random.default_rng(17)
    called = plain = 0
    trials = 250
    for _ in range(trials):
        spread = stats.MEASURED.spread * rng.standard_normal()
        more = max(1.001, 791 * math.exp(spread)) - 1
        one, two = (int(rng.poisson(rng.gamma(m / more, more))) for m in (mean, mean * longer))
        called += stats.compare_single(two, longer, one, 1).p < 0.05
        plain += stats.conditional_test(two, longer, one, 1).p < 0.05
    # 12.5 expected of 250; 24 is more than three standard errors up.
    assert called <= 24
    assert plain > 2 * called


@pytest.mark.parametrize("mean", [300, 3000])
def test_an_unchanged_rate_is_seldom_excluded(mean: float) -> None:
    """numpy's negative binomials of one rate, each pair of a dispersion drawn from the prior: how
    often the first shows errors and the second, of the same length, shows none and is taken for
    proof. Errors taken as independent are taken for proof wherever the second shows none."""
    rng = np.random.default_rng(23)
    proved = plain = 0
    trials = 3000
    for _ in range(trials):
        more = max(1.001, 791 * math.exp(stats.MEASURED.spread * rng.standard_normal())) - 1
        one, two = (int(rng.poisson(rng.gamma(mean / more, more))) for _ in range(2))
        if one and not two:
            proved += stats.chance_of_none(one, 1.0) <= 0.05
            plain += math.exp(-one) <= 0.05
    assert proved <= 0.05 * trials
    assert plain > proved


def test_limits_leave_what_they_should_in_each_tail() -> None:
    # scipy's incomplete beta at a sum over a fine grid of the prior, in place of the quadrature.
    got = stats.compare_single(8000, 2.0, 50000, 1.0)
    z = np.linspace(-8, 8, 20001)
    weights = reference.norm.pdf(z) / reference.norm.pdf(z).sum()
    spread = np.minimum(np.maximum(1, 791 * np.exp(stats.MEASURED.spread * z)), 50000)
    n1, n2 = 8000 / spread, 50000 / spread
    for ratio, tail in (
        (got.low, lambda s: special.betainc(n1, n2 + 1, s)),
        (got.high, lambda s: special.betaincc(n1 + 1, n2, s)),
    ):
        share = ratio * 2 / (1 + ratio * 2)
        assert float(weights @ tail(share)) == pytest.approx(0.025, rel=0.02)


def test_what_is_no_count_is_refused() -> None:
    with pytest.raises(ValueError, match="no rate to exclude"):
        stats.chance_of_none(0, 1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        stats.multiple_to_exclude(5, 1.0)
    with pytest.raises(ValueError, match="no rates to compare"):
        stats.compare_single(-1, 1, 1, 1)
    with pytest.raises(ValueError, match="1 or more"):
        stats.Bursts(0.5, 1.0)
