"""Middle, spread and line with wild readings, against scipy, published figures and simulation."""

from __future__ import annotations

import math
import random
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as reference

from memdiag.stats import robust

readings = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=30)


def test_the_deviation_of_one_to_nine_is_the_handbooks() -> None:
    # R, package stats, `?mad`: mad(c(1:9)) is 2.9652, and so is mad(c(1:8, 100)). The factor for
    # nine readings is beside it: Croux and Rousseeuw 1992.
    assert robust.deviation(range(1, 10)) == pytest.approx(2.9652 * 1.107, rel=1e-4)
    assert robust.deviation([*range(1, 9), 100]) == pytest.approx(2.9652 * 1.107, rel=1e-4)


@given(readings)
def test_the_deviation_is_the_reference_librarys_but_for_few_readings(values: list[float]) -> None:
    n = len(values)
    bare = reference.median_abs_deviation(values, scale="normal")
    ratio = robust.deviation(values) / bare if bare > 1e-9 else 1.0
    assert ratio >= 1 - 1e-9
    if n > 9:
        # n / (n - 0.8), the same source.
        assert robust.deviation(values) == pytest.approx(bare * n / (n - 0.8), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("n", range(2, 14))
def test_few_normal_readings_have_the_right_deviation_on_the_average(n: int) -> None:
    drawn = np.random.default_rng(n).normal(0, 3, (20_000, n))
    mean = statistics.fmean(robust.deviation(list(row)) for row in drawn)
    assert mean == pytest.approx(3, rel=0.02)


@given(st.lists(st.tuples(st.integers(0, 15), st.integers(-99, 99)), min_size=1, max_size=16))
def test_the_line_is_the_reference_librarys(points: list[tuple[int, int]]) -> None:
    found = robust.line(points)
    if len({x for x, _ in points}) < 3:
        assert found is None
        return
    assert found is not None
    xs, ys = zip(*points, strict=True)
    # With many ties scipy's limits, which are not asked for, come of a variance below zero.
    with np.errstate(invalid="ignore"):
        wanted = reference.theilslopes(ys, xs).slope
    assert found.slope == pytest.approx(wanted, abs=1e-9)


@given(st.floats(-9, 9), st.integers(5, 16), st.data(), st.sampled_from([-1e6, -40.0, 40.0, 1e6]))
def test_one_wild_lane_turns_no_line(slope: float, n: int, data: st.DataObject, off: float) -> None:
    points = [(float(x), slope * x) for x in range(n)]
    wild = data.draw(st.integers(0, n - 1))
    points[wild] = (points[wild][0], points[wild][1] + off)
    found = robust.line(points)
    assert found is not None and found.slope == pytest.approx(slope, abs=1e-6)


def test_the_error_of_a_line_is_that_of_whole_steps_at_least() -> None:
    # Least squares: the standard error is sigma over the root of the squared distances from the
    # mean x (42 for eight lanes); a uniform distribution one step wide has sigma 1 / sqrt 12.
    found = robust.line([(x, 3.0 * x) for x in range(8)])
    assert found is not None and found.error == pytest.approx(1 / math.sqrt(12 * 42))


@given(st.floats(0.001, 1), st.floats(0.01, 3))
def test_one_group_has_the_spread_that_is_expected_and_its_own(inside: float, apart: float) -> None:
    group = [inside * x for x in (-1.5, -0.5, 0.5, 1.5)]
    alone = robust.spread([[0.0]], apart)
    assert alone == pytest.approx(apart)
    assert robust.spread([group], apart) > alone


@given(st.integers(1, 40))
def test_what_was_expected_counts_as_one_more_group(n: int) -> None:
    # Scaled inverse chi-square, Gelman et al., section 2.6: (1 s0^2 + (n - 1) s^2) / n, s = 0 here.
    assert robust.spread([[2.0]] * n, 0.3) == pytest.approx(0.3 / math.sqrt(n))


def test_the_spread_is_that_of_lanes_and_boards_together() -> None:
    rng = random.Random(7)
    found = []
    for _ in range(60):
        middles = [rng.gauss(0, 0.05) for _ in range(20)]
        groups = [[m + rng.gauss(0, 0.03) for _ in range(8)] for m in middles]
        found.append(robust.spread(groups, 0.05))
    assert statistics.fmean(found) == pytest.approx(math.hypot(0.05, 0.03), rel=0.06)


def test_how_unsure_a_spread_is_follows_from_the_table_of_chi_square() -> None:
    # NIST/SEMATECH e-Handbook 1.3.6.7.4, lower critical values at 0.025: 0.216 for 3 degrees of
    # freedom, 1.690 for 7, 2.180 for 8.
    for groups, critical in ((3, 0.216), (7, 1.690), (8, 2.180)):
        wanted = math.sqrt(groups / critical)
        assert robust.factor_uncertain(groups) == pytest.approx(wanted, rel=2e-3)


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=10, max_size=30),
    st.integers(0, 29),
    st.floats(-1e9, 1e9),
)
def test_one_wild_reading_among_many_widens_little(
    values: list[float], at: int, wild: float
) -> None:
    spoilt = [*values]
    spoilt[at % len(values)] = wild
    # The spoilt middle lies between its old neighbours, and so does the median distance from it.
    assert robust.deviation(spoilt) <= 3 * (max(values) - min(values))
