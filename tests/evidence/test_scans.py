"""Scans that stop before they are done were not measured."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import Place, Result
from memdiag.reading.load import load

EMPTY, OPEN = "0" * 16, "0000111111110000"


def scan(lane: int, candidates: int, found: int | None, *, chosen: bool = True) -> list[str]:
    """The rows of one lane: a window for each candidate, then the chosen one once more."""
    rows = [
        f"0 {lane} read b{n} {OPEN if n == found else EMPTY} "
        f"{'pass' if n == found else 'not-found'}"
        for n in range(candidates)
    ]
    return rows + ([f"0 {lane} read b{found} - pass"] if chosen and found is not None else [])


def measured(*lanes: list[str], end: bool = True) -> Measurements:
    rows = [row for lane in lanes for row in lane]
    text = "\n".join(
        [
            "bench-dump 1",
            "[training]",
            "ch lane step candidate window result",
            *rows,
            *([f"[end] {len(rows)}"] if end else []),
            "",
        ]
    )
    run = load(text)[0]
    return measure(run, profiles.for_run(run)[0])


def unscanned(found: Measurements) -> set[int | None]:
    return {m.place.lane for m in found.groups.values() if m.unscanned}


def test_empty_candidates_of_a_whole_scan_are_no_fault() -> None:
    """Facts of training by search: most candidates of a lane that works are empty (common
    practice, no source)."""
    found = measured(scan(0, 8, 3), scan(1, 8, 5))
    assert unscanned(found) == set()
    assert [m.results["read"] for m in found] == [Result.PASS, Result.PASS]


@pytest.mark.parametrize("end", [True, False])
@pytest.mark.parametrize("reached", [1, 3, 7])
def test_a_scan_that_stops_in_its_last_lane_says_nothing_of_it(reached: int, end: bool) -> None:
    found = measured(scan(0, 8, 3), scan(1, 8, 5)[:reached], end=end)
    assert unscanned(found) == {1}
    assert found.groups[Place(channel=0, lane=1)].results == {}


def test_a_lane_that_finds_nothing_in_all_its_candidates_is_scanned() -> None:
    found = measured(scan(0, 8, 3), scan(1, 8, None))
    assert unscanned(found) == set()
    assert found.groups[Place(channel=0, lane=1)].results["read"] is Result.NOT_FOUND


def test_a_rig_that_stops_at_the_first_candidate_that_works_is_done_there() -> None:
    first = scan(0, 3, 2, chosen=False)
    second = scan(1, 6, 5, chosen=False)
    assert unscanned(measured(first, second)) == set()


def test_a_paste_that_breaks_off_in_the_only_lane_has_not_scanned_it() -> None:
    assert unscanned(measured(scan(0, 8, None), end=False)) == {0}
    assert unscanned(measured(scan(0, 8, None), end=True)) == set()


def without_results(*lanes: list[str]) -> Measurements:
    return measured(*([row.rpartition(" ")[0] + " -" for row in lane] for lane in lanes))


def test_windows_without_a_result_in_which_no_tap_works_are_not_found() -> None:
    """`not-found` is: searched, no setting worked. Which tap works is what a window says."""
    found = without_results(scan(0, 8, 3), scan(1, 8, None))
    assert [m.results.get("read") for m in found] == [None, Result.NOT_FOUND]
    (outcome,) = found.groups[Place(channel=0, lane=1)].steps
    assert outcome.line == 3 + 9 + 8


def test_an_empty_window_says_nothing_where_the_rig_found_a_setting_all_the_same() -> None:
    rows = (f"0 0 read b0 {EMPTY} -", "0 0 read b1 - -", f"0 0 write b0 {EMPTY} pass")
    for sized in ("width", "height"):
        text = "\n".join(
            (
                "bench-dump 1",
                "[training]",
                f"ch lane step candidate window result {sized}",
                *(f"{row} {'-' if EMPTY in row else 11}" for row in rows),
                "[end] 3",
            )
        )
        (run,) = load(text)
        (link,) = measure(run, profiles.for_run(run)[0])
        assert link.results == {"write": Result.PASS}


@pytest.mark.parametrize(
    ("first", "second", "ended"), [(EMPTY, OPEN, {}), (OPEN, EMPTY, {"read": Result.NOT_FOUND})]
)
def test_the_windows_of_the_last_attempt_say_how_it_ended(
    first: str, second: str, ended: dict[str, Result]
) -> None:
    text = "bench-dump 1\n[training]\nch lane attempt step window result\n"
    text += f"0 0 1 read {first} -\n0 0 2 read {second} -\n[end] 2\n"
    (run,) = load(text)
    (link,) = measure(run, profiles.for_run(run)[0])
    assert link.results == ended


@given(st.integers(1, 6), st.integers(2, 9), st.data())
def test_a_cut_scan_never_makes_a_lane_that_failed(lanes: int, n: int, data: st.DataObject) -> None:
    """However many rows of a healthy scan are left, no lane of it reads as one that failed."""
    rows = [r for lane in range(lanes) for r in scan(lane, n, data.draw(st.integers(0, n - 1)))]
    kept = data.draw(st.integers(1, len(rows)))
    found = measured(rows[:kept], end=kept == len(rows))
    assert all(r is Result.PASS for m in found for r in m.results.values())
