"""Calibration: our bins against a library's, and by statements as true as they say."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.accuracy.calibration import by_chance, calibration
from tests.accuracy.scoring import Claim


def claims(stated: list[float], true: list[bool]) -> list[Claim]:
    return [Claim("weak", p, t) for p, t in zip(stated, true, strict=True)]


def test_the_example_of_the_library() -> None:
    # scikit-learn 1.9, docstring of sklearn.calibration.calibration_curve
    stated = [0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]
    _, error, bins = calibration(claims(stated, [False] * 4 + [True] * 5), bins=3)
    assert [b for _, b, _ in bins] == pytest.approx([0, 0.5, 1])
    assert [a for a, _, _ in bins] == pytest.approx([0.2, 0.525, 0.85])
    assert error == pytest.approx((3 * 0.2 + 2 * 0.025 + 4 * 0.15) / 9)


def test_the_example_of_the_brier_score() -> None:
    # scikit-learn 1.9, docstring of sklearn.metrics.brier_score_loss: 0.0375
    made = claims([0.1, 0.9, 0.8, 0.3], [False, True, True, False])
    assert calibration(made)[0] == pytest.approx(0.0375)


# No probability on the edge of a bin: whose it is, is a convention.
inside = st.integers(0, 999).map(lambda k: (k + 0.5) / 1000)


@pytest.fixture(scope="module")
def library() -> Any:
    return pytest.importorskip("sklearn.calibration")


@given(
    made=st.lists(st.tuples(inside, st.booleans()), min_size=1, max_size=60),
    bins=st.integers(1, 20),
)
def test_bins_are_those_of_the_library(
    library: Any, made: list[tuple[float, bool]], bins: int
) -> None:
    stated, true = [p for p, _ in made], [t for _, t in made]
    if any(abs(p * bins - round(p * bins)) < 1e-9 for p in stated):
        return
    shares, means = library.calibration_curve(true, stated, n_bins=bins)
    _, error, found = calibration(claims(stated, true), bins)
    assert [b for _, b, _ in found] == pytest.approx(list(shares))
    assert [a for a, _, _ in found] == pytest.approx(list(means))
    weighed = sum(n * abs(a - b) for a, b, n in found) / len(made)
    assert error == pytest.approx(weighed)


def test_the_error_by_chance_is_what_true_statements_show() -> None:
    rng = random.Random(1)
    stated = [rng.random() for _ in range(300)]
    shown = [calibration(claims(stated, [rng.random() < p for p in stated]))[1] for _ in range(300)]
    # the mean of 300 simulated errors, against the formula: normal deviates for binomial ones
    assert by_chance(claims(stated, [True] * 300)) == pytest.approx(sum(shown) / 300, rel=0.05)


def test_who_is_sure_and_right_has_no_error_by_chance() -> None:
    assert by_chance(claims([0.0, 1.0], [False, True])) == 0
