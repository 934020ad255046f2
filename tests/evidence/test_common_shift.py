"""What all lines of a package share is one observation, whatever the number of lines.

The reference for the split is plain arithmetic: every width is a package's own factor times a
line's own, and the factor is put in by the test.
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.diagnosis.judge import judge
from memdiag.evidence import common_shift, margins
from memdiag.model import Cause, Place
from memdiag.reading.load import load
from tests.diagnosis.test_facts import board, dump, gone

HEALTHY = margins.Peers(0.40, 0.045, 64)


def package(
    site: str, factor: float, rng: random.Random, spread: float = 0.02
) -> list[common_shift.Figure]:
    out: list[common_shift.Figure] = []
    for channel in (0, 1):
        for lane in (0, 1):
            key = Place(site, channel, 0, lane)
            out += [(key, dq, math.log(factor) + rng.gauss(0, spread)) for dq in range(8)]
    return out


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.25, 0.85))
def test_a_shared_factor_is_found_once_at_the_package(seed: int, factor: float) -> None:
    rng = random.Random(seed)
    figures = package("U1", factor, rng) + package("U2", 1.0, rng)
    found = common_shift.find(figures, HEALTHY)
    assert {key.site for key, _ in found} == {"U1"} and len(found) == 32
    (at,) = {shift.at for shift in found.values()}
    assert at == Place("U1")
    (log,) = {shift.log for shift in found.values()}
    assert log == pytest.approx(math.log(factor), abs=0.03)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 1), st.integers(0, 1))
def test_a_lane_of_its_own_is_no_package(seed: int, channel: int, lane: int) -> None:
    rng = random.Random(seed)
    figures = [
        (key, dq, log - 0.7 * (key == Place("U1", channel, 0, lane)))
        for key, dq, log in package("U1", 1.0, rng)
    ]
    found = common_shift.find(figures, HEALTHY)
    assert {shift.at for shift in found.values()} == {Place("U1", channel, 0, lane)}


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 31))
def test_one_line_of_many_shares_nothing(seed: int, sick: int) -> None:
    figures = package("U1", 1.0, random.Random(seed))
    key, dq, log = figures[sick]
    figures[sick] = (key, dq, log - 1.2)
    assert not common_shift.find(figures, HEALTHY)


def test_what_is_left_of_a_line_says_nothing_of_thin_against_disturbed() -> None:
    shift = common_shift.Shift(("U1", None, None, None), math.log(0.6))
    table = margins.beside_shift(common_shift.apart(0.24, shift), HEALTHY)
    assert table is not None
    assert table["thin"] >= table["sound"] and table["disturbed"] >= table["sound"]
    assert table["dead"] < table["sound"] - 1


@pytest.mark.parametrize("part", [0.70, 0.80, 0.88])
def test_neighbours_of_a_missing_package_with_narrower_eyes_are_not_weak(part: float) -> None:
    """Common practice, no source: with a package off, its neighbours are disturbed, all their
    lines alike, and are well again once it is fitted."""
    on = board("quince-12")
    silent = gone("U6")
    near = {s.ref for s in on.sites if {"clamshell", "partition"} & on.couplings("U6", s.ref)}
    assert near

    def row(site: str, channel: int, lane: int, step: str) -> str | None:
        if site in near and step in ("read", "write"):
            return f"pass {0.42 * part:.3f}UI"
        return silent[0](site, channel, lane, step)

    verdict = judge(load(dump(on, row, *silent[1:]).encode(), board=on)[0], on)
    named = {f.place.site: f.cause for f in verdict.findings}
    assert named["U6"] is Cause.MISSING
    assert not [f for f in verdict.findings if f.cause is Cause.WEAK]
