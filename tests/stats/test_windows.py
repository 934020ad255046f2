"""Tap windows: runs, holes, open edges, wrapping sweeps, and which candidate's window counts."""

from __future__ import annotations

from itertools import groupby

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.evidence import measurements
from memdiag.evidence.eyes import best_eyes
from memdiag.evidence.measurements import width_of
from memdiag.evidence.table import rows
from memdiag.model import Place, TrainingRow
from memdiag.reading.load import load
from memdiag.stats.windows import Window, measure, runs
from tests.support.marks import examples

windows = st.text("01", max_size=64)


# ---- by hand ----


def test_an_eye_in_the_middle() -> None:
    #                 01234567890123
    found = measure("00011111100000")
    assert (found.width, found.first, found.last, found.centre) == (6, 3, 8, 5.5)
    assert (found.holes, found.open_left, found.open_right) == (0, False, False)
    assert not found.lower_limit and not found.full


@pytest.mark.parametrize("dead", ["0", "0000", "0" * 64])
def test_nothing_works(dead: str) -> None:
    assert measure(dead) == Window(0.0, None, None, None, 0, False, False, len(dead))
    assert not measure(dead).lower_limit and not measure(dead).full


def test_an_empty_sweep_has_no_eye_and_is_not_full() -> None:
    assert measure("").width == 0
    assert not measure("").full


@pytest.mark.parametrize(
    ("window", "left", "right"), [("111000", True, False), ("000111", False, True)]
)
def test_a_run_at_the_edge_is_a_lower_limit(window: str, left: bool, right: bool) -> None:
    found = measure(window)
    assert (found.open_left, found.open_right) == (left, right)
    assert found.width == 3
    assert found.lower_limit and not found.full


def test_every_tap_works() -> None:
    """More often a delay line that does not move than a perfect eye."""
    found = measure("1" * 32)
    assert found.full and found.lower_limit
    assert not measure("1" * 16 + "0" + "1" * 16).full


def test_a_dead_tap_inside_the_eye_is_a_hole_in_it() -> None:
    #                 0123456789012
    found = measure("0011110111100")
    assert (found.width, found.first, found.last, found.holes) == (9, 2, 10, 1)
    assert found.centre == 6


def test_two_dead_taps_are_the_end_of_the_eye() -> None:
    found = measure("0011110011000")
    assert (found.width, found.first, found.last, found.holes) == (4, 2, 5, 0)


def test_single_taps_apart_are_noise_and_not_an_eye_with_holes() -> None:
    found = measure("1010101")
    assert (found.width, found.holes) == (1, 0)


def test_the_longest_run_is_the_eye() -> None:
    found = measure("110001111100111000")
    assert (found.first, found.last) == (5, 9)
    assert not found.open_left


def test_a_character_may_stand_for_several_taps() -> None:
    one, four = measure("0011110"), measure("0011110", 4.0)
    assert four.width == 4 * one.width == 16
    assert one.centre is not None and four.centre == 4 * one.centre


# ---- write levelling wraps round the clock period ----


def test_a_run_over_the_right_edge_goes_on_at_the_left() -> None:
    #                 0123456789
    found = measure("1100000111", wraps=True)
    assert (found.width, found.first, found.last) == (5, 7, 1)
    assert found.centre == 9
    assert not found.lower_limit  # nothing lies beyond the period
    straight = measure("1100000111")
    assert straight.width == 3 and straight.lower_limit


def test_a_centre_that_lies_beyond_the_edge_comes_round() -> None:
    assert measure("1110000001", wraps=True).centre == 0.5
    assert measure("1110000001", 2.0, wraps=True).centre == 1.0


def test_a_sweep_that_does_not_wrap_over_its_edge_is_measured_straight() -> None:
    assert measure("0111000", wraps=True) == measure("0111000")


# ---- by property ----


@settings(max_examples=examples(200), deadline=None)
@given(windows)
def test_runs_against_groupby(window: str) -> None:
    expected, at = [], 0
    for tap, group in groupby(window):
        n = len(list(group))
        if tap == "1":
            expected.append((at, at + n - 1))
        at += n
    assert runs(window) == expected


@settings(max_examples=examples(200), deadline=None)
@given(windows)
def test_the_eye_is_made_of_working_taps_and_counted_holes(window: str) -> None:
    found = measure(window)
    assert found.length == len(window)
    if "1" not in window:
        assert found.width == 0
        return
    assert found.first is not None and found.last is not None
    inside = window[found.first : found.last + 1]
    assert found.width == len(inside)
    assert inside.count("0") == found.holes
    assert inside[0] == inside[-1] == "1" and "00" not in inside
    assert found.centre == (found.first + found.last) / 2
    assert found.open_left == (found.first == 0)
    assert found.open_right == (found.last == len(window) - 1)
    longest = max(last - first + 1 for first, last in runs(window))
    assert found.width >= longest
    assert found.full == (set(window) == {"1"})


@settings(max_examples=examples(200), deadline=None)
@given(windows)
def test_a_mirrored_sweep_has_the_mirrored_eye(window: str) -> None:
    there, back = measure(window), measure(window[::-1])
    assert there.width == back.width
    widths = sorted(last - first for first, last in runs(window))
    if len(widths) > 1 and widths[-1] == widths[-2]:
        return  # two eyes of one width: the left one is taken, whichever way one looks
    if there.holes or back.holes or there.first is None:
        return
    assert back.last is not None and back.last == len(window) - 1 - there.first


@settings(max_examples=examples(200), deadline=None)
@given(windows.filter(lambda w: "0" in w), st.integers(0, 63))
def test_a_wrapping_sweep_has_no_beginning(window: str, turn: int) -> None:
    at = turn % len(window)
    turned = window[at:] + window[:at]
    one, two = measure(window, wraps=True), measure(turned, wraps=True)
    if one.holes or two.holes:
        return  # how holes join may depend on where the sweep was cut
    ring = [len(r) for r in (window + window).split("0")]
    assert max(one.width, two.width) <= max(ring)
    if "101" not in window + window:
        assert one.width == two.width == min(max(ring), len(window))


# ---- candidates of a dump ----

HEAD = """bench-dump 1
[run]
board   quince-12
memory  gddr6
rate    10.0 Gbit/s
[training]
site ch lane step candidate attempt window width result
"""


def training(*lines: str) -> tuple[TrainingRow, ...]:
    (run,) = load(HEAD + "\n".join([*lines, f"[end] {len(lines)}", ""]))
    return run.training


def eye(*lines: str) -> float:
    found = best_eyes(training(*lines), Place("U3", 4, 0, 0))
    ((figure,),) = found.values()
    return figure.value


def test_only_the_best_candidate_counts() -> None:
    """A scan prints every bitslip: most are empty on a healthy lane, neighbours show cut pieces."""
    assert (
        eye(
            "U3 4 0 read 0 1 0000000000000000 - -",
            "U3 4 0 read 1 1 1110000000000000 - -",
            "U3 4 0 read 2 1 0001111111100000 - -",
            "U3 4 0 read 3 1 0000000000000011 - -",
        )
        == 8
    )


def test_a_lane_whose_every_candidate_is_empty_has_no_eye() -> None:
    assert eye("U3 4 0 read 0 1 0000000000000000 - -", "U3 4 0 read 1 1 0000000000000000 - -") == 0


def test_the_last_attempt_counts() -> None:
    assert (
        eye(
            "U3 4 0 read 0 1 0001111111100000 - -",
            "U3 4 0 read 0 2 0000011110000000 - -",
            "U3 4 0 read 1 2 0000000100000000 - -",
        )
        == 4
    )


def test_a_delay_line_that_does_not_move_is_no_eye() -> None:
    assert not best_eyes(training("U3 4 0 read - 1 1111111111111111 - -"), Place("U3", 4, 0, 0))


def test_a_printed_width_stands_before_the_window() -> None:
    (row,) = training("U3 4 0 read - 1 0001111111100000 0.46UI pass")
    width = width_of(row)
    assert width is not None and (width.value, width.unit) == (0.46, "UI")


def test_widths_in_unlike_units_are_made_comparable_in_the_table() -> None:
    """46 ps at 10 Gbit/s are 0.46 of a unit interval of 100 ps."""
    lines = [
        "U3 4 0 read - 1 - 46ps pass",
        "U3 4 1 read - 1 - 0.46UI pass",
        "U3 5 0 read - 1 0001111111100000 - pass",
    ]
    (run,) = load(HEAD + "\n".join([*lines, "[end] 3", ""]))
    board, _ = profiles.for_run(run, None)
    found = {(r.channel, r.lane): r.width_ui for r in rows(measurements.measure(run, board))}
    assert found[4, 0] == pytest.approx(0.46)
    assert found[4, 1] == pytest.approx(0.46)
    assert found[5, 0] is None  # how long a tap is, nobody says


def test_write_levelling_is_measured_round_the_period() -> None:
    (row,) = training("U3 4 0 level - 1 1110000000000111 - pass")
    width = width_of(row)
    assert width is not None and width.value == 6
