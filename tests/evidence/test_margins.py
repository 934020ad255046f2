"""Eye widths on the margin scale: who is healthy, how narrow is narrow, and how sure that is.

* Outliers: Iglewicz and Hoaglin, "How to Detect and Handle Outliers" (1993); NIST/SEMATECH
  e-Handbook 1.3.5.17 (eight values with one far off, 1.3.5.17.1).
* Q and width: rate = erfc(Q / sqrt 2) / 2 (J-BERT N4903B user guide, "Output Timing").
"""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.evidence import margins
from memdiag.evidence.nodes import GRADES, LINK, Array
from memdiag.stats.outliers import modified_z
from tests.support.likelihoods import GRADE_NAMES, SICK, likeliest, of_grades, states
from tests.support.marks import examples

WHOLE = ("sound", "array", "astray", "90")
"""Where the width is as the peers' or a tenth narrower: as far as a good rig repeats itself."""

NIST_EIGHT = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
ALIKE = [0.44, 0.45, 0.45, 0.46, 0.45, 0.44, 0.46, 0.45]


def width_loglik(width: float, peers: margins.Peers, *, at_least: bool = False) -> Array | None:
    """(S,) where the reference is what is healthy."""
    found = margins.width_logliks(width, peers, [0.0], at_least=at_least)
    return None if found is None else found[0]


def peers(widths: list[float], floor: float = 0.0) -> margins.Peers:
    found = margins.reference(widths, floor)
    assert found is not None
    return found


# ---- who is healthy ----


def test_eight_lanes_can_never_show_three_sigma() -> None:
    """The largest plain z of n values is (n - 1) / sqrt n: 2.475 of eight. Medians can."""
    thin = [0.45] * 7 + [0.001]
    z = (np.mean(thin) - min(thin)) / np.std(thin, ddof=1)
    assert z == pytest.approx(7 / math.sqrt(8)) == pytest.approx(2.475, abs=1e-3)
    assert likeliest(width_loglik(0.001, peers(thin))) in SICK


def test_the_far_value_of_the_handbook_stands_out_here_too() -> None:
    """Mirrored, since a fault takes margin away: the far value is narrow, the rest its peers."""
    assert abs(modified_z(NIST_EIGHT)[-1]) == pytest.approx(29.963, abs=1e-3)
    widths = [0.45 * 200 / v for v in NIST_EIGHT]
    healthy = peers(widths)
    assert max(widths[:-1]) >= healthy.reference >= min(widths[:-1])
    assert likeliest(width_loglik(widths[-1], healthy)) == "80"  # 200 / 245.57 = 81 %
    assert likeliest(width_loglik(min(widths[:-1]), healthy)) in WHOLE


@settings(max_examples=examples(60), deadline=None)
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
    found = peers(mixed)
    assert min(healthy) <= found.reference <= max(healthy)
    for width in healthy:
        assert likeliest(width_loglik(width, found)) in WHOLE
    for width in thin:
        assert likeliest(width_loglik(width, found)) in SICK


def test_one_wide_eye_among_many_is_a_fluke_and_no_measure() -> None:
    found = peers([*ALIKE, *ALIKE, 0.80])
    assert found.reference == pytest.approx(0.45, rel=0.05)


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.floats(0.3, 0.5), min_size=8, max_size=24), st.floats(1e-13, 1e6))
def test_the_unit_of_widths_does_not_matter(widths: list[float], scale: float) -> None:
    one, other = peers(widths), peers([w * scale for w in widths])
    assert other.reference == pytest.approx(one.reference * scale)
    for width in (0.02, 0.2, 0.4):
        here = states(width_loglik(width, one))
        there = states(width_loglik(width * scale, other))
        assert there == pytest.approx(here, rel=1e-6, abs=1e-6)


def test_two_eyes_are_no_peers() -> None:
    assert margins.reference([0.45, 0.20]) is None
    assert margins.reference([]) is None


def test_all_peers_thin_are_held_to_the_absolute_limit() -> None:
    """Where every eye is under the limit, none of them is the measure of health."""
    thin = [0.09, 0.10, 0.10, 0.11, 0.09, 0.10, 0.10, 0.11]
    by_peers, by_limit = peers(thin), peers(thin, floor=0.2)
    assert by_limit.reference >= 0.2 > by_peers.reference
    assert likeliest(width_loglik(0.10, by_peers)) in WHOLE
    assert likeliest(width_loglik(0.10, by_limit)) in SICK


# ---- how narrow ----


@pytest.mark.parametrize("grade", GRADE_NAMES)
def test_a_width_speaks_for_the_grade_it_has(grade: str) -> None:
    """The scale is its own measure: the log of the share of a healthy width that is left."""
    healthy = peers(ALIKE)
    width = healthy.reference * math.exp(GRADES[grade])
    values = of_grades(width_loglik(width, healthy))
    assert GRADE_NAMES[int(np.argmax(values))] == grade


@pytest.mark.parametrize(("wider", "narrower"), list(pairwise(GRADE_NAMES))[1:])
def test_a_width_between_two_grades_is_strange_to_neither(wider: str, narrower: str) -> None:
    """Margin has no steps: half of the way costs each of the two no more than a ruler's width."""
    healthy = peers(ALIKE)
    at = {name: healthy.reference * math.exp(GRADES[name]) for name in (wider, narrower)}
    between = states(width_loglik(math.sqrt(at[wider] * at[narrower]), healthy))
    for name, width in at.items():
        assert between[name] > states(width_loglik(width, healthy))[name] - 2


@settings(max_examples=examples(40), deadline=None)
@given(st.lists(st.floats(0.02, 1.0), min_size=2, max_size=6))
def test_a_narrower_eye_is_never_more_like_a_sound_one(ratios: list[float]) -> None:
    """Nor against whatever else it may be best, within what steps of a scale are worth and up to
    odds of e^10, beyond which nothing is doubted."""
    healthy = peers(ALIKE)
    for_sound, best = [], []
    for ratio in sorted(ratios, reverse=True):
        found = states(width_loglik(healthy.reference * ratio, healthy))
        for_sound.append(found["sound"])
        best.append(max(found["sound"] - max(found[s] for s in SICK), -10.0))
    assert all(a >= b - 1e-9 for a, b in pairwise(for_sound))
    assert all(a >= b - 0.5 for a, b in pairwise(best))


def test_a_wide_eye_is_as_good_as_its_peers() -> None:
    healthy = peers(ALIKE)
    usual, wide = (states(width_loglik(healthy.reference * x, healthy)) for x in (1.0, 1.1))
    assert wide == pytest.approx(usual)


def test_no_eye_at_all_is_a_closed_one_or_a_mode() -> None:
    found = states(width_loglik(0.0, peers(ALIKE)))
    assert max(found, key=found.__getitem__) in ("dead", "mute", "absent")
    assert found["12"] > found["45"] > found["sound"]


def test_a_narrow_figure_of_a_cut_sweep_says_nothing() -> None:
    healthy = peers(ALIKE)
    assert width_loglik(0.2, healthy, at_least=True) is None
    assert width_loglik(0.45, healthy, at_least=True) is not None


@settings(max_examples=examples(100), deadline=None)
@given(st.floats(0, 1e3), st.floats(0, 1.2))
def test_every_width_can_be_weighed(width: float, shift: float) -> None:
    (found,) = map(states, margins.width_logliks(width, peers(ALIKE), [shift]))
    assert max(found.values()) - min(found.values()) < 60


@pytest.mark.parametrize("state", LINK)
def test_the_widths_of_a_state_are_a_distribution(state: str) -> None:
    """Up to the reference, above which the likelihood stands still (wider is no worse): a state
    that loses margin has all of its widths there, a whole one about half of them. Chances of all
    widths together are one."""
    healthy = peers(ALIKE)
    at = np.linspace(-9.0, 0.0, 9001)
    density = np.exp(
        [states(width_loglik(healthy.reference * math.exp(x), healthy))[state] for x in at]
    )
    shut = math.exp(states(width_loglik(0.0, healthy))[state])
    mass = float(np.trapezoid(density, at)) + shut
    assert mass <= 1.01
    if GRADES.get(state, 0.0) < -0.5:
        assert mass == pytest.approx(1.0, abs=0.03)
    elif state == "sound":
        assert mass == pytest.approx(0.5, abs=0.03)


# ---- how far the reference may be down ----


def certain(ratio: float | None, play: float = margins.HEALTHY_PLAY) -> dict[float, float]:
    return dict(margins.shifts(ratio, play))


@settings(max_examples=examples(60), deadline=None)
@given(st.one_of(st.none(), st.floats(-4, 4)), st.floats(0.02, 0.6))
def test_where_the_reference_may_be_is_a_distribution(ratio: float | None, play: float) -> None:
    found = certain(ratio, play)
    assert math.fsum(found.values()) == pytest.approx(1.0)
    assert all(p > 0 and s >= 0 for s, p in found.items())


def test_no_eye_of_a_quarter_unit_interval_is_healthy_at_full_rate() -> None:
    """Common practice, no source; 0.6 UI is."""
    quarter, wide = (certain(math.log(w / margins.HEALTHY_UI)) for w in (0.25, 0.60))
    assert quarter.get(0.0, 0.0) < 0.1
    assert wide[0.0] > 0.6


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(-1.2, 0.4), st.floats(0.01, 0.5))
def test_wider_eyes_make_the_reference_surer(ratio: float, more: float) -> None:
    assert certain(ratio + more).get(0.0, 0.0) >= certain(ratio).get(0.0, 0.0) - 1e-9


def test_a_shift_makes_the_same_width_a_lesser_one() -> None:
    """Beside peers of half an eye, half an eye is half an eye all the same."""
    half = peers([w / 2 for w in ALIKE])
    assert likeliest(width_loglik(0.225, half)) in WHOLE
    (down,) = margins.width_logliks(0.225, half, [math.log(2)])
    assert likeliest(down) in ("58", "45")


def test_a_reference_far_off_what_is_healthy_is_down_and_no_crash() -> None:
    """A baseline learnt in one unit and eyes printed in another are dozens of deviations apart."""
    assert certain(-4.0, 0.07) == pytest.approx({max(margins.SHIFTS): 1.0})
