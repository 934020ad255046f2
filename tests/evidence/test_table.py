"""The per-channel error table: columns, types, limits, and what was never said.

Limits are the exact two-sided ones of Clopper and Pearson (1934), asked of scipy and statsmodels.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from memdiag.boards import profiles
from memdiag.evidence import table
from memdiag.evidence.measurements import measure, settle
from memdiag.evidence.table import rows
from memdiag.model import Place
from memdiag.model.table import COLUMNS, TableRow
from memdiag.reading.load import load
from memdiag.reports.frame import frame
from tests.support.marks import examples

HEAD = """bench-dump 1
[run]
id      Q12-77
board   quince-12
memory  gddr6
rate    10.0 Gbit/s
"""

WANTED = {
    "run": "string",
    "site": "string",
    "channel": "Int64",
    "rank": "Int64",
    "lane": "Int64",
    "steps_run": "Int64",
    "steps_failed": "Int64",
    "first_failed_step": "string",
    "worst_result": "string",
    "width_ui": "Float64",
    "bits": "Int64",
    "errors": "Int64",
    "ber": "Float64",
    "ber_low": "Float64",
    "ber_high": "Float64",
    "rose": "Int64",
    "fell": "Int64",
    "edc_bad": "Int64",
    "cells": "Int64",
    "cause": "string",
    "probability": "Float64",
}


def dump(*sections: str, head: str = HEAD) -> str:
    return head + "\n".join([*sections, "[end]", ""])


def read(text: str) -> tuple[TableRow, ...]:
    (run,) = load(text)
    board, _ = profiles.for_run(run, None)
    return rows(measure(run, board))


def counted(*lines: str, columns: str = "site ch lane test bits errors") -> str:
    return dump("[counts]\n" + "\n".join([columns, *lines]))


def trained(*lines: str, columns: str = "site ch lane step result") -> str:
    return dump("[training]\n" + "\n".join([columns, *lines]))


# ---- columns and types ----


def test_columns_and_types_are_exactly_these() -> None:
    found = frame(read(counted("U3 4 0 march 1000000 3")))
    assert tuple(found.columns) == COLUMNS == tuple(WANTED)
    assert {name: str(kind) for name, kind in found.dtypes.items()} == WANTED


def test_an_empty_table_has_the_same_columns_and_types() -> None:
    found = frame([])
    assert len(found) == 0
    assert {name: str(kind) for name, kind in found.dtypes.items()} == WANTED


def test_a_channel_that_is_a_word_makes_a_column_of_words() -> None:
    row = read(counted("U3 4 0 march 1000 3"))[0]
    mixed = frame([row, replace(row, channel="A1")])
    assert str(mixed["channel"].dtype) == "string"
    assert mixed["channel"].tolist() == ["4", "A1"]


def test_parquet_keeps_every_cell_and_type(tmp_path: Path) -> None:
    text = dump(
        "[counts]\nsite ch lane test bits errors",
        "U3 4 0 march 1000000 3",
        "U3 4 1 march 1000000 -",
        "U5 8 0 march 12345678901234567 0",
    )
    found = frame(read(text))
    found.to_parquet(tmp_path / "t.parquet")
    back = pd.read_parquet(tmp_path / "t.parquet", dtype_backend="numpy_nullable")
    pd.testing.assert_frame_equal(back.astype(found.dtypes.to_dict()), found)
    assert back["bits"].tolist()[-1] == 12345678901234567  # more than a float can hold


def test_csv_keeps_every_cell(tmp_path: Path) -> None:
    found = frame(read(counted("U3 4 0 march 1000000 3", "U3 4 1 march 1000000 -")))
    found.to_csv(tmp_path / "t.csv", index=False)
    back = pd.read_csv(tmp_path / "t.csv", dtype=found.dtypes.to_dict())
    pd.testing.assert_frame_equal(back, found)


# ---- limits ----


@settings(max_examples=examples(40), deadline=None)
@given(st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, min(n, 500)))))
def test_limits_against_scipy_and_statsmodels(case: tuple[int, int]) -> None:
    bits, errors = case
    (row,) = read(counted(f"U3 4 0 march {bits} {errors}"))
    assert row.ber == errors / bits
    exact = binomtest(errors, bits).proportion_ci(0.95, "exact")
    assert row.ber_low == pytest.approx(exact.low, rel=1e-6, abs=1e-15)
    assert row.ber_high == pytest.approx(exact.high, rel=1e-6)
    low, high = proportion_confint(errors, bits, 0.05, "beta")
    assert row.ber_low == pytest.approx(0.0 if errors == 0 else low, rel=1e-6, abs=1e-15)
    assert row.ber_high == pytest.approx(high, rel=1e-6)


def test_no_errors_is_an_upper_limit_and_no_proof() -> None:
    """Two-sided: 3.689 over the bits (Garwood 1936), not the one-sided 2.996."""
    (row,) = read(counted("U3 4 0 march 1000000000000 0"))
    assert row.ber == 0 and row.ber_low == 0
    assert row.ber_high == pytest.approx(3.68888e-12, rel=1e-5)


# ---- nothing said is not nothing found ----


def test_nothing_counted_is_not_nought() -> None:
    row, other = read(counted("U3 4 0 march - -", "U3 4 1 march 1000 0"))
    assert row.bits is None and row.errors is None and row.ber is None and row.ber_high is None
    assert (other.bits, other.errors, other.ber) == (1000, 0, 0.0)
    found = frame([row, other])
    assert found["errors"].isna().tolist() == [True, False]


def test_errors_without_bits_have_no_rate() -> None:
    (row,) = read(counted("U3 4 0 march - 12"))
    assert row.errors == 12
    assert row.ber is None and row.ber_low is None and row.ber_high is None


def test_a_step_that_did_not_run_did_not_fail() -> None:
    (row,) = read(trained("U3 4 0 read pass", "U3 4 0 write not-run"))
    assert (row.steps_run, row.steps_failed) == (1, 0)
    assert row.worst_result == "not-run"
    assert row.first_failed_step is None


def test_the_first_step_that_failed_and_the_worst_result() -> None:
    (row,) = read(trained("U3 4 0 wck pass", "U3 4 0 read fail", "U3 4 0 write not-found"))
    assert (row.steps_run, row.steps_failed, row.first_failed_step) == (3, 2, "read")
    assert row.worst_result == "not-found"


def test_a_result_that_is_not_said_is_no_step() -> None:
    (row,) = read(trained("U3 4 0 read -"))
    assert (row.steps_run, row.worst_result) == (0, None)


def test_the_last_attempt_stands() -> None:
    lines = ["U3 4 0 1 read fail", "U3 4 0 2 read pass"]
    for order in (lines, lines[::-1]):
        (row,) = read(trained(*order, columns="site ch lane attempt step result"))
        assert (row.steps_failed, row.worst_result) == (0, "pass")


def test_the_best_candidate_stands_and_the_worst_set_point() -> None:
    (row,) = read(
        trained(
            "U3 4 0 a read fail", "U3 4 0 b read pass", columns="site ch lane candidate step result"
        )
    )
    assert row.worst_result == "pass"
    (row,) = read(
        trained(
            "U3 4 0 fast read fail",
            "U3 4 0 slow read pass",
            columns="site ch lane point step result",
        )
    )
    assert row.worst_result == "fail"


def test_the_narrowest_eye_by_its_best_candidate() -> None:
    lines = [
        "U3 4 0 a read - 0.10UI",
        "U3 4 0 b read - 0.44UI",
        "U3 4 0 - write - 0.41UI",
        "U3 4 0 - level - 0.02UI",
    ]
    (row,) = read(trained(*lines, columns="site ch lane candidate step result width"))
    assert row.width_ui == 0.41  # levelling has a window of its own kind


# ---- sums ----


def test_a_lane_counted_whole_and_by_line_is_counted_once() -> None:
    lines = ["U3 4 0 - march 8000 9"]
    lines += [f"U3 4 0 {dq} march 1000 {n}" for dq, n in enumerate((9, 0, 0, 0, 0, 0, 0, 0))]
    (row,) = read(counted(*lines, columns="site ch lane dq test bits errors"))
    assert (row.bits, row.errors) == (8000, 9)
    (row,) = read(counted(*lines[1:], columns="site ch lane dq test bits errors"))
    assert (row.bits, row.errors) == (8000, 9)


def test_tests_add_up() -> None:
    (row,) = read(counted("U3 4 0 march 1000 2", "U3 4 0 walk 500 1"))
    assert (row.bits, row.errors) == (1500, 3)


def test_error_words_fill_in_what_no_count_says() -> None:
    words = "\n".join(
        [
            "[errors]",
            "site ch lane address wrote read edc",
            "U3 4 0 0x40 0x00 0x03 bad",
            "U3 4 0 0x40 0x01 0x00 ok",
            "U3 4 0 0x80 0x00 0x01 -",
        ]
    )
    (row,) = read(dump(words))
    assert (row.errors, row.rose, row.fell, row.edc_bad, row.cells) == (4, 3, 1, 1, 2)
    assert row.bits is None and row.ber is None
    counts = "[counts]\nsite ch lane test bits errors\nU3 4 0 march 1000000 90"
    (row,) = read(dump(counts, words))
    assert row.errors == 90  # a list of words may be cut short; a count is not
    assert row.cells == 2


# ---- places and order ----


def test_rows_of_one_place_meet_in_one_row() -> None:
    """Channel 4 is U3's alone, so a row without the site is U3's; the other way round, not."""
    text = dump(
        "[training]\nch lane step result",
        "4 0 read pass",
        "[counts]\nsite ch lane test bits errors",
        "U3 4 0 march 1000 0",
    )
    (row,) = read(text)
    assert (row.site, row.channel, row.rank, row.lane) == ("U3", 4, 0, 0)
    assert (row.steps_run, row.bits) == (1, 1000)


def test_between_two_places_nobody_guesses() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    assert settle(Place(site="U3"), board) == Place("U3")  # it has two channels
    assert settle(Place(channel=4), board).lane is None
    gateway = profiles.find("quince-8")
    assert gateway is not None
    assert settle(Place(channel=gateway.channels[0]), gateway).site is None


def test_sites_stand_in_the_order_of_the_board_then_channel_and_lane() -> None:
    found = read(
        counted(
            "U12 22 1 m 10 0", "U3 5 0 m 10 0", "U12 22 0 m 10 0", "U3 4 1 m 10 0", "U3 4 - m 10 0"
        )
    )
    assert [(r.site, r.channel, r.lane) for r in found] == [
        ("U3", 4, None),
        ("U3", 4, 1),
        ("U3", 5, 0),
        ("U12", 22, 0),
        ("U12", 22, 1),
    ]


@settings(max_examples=examples(25), deadline=None)
@given(st.permutations([f"U{3 + i // 4} {4 + i // 2} {i % 2} m 1000 {i}" for i in range(6)]))
def test_the_order_of_a_dump_is_not_the_order_of_the_table(lines: list[str]) -> None:
    found = read(counted(*lines))
    assert [r.errors for r in found] == sorted(r.errors or 0 for r in found)


def test_every_row_bears_the_name_of_its_run() -> None:
    (row,) = read(counted("U3 4 0 march 1000 0"))
    assert row.run == "Q12-77"


def test_what_the_verdict_says_of_a_row_is_filled_in() -> None:
    found = read(counted("U3 4 0 march 1000 0", "U3 4 1 march 1000 0"))
    filled = table.judged(found, {Place("U3", 4, 0, 0): ("weak", 0.75)})
    assert (filled[0].cause, filled[0].probability) == ("weak", 0.75)
    assert (filled[1].cause, filled[1].probability) == (None, None)
