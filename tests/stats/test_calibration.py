"""Stated against true, held to scikit-learn."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from memdiag.stats.calibration import binned, brier, expected_error

CLAIMS = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=80)


@given(CLAIMS, st.integers(1, 12))
def test_the_curve_is_scikit_learn_s(claims: list[tuple[float, bool]], bins: int) -> None:
    found = binned(claims, bins)
    stated, true = [p for p, _ in claims], [right for _, right in claims]
    share, mean = calibration_curve(true, stated, n_bins=bins)
    assert [m for m, _, _ in found] == pytest.approx(mean.tolist())
    assert [right / n for _, n, right in found] == pytest.approx(share.tolist())
    assert sum(n for _, n, _ in found) == len(claims)
    assert brier(claims) == pytest.approx(
        brier_score_loss(true, stated, labels=[False, True], pos_label=True)
    )


def test_the_error_is_the_mean_distance() -> None:
    """Four statements of 0.9, two of them true, and a false one of 0.1: (4 x 0.4 + 0.1) / 5."""
    claims = [(0.9, True), (0.9, True), (0.9, False), (0.9, False), (0.1, False)]
    assert expected_error(binned(claims)) == pytest.approx(0.34)


def test_nothing_stated_is_nothing_known() -> None:
    assert binned([]) == [] and brier([]) is None and expected_error([]) is None


def test_what_is_no_probability_is_refused() -> None:
    for p in (-0.1, 1.1, float("nan")):
        with pytest.raises(ValueError, match="between 0 and 1"):
            binned([(p, True)])
    with pytest.raises(ValueError, match="at least one"):
        binned([(0.5, True)], 0)
