"""The fit finds an optimum that is known, keeps to common practice, and changes nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.accuracy import fit
from tests.accuracy.fit import STEPS, WIDTH, Key, Told, fitted, scaled, unscaled

REACH, IDLE = ("Toy", "reach"), ("Toy", "idle")
PRACTICE = {REACH: 0.3, IDLE: 2.0}


def toy(wanted: float, weights: list[float], price: float = 1.0):
    """Scenes whose log probability falls with the square of the distance, on the scale of the
    prior, of `reach` from the wanted value; `idle` changes nothing."""

    def scorer(values: Mapping[Key, float]) -> list[Told]:
        off = scaled(values.get(REACH, PRACTICE[REACH])) - wanted
        return [(-price * weight * off**2, 1) for weight in weights]

    return scorer


@pytest.mark.parametrize("wanted", [-2.5, -0.85, 0.0, 1.3])
@pytest.mark.parametrize("price", [0.02, 1.0])
def test_a_known_optimum_is_found(wanted: float, price: float) -> None:
    """Of a square and a normal prior the optimum is the mean of both by their precisions; the last
    step that pays leaves it within half of the least one."""
    weights = [0.5, 1.0, 1.5] * 10
    chosen, _ = fitted(PRACTICE, toy(wanted, weights, price), rounds=12)
    scenes, prior = 2 * price * sum(weights), 1 / WIDTH**2
    best = (scenes * wanted + prior * scaled(0.3)) / (scenes + prior)
    least = WIDTH * min(abs(step) for step in STEPS)
    assert abs(scaled(chosen[REACH]) - best) <= least / 2 + 1e-9
    assert chosen[IDLE] == 2.0


def test_a_gain_within_its_error_is_not_chosen() -> None:
    """Half of the scenes want more and half of them nearly as much less."""

    def torn(values: Mapping[Key, float]) -> list[Told]:
        off = scaled(values.get(REACH, 0.3)) - scaled(0.3)
        return [(sign * 5.0 * off, 1) for sign in (1.0, 1.0, -1.0, -1.0, 0.9)]

    chosen, trials = fitted({REACH: 0.3}, torn)
    assert any(trial.net > 0 for trial in trials)
    assert chosen == {REACH: 0.3}


def test_the_prior_keeps_a_figure_where_scenes_say_little() -> None:
    chosen, trials = fitted({REACH: 0.3}, toy(3.0, [1e-4] * 5))
    assert any(trial.gain > trial.error for trial in trials)
    assert chosen == {REACH: 0.3}


@given(st.floats(-20, 20).filter(lambda v: abs(v) > 1e-3 and v != 1.0), st.floats(-2, 2))
def test_a_scale_goes_there_and_back(value: float, step: float) -> None:
    there = unscaled(scaled(value) + step, value)
    assert math.copysign(1, there) == math.copysign(1, value)
    assert 0 < there < 1 or not 0 < value < 1
    assert unscaled(scaled(value), value) == pytest.approx(value)


def test_nothing_has_no_scale() -> None:
    with pytest.raises(ValueError, match="no scale"):
        scaled(0.0)


@pytest.mark.parametrize("seeds", [[100_000], [3000, 1_000_000], [-1]])
def test_held_out_seeds_are_refused(seeds: list[int]) -> None:
    with pytest.raises(ValueError, match="tuning seeds only"):
        fit.simulated(seeds)


def test_scenes_are_scored_with_other_values(capsys: pytest.CaptureFixture[str]) -> None:
    """In processes of their own, the same every time; here no figure is another one after it."""
    key = ("Training steps", "stray marginal")
    before = fit.present([key])
    scorer = fit.simulated(range(3000, 3004))
    plain = scorer({})
    assert plain == scorer({})
    assert all(total <= 0 and truths >= 0 for total, truths in plain)
    assert sum(truths for _, truths in plain) > 0
    assert plain != scorer({key: 0.4})
    assert fit.present([key]) == before
    with pytest.raises(SystemExit, match="cannot fit"):
        fit.main(["Eyes: nobody", "--scenes", "1"])
    with pytest.raises(SystemExit, match="tuning seeds only"):
        fit.main(["Eyes: repeatability", "--first", "100000"])
