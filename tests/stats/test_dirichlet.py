"""Beta-binomial and Dirichlet updating against worked examples and scipy."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from memdiag.stats.dirichlet import Beta, shares


def test_the_textbook_s_births() -> None:
    """Gelman and others, "Bayesian Data Analysis" (3rd ed.), section 2.4: 437 girls of 980 births,
    a uniform prior: Beta(438, 544), mean 0.446, central 95 % interval 0.415 to 0.477. The longer
    figures are those of the authors' own demo (BDA_py_demos, demo2_1), as printed at
    lalten.org/pages/applied-bayes-python/bda/commentary/binomial_grid.html."""
    after = Beta(1, 1).after(437, 980)
    assert (after.a, after.b) == (438, 544)
    assert after.mean == pytest.approx(0.44602851, abs=5e-9)
    assert after.limits() == pytest.approx((0.41506549, 0.47719977), abs=5e-9)


def test_a_prior_counts_for_as_many_trials_as_its_weight() -> None:
    """The same book, table 2.1 (from memory): a prior of mean 0.485 worth 2, 10, 100 and 200 births
    moves the estimate to 0.446, 0.446, 0.450 and 0.453."""
    for weight, mean in ((2, 0.446), (10, 0.446), (100, 0.450), (200, 0.453)):
        assert Beta.worth(0.485, weight).after(437, 980).mean == pytest.approx(mean, abs=6e-4)


@given(st.floats(0.01, 0.99), st.floats(1, 500), st.integers(0, 300), st.integers(0, 300))
def test_limits_are_scipy_s_and_the_mean_lies_between(
    mean: float, weight: float, hits: int, misses: int
) -> None:
    after = Beta.worth(mean, weight).after(hits, hits + misses)
    low, high = after.limits(0.95)
    assert (low, high) == pytest.approx(stats.beta.interval(0.95, after.a, after.b), rel=1e-6)
    assert 0 < after.mean < 1 and 0 <= low <= high <= 1
    assert after.mean == pytest.approx((mean * weight + hits) / (weight + hits + misses))


@given(
    st.dictionaries(st.sampled_from("abcde"), st.floats(0.01, 50), min_size=1),
    st.dictionaries(st.sampled_from("abcde"), st.integers(0, 60)),
)
def test_shares_are_those_of_scipy_s_dirichlet(
    prior: dict[str, float], counts: dict[str, int]
) -> None:
    found = shares(prior, counts)
    assert sum(found.values()) == pytest.approx(1)
    if len(prior) > 1:
        after = [a + counts.get(name, 0) for name, a in prior.items()]
        assert list(found.values()) == pytest.approx(stats.dirichlet.mean(after))


def test_what_is_no_distribution_is_refused() -> None:
    for make in (
        lambda: Beta(0, 1),
        lambda: Beta.worth(0, 40),
        lambda: Beta.worth(1, 40),
        lambda: Beta.worth(0.5, 0),
        lambda: Beta(1, 1).after(3, 2),
        lambda: Beta(1, 1).after(-1, 2),
        lambda: shares({}, {}),
        lambda: shares({"a": 0.0}, {}),
        lambda: shares({"a": 1.0}, {"a": -1}),
    ):
        with pytest.raises(ValueError):
            make()
