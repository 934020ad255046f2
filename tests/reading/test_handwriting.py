"""What people write by hand is read; what cannot be read is counted and costs nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from memdiag.diagnosis.judge import judge
from memdiag.model import LostKind, Place, Result, Run
from memdiag.model.error_log import ErrorLog
from memdiag.model.problems import Severity
from memdiag.model.vocabulary import shipped
from memdiag.reading import load
from tests.support import strategies
from tests.support.handwriting import handwritten
from tests.support.marks import examples
from tests.support.oracle import accounted, rows_of
from tests.support.strategies import LAYOUTS, nowhere

ordinary = settings(
    max_examples=examples(60),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
TRAINING = "bench-dump 1\n[training]\nsite ch lane step result width\n"
COUNTS = "bench-dump 1\n[counts]\nsite ch lane test bits errors\n"


def one(text: str) -> Run:
    (run,) = load.load(text)
    return run


SAMPLES = Path(__file__).resolve().parents[2] / "samples"


def codes(run: Run) -> list[str]:
    return [p.code for p in run.problems if p.code != "board-unsaid"]


def log_of(log: ErrorLog | None) -> object:
    if log is None:
        return None
    found = {name: getattr(log, name) for name in ErrorLog.__struct_fields__}
    return {n: v.tolist() if isinstance(v, np.ndarray) else v for n, v in found.items()}


@given(st.data())
@ordinary
def test_a_dump_by_hand_is_the_same_dump(data: st.DataObject) -> None:
    written = data.draw(strategies.bench())
    text = data.draw(handwritten(written.text))
    clean, byhand = one(written.text), one(text)
    assert rows_of(byhand) == rows_of(clean), text
    assert log_of(byhand.errors) == log_of(clean.errors), text
    assert byhand.head.id == clean.head.id
    assert (byhand.source.printed, byhand.source.lost) == (clean.source.printed, 0), text
    assert byhand.source.complete == clean.source.complete
    # Each kind is told once, and as information.
    told = [p for p in byhand.problems if p.code.endswith(("-otherwise", "-comma", "-apart"))]
    assert all(p.severity is Severity.INFO for p in told)
    kinds = [(p.code, p.message.split(":")[0]) for p in told]
    assert len(set(kinds)) == len(kinds)


@given(st.data())
@ordinary
def test_a_damaged_cell_costs_that_cell_alone(data: st.DataObject) -> None:
    """Of a row of training or counts; a cell of its place, or its step, costs the row."""
    tables = {"training": strategies.TABLES["training"], "counts": strategies.TABLES["counts"]}
    name = data.draw(st.sampled_from(sorted(tables)))
    cells = {"site": ("U3", "U3"), "ch": ("1", 1), **data.draw(tables[name])}
    columns = sorted(cells)
    text = f"bench-dump 1\n[{name}]\n{' '.join(columns)}\n"
    good = [cells[c][0] for c in columns]
    spare = [c for c in columns if c not in ("site", "test", "candidate", "ch", "step")]
    at = columns.index(data.draw(st.sampled_from(spare)))
    bad = [*good[:at], "?!", *good[at + 1 :]]
    run = one(text + " ".join(good) + "\n" + " ".join(bad) + "\n[end] 2\n")
    assert (run.source.printed, run.source.rows, run.source.lost) == (2, 2, 1)
    (lost,) = run.lost
    assert (lost.kind, lost.column, lost.place) == (LostKind.CELL, columns[at], Place("U3", 1))
    assert lost.position.line == 5
    first, second = (run.training or run.counts)[:2]
    fills = {"spread": "spread"}.get(columns[at], columns[at])
    for name in first.__struct_fields__:
        if name not in ("position", fills):
            assert getattr(first, name) == getattr(second, name)
    assert getattr(second, fills) is None


@given(st.data())
@ordinary
def test_all_that_is_printed_is_understood_or_lost(data: st.DataObject) -> None:
    written = data.draw(LAYOUTS[data.draw(st.sampled_from(sorted(LAYOUTS)))]())
    lines = written.lines
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        if lines[at]:
            lines[at] = data.draw(strategies.mangled(lines[at]))
    accounted(("\n".join(lines) + "\n").encode())  # its oracle holds printed = understood + lost


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("U1 0 0 read kaputt 0.4UI", (LostKind.CELL, "result", Place("U1", 0, lane=0))),
        ("U1 0 0 rd kaputt 0.4 UI", (LostKind.CELL, "result", Place("U1", 0, lane=0))),
        ("U1;0;0;read;kaputt;0.4UI", (LostKind.CELL, "result", Place("U1", 0, lane=0))),
        ("U1 | 0 | 0 | read | kaputt | 0.4UI", (LostKind.CELL, "result", Place("U1", 0, lane=0))),
        ("U1 0 0 read pass 1,234UI", (LostKind.CELL, "width", Place("U1", 0, lane=0))),
        ("U1 0 x read fail 0.4UI", (LostKind.ROW, None, Place("U1", 0))),
        ("U1 x 0 - fail 0.4UI", (LostKind.ROW, None, Place("U1", "x", lane=0))),
        ("U1 0 0 pass 0.4UI", (LostKind.ROW, None, Place("U1"))),
        ("U1 0 read pass 0.4UI", (LostKind.ROW, None, Place("U1"))),
        ("U1 0 0 pass -", (LostKind.ROW, None, Place("U1"))),
        ("U1 0 0 read", (LostKind.ROW, None, Place("U1", 0, lane=0))),
        ("U1 0 0 read -", (LostKind.CELL, "result", Place("U1", 0, lane=0))),
        ("[U1 0 0 read fail", (LostKind.LINE, None, None)),
    ],
)
def test_what_is_lost_of_a_training_row(row: str, expected: tuple[object, ...]) -> None:
    run = one(TRAINING + "U2 0 0 read pass 0.4UI\n" + row + "\n[end] 2\n")
    (lost,) = run.lost
    assert (lost.kind, lost.column, lost.place) == expected
    assert (run.source.printed, run.source.lost) == (2, 1)
    assert lost.position.line == 5
    assert len(run.training) == (2 if lost.kind is LostKind.CELL else 1)
    assert run.source.complete


def test_a_row_may_lack_a_last_cell_that_says_little() -> None:
    run = one(TRAINING + "U1 0 0 read pass\n[end] 1\n")
    assert (run.training[0].result, run.training[0].width) == (Result.PASS, None)
    assert codes(run) == ["last-cell-left-out"]
    assert run.lost == ()


def test_a_row_that_can_be_read_in_two_ways_is_not_read() -> None:
    """900,100 bits and 200,100 errors, or 900,100,200 and 100?"""
    run = one(COUNTS + "U1 0 0 walk 900 100 200 100\n[end] 1\n")
    assert run.counts == ()
    assert [lost.kind for lost in run.lost] == [LostKind.ROW]
    # Here all other ways have more errors than bits.
    run = one(COUNTS + "U1 0 0 walk 1 200 300 400\n[end] 1\n")
    assert [(row.bits, row.errors) for row in run.counts] == [(1_200_300, 400)]


@pytest.mark.parametrize(
    ("row", "bits"),
    [
        ("U1 0 0 walk 4 000 000 5", 4_000_000),
        ("U1 0 0 walk 4'000'000 5", 4_000_000),
        ("U1 0 0 walk 4,000,000 5", 4_000_000),
        ("U1 0 0 walk 4G 5", 4_000_000_000),
        ("U1 0 0 walk 4e9 5", 4_000_000_000),
        ("U1 0 0 walk 1.5M 5", 1_500_000),
        ("U1|0|0|walk|4 000 000|5", 4_000_000),
        ("| U1 | 0 | 0 | walk | 4 000 000 | 5 |", 4_000_000),
        ("U1;0;0;walk;4 000 000;5", 4_000_000),
        ("U1, 0, 0, walk, 4000000, 5", 4_000_000),
    ],
)
def test_numbers_as_people_write_them(row: str, bits: int) -> None:
    run = one(COUNTS + row + "\n[end] 1\n")
    assert [(r.place, r.test, r.bits, r.errors) for r in run.counts] == [
        (Place("U1", 0, lane=0), "walk", bits, 5)
    ]
    assert run.source.lost == 0


def test_names_one_letter_off_are_taken_with_a_warning() -> None:
    run = one("bench-dump 1\n[trianing]\nsite ch lane step reslt\nU1 0 0 read fail\n[end] 1\n")
    assert run.training[0].result is Result.FAIL
    assert codes(run) == ["section-misspelt", "column-misspelt"]
    assert {p.severity for p in run.problems if p.code.endswith("-misspelt")} == {Severity.WARNING}
    assert run.source.tables == {"training"}


def test_a_rule_drawn_under_the_names_is_no_row() -> None:
    run = one("bench-dump 1\n[counts]\n| site | bits |\n|------|------|\n| U1 | 5 |\n[end] 1\n")
    assert (run.source.printed, run.source.lost) == (1, 0)
    assert run.counts[0].bits == 5


def test_a_section_nobody_reads_is_told_where_it_looks_like_a_table() -> None:
    run = one("bench-dump 1\n[counts]\nbits\n5\n[more]\nRef Step Status\nU1 read ok\n[end] 1\n")
    (lost,) = run.lost
    assert lost.kind is LostKind.LINE
    assert "section [more]" in lost.says
    assert (run.source.printed, run.source.lost) == (2, 1)
    assert one("bench-dump 1\n[counts]\nbits\n5\n[moods]\nfine today\n[end] 1\n").lost == ()


@pytest.mark.parametrize(
    ("before", "after", "lost"),
    [
        ("", "U2 0 0 read pass 0.4UI\n", 1),
        ("", "U2 channel 0 FAILED\n", 1),
        ("lane 3: timed-out\n", "", 1),
        ("", "$ again\nusb 1-1: new device found here\n", 0),
        ("good morning\n", "all done\n", 0),
        ("login: timeout\nError: run aborted\n", "eth0: link failed\n", 0),
    ],
)
def test_rows_outside_of_a_dump_are_lost_rows(before: str, after: str, lost: int) -> None:
    run = one(before + TRAINING + "U1 0 0 read pass 0.4UI\n[end] 1\n" + after)
    assert (run.source.printed, run.source.lost, len(run.lost)) == (1 + lost, lost, lost)
    assert ("outside-row" in codes(run)) == bool(lost)


def test_a_row_behind_the_end_may_be_one_of_any_table_that_held_results() -> None:
    tables = (
        TRAINING + "U1 0 0 read pass 0.4UI\n[counts]\nsite ch lane bits errors\nU1 0 0 900 0\n"
        "[values]\nname value\njitter 3ps\n[end]\n"
    )
    assert one(tables + "U2 0 0 900 40\n").source.lost == 1
    assert one(tables + "U2 0 0 gate pass -\n").source.lost == 1
    assert one(tables + "ready for the next board\n").source.lost == 0


def test_rows_of_a_table_without_its_names_are_lost() -> None:
    run = one("bench-dump 1\n[training]\nsite lane result\nU1 0 fail\nU1 1 pass\n[end] 2\n")
    assert [lost.kind for lost in run.lost] == [LostKind.ROW] * 2
    assert (run.source.printed, run.source.lost, run.source.rows) == (2, 2, 0)


def test_very_many_bad_lines_are_counted_and_not_kept() -> None:
    run = one(TRAINING + "U1 0 0 read oops 0.4UI\n" * 3_000 + "[end] 3000\n")
    assert len(run.lost) == 200
    assert run.source.lost == run.source.printed == 3_000


@pytest.mark.parametrize(
    "rows",
    [
        "[training]\nsite ch step result\nU1 0 read fail\nu1 0 read fail\nU1 0 read fail\n",
        "[counts]\nsite ch bits errors\n" + "U1 0 1e9 3\n" * 3,
        "[errors]\nsite ch address mask pass\n" + "U1 0 0x40 0x1 2\n" * 3,
        "[rails]\nrail ohms\n" + "VDDQ 56\n" * 3,
        "[values]\nname value\n" + "jitter 3ps\n" * 3,
    ],
)
def test_a_row_printed_again_is_one_reading(rows: str) -> None:
    run = one("bench-dump 1\n" + rows + "[end] 3\n")
    kept = [*rows_of(run), *(() if run.errors is None else run.errors.times.tolist())]
    assert len(kept) == 1
    assert run.source.rows == run.source.printed == 3
    assert run.source.complete
    (told,) = [p for p in run.problems if p.code == "rows-repeated"]
    assert ": 2," in told.message


def test_words_of_two_passes_or_without_an_address_are_no_repeats() -> None:
    text = "bench-dump 1\n[errors]\nsite address mask pass\n"
    run = one(text + "U1 0x40 0x1 1\nU1 0x40 0x1 2\nU1 - 0x1 1\nU1 - 0x1 1\n[end] 4\n")
    assert run.errors is not None
    assert len(run.errors) == run.errors.total == 4


def test_a_large_log_pasted_twice_is_one() -> None:
    rows = "".join(f"U{1 + i % 3} 0x{i * 64:x} 0x{1 << i % 8:x}\n" for i in range(20_000))
    head = "bench-dump 1\n[errors]\nsite address mask\n"
    once = one(head + rows + "[end] 20000\n")
    twice = one(head + rows + rows + "[end] 40000\n")
    assert log_of(once.errors) == log_of(twice.errors)
    assert twice.source.rows == 40_000


@pytest.mark.parametrize("board", ["quince-2", "pear-9"])
def test_a_designator_is_one_however_it_is_written(board: str) -> None:
    text = (
        f"bench-dump 1\n[run]\nboard {board}\nreplaced U2\nreflowed u1\nswapped u1>U2 U2>u1\n"
        "[training]\nsite ch lane step result\nU1 0 0 read pass\nu1 0 1 read pass\n"
        "[errors]\nsite address mask\nu1 0x10 0x1\nU1 0x20 0x1\n"
        "[rails]\nrail ohms\nvdd2 50\n[heat]\nrail hottest\nVDD2 u2\n[end] 6\n"
    )
    (run,) = load.load(text, removed=("u2",))
    first = "U1" if board == "quince-2" else "u1"  # the profile's spelling, else the first seen
    assert {row.place.site for row in run.training} == {first}
    assert run.errors is not None
    assert [key.place.site for key in run.errors.keys] == [first]
    assert (run.head.removed, run.head.replaced, run.head.reflowed) == (("U2",), ("U2",), (first,))
    assert run.head.swapped == ((first, "U2"), ("U2", first))
    assert run.rails[0].rail == run.heat[0].rail
    assert run.heat[0].hottest == "U2"


def test_every_word_of_the_table_is_written_as_it_is_looked_up() -> None:
    from memdiag.model.vocabulary import SHIPPED, normal

    for kind, table in SHIPPED.items():
        every = [word for others in table.values() for word in others.split()]
        assert len(set(every)) == len(every), kind
        for target, others in table.items():
            assert shipped().meant(kind, target) == target
            for word in others.split():
                assert normal(word) == word
                assert shipped().meant(kind, word) == target
                assert shipped().meant(kind, word.upper()) == target


def test_rows_of_a_dump_stay_rows_without_their_positions() -> None:
    a, b = (
        one(TRAINING + "U1 0 0 read pass -\n[end]\n"),
        one(TRAINING + "\nU1 0 0 rd ok n/a\n[end]\n"),
    )
    assert list(map(nowhere, a.training)) == list(map(nowhere, b.training))


def test_case_never_matters() -> None:
    text = (SAMPLES / "ddr4-healthy.dump").read_text(encoding="utf-8")
    loud, plain = one(text.upper()), one(text)
    assert loud.source.lost == 0
    assert not {"head-missing", "dump-headless"} & set(codes(loud))
    assert loud.head.stage == plain.head.stage == "final"
    assert [row.result for row in loud.training] == [row.result for row in plain.training]
    assert [row.width for row in loud.training] == [row.width for row in plain.training]
    assert judge(loud).summary == judge(plain).summary


@pytest.mark.parametrize(
    ("written", "rate"), [("4,266 Gbit/s", 4.266e9), ("3,200 Mbit/s", 3.2e9), ("14,0 Gbit/s", 14e9)]
)
def test_a_rate_with_a_comma_is_the_one_that_a_memory_can_run_at(written: str, rate: float) -> None:
    head = f"bench-dump 1\n[run]\nrate {written}\n[counts]\nbits\n5\n[end] 1\n"
    assert one(head).head.rate == pytest.approx(rate)


@pytest.mark.parametrize("left", ["pass-", "p-", "-pass", "fail_"])
def test_what_is_left_of_two_cells_is_no_word(left: str) -> None:
    run = one(TRAINING + f"U1 0 0 read {left} 0.4UI\n[end] 1\n")
    assert run.training[0].result is None and run.source.lost == 1


def test_a_row_that_is_taken_for_column_names_is_lost() -> None:
    """`vref` is a step, and the name of a column too."""
    run = one("bench-dump 1\n[training]\nU1 0 0 vref pass -\n[end]\n")
    assert (run.source.printed, run.source.lost, len(run.lost)) == (1, 1, 1)


def test_parts_that_are_no_package_are_kept_apart_from_the_sites() -> None:
    """The dump format: `removed` may name `part:D12`."""
    text = (
        "bench-dump 1\n[run]\nboard quince-8\nremoved U6 part:D12, PART:L4\nreplaced: part:D12\n"
        "[counts]\nsite ch bits errors\nU1 0 1e9 0\n[end] 1\n"
    )
    (run,) = load.load(text)
    head = run.head
    assert (head.removed, head.removed_parts) == (("U6",), ("D12", "L4"))
    assert (head.replaced, head.replaced_parts, head.reflowed_parts) == ((), ("D12",), ())
    assert not [p for p in run.problems if p.code == "bad-head-value"]
    (bad,) = load.load(text.replace("part:D12,", "part:,"))
    assert "bad-head-value" in [p.code for p in bad.problems]


@pytest.mark.parametrize(("cell", "ui"), [("46%", 0.46), ("46 %", 0.46), ("46,5%", 0.465)])
def test_a_width_in_per_cent_is_a_share_of_the_unit_interval(cell: str, ui: float) -> None:
    """An eye's width is often given so: common practice, no source."""
    text = f"bench-dump 1\n[training]\nsite ch step result width\nU1 0 read pass {cell}\n[end] 1\n"
    (run,) = load.load(text)
    width = run.training[0].width
    assert width is not None and width.unit == "UI" and width.value == pytest.approx(ui)
