"""Format 1, read: every section and column, one bad line at a time, and no line lost."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.model import LostKind, Place, Result, Run, error_log, quantities
from memdiag.model.problems import catalogue, reading, repairs
from memdiag.reading import load
from memdiag.reading.account import LineClass
from tests.support.marks import examples

KINDS = {**reading.KINDS, **repairs.KINDS}

FULL = """\
bench-dump 1
# taken at the second bench
[run]
id        d-17
board     quince-12
serial    A0042
ticket    #311
stage     intake
at        2024-05-03T14:20:00+02:00
memory    gddr6
rate      14.0 Gbit/s
ambient   23 C
removed   U6 U7
swapped   U3>U5 U5>U3
replaced  U9
reflowed  -
rig       bench-2
note      fan # 2 is loud

[training]
site ch rank lane step  result      candidate width  height window   taps delay  vref tries temp
U1   0  0    0    read  pass        c1        0.46UI 61mV   00111100 2    12+-4  71.5 1     85C
U1   0  0    1    read  no-response -         -      -      -        -    -      -    3     -
-    1  -    -    id    -           -         -      -      -        -    -94ps  -    -     -

[counts]
site ch lane test bits      errors rose fell edc cells attempt point
U1   0  0    walk 1e9       12     10   2    1   3     2       high
U2   A  1    walk 4_000_000 0      0    0    0   0     1       -

[errors]
site ch address    wrote      read       edc pass beat bank row col
U1   0  0x00001040 0x0000ffff 0x0000fffe bad 3    0    1    0x20 7
[errors]
site address mask
U1   0x2000  0x80000000000000000000000000000001

[rails]
rail  ohms  trend
VDDQ  64    rising
VPP   1.2kohm settled
VDD   0L    -

[heat]
rail volts amps hottest rise
VDDQ 0.9V  1.5  U6      12K

[values]
name   value  lane
jitter 3.1ps  2
fuse   blown  -
[end] 13
"""


def one(text: str | bytes) -> Run:
    runs = load.load(text)
    assert len(runs) == 1
    return runs[0]


def codes(run: Run) -> list[str]:
    """The problems of the reading itself."""
    return [p.code for p in run.problems if p.code in KINDS]


def test_every_line_is_used() -> None:
    run = one(FULL)
    assert codes(run) == []
    assert run.source.complete
    assert run.source.rows == 13
    assert run.source.first_line == 1


def test_every_key_of_the_head() -> None:
    head = one(FULL).head
    assert (head.id, head.board, head.ticket, head.memory) == ("d-17", "quince-12", "#311", "gddr6")
    assert head.rate == 14e9
    assert head.ambient == 23
    assert head.removed == ("U6", "U7")
    assert head.swapped == (("U3", "U5"), ("U5", "U3"))
    assert head.replaced == ("U9",)
    assert head.reflowed == ()
    assert head.note == "fan # 2 is loud"
    assert head.at == "2024-05-03T14:20:00+02:00"


def test_every_column_of_a_training_table() -> None:
    first, second, third = one(FULL).training
    assert first.place == Place("U1", 0, 0, 0)
    assert (first.step, first.result, first.candidate) == ("read", Result.PASS, "c1")
    assert first.width == quantities.Quantity(0.46, "UI")
    assert first.height == quantities.Quantity(61, "mV")
    assert (first.window, first.taps) == ("00111100", 2)
    assert first.delay == quantities.Quantity(12)
    assert first.spread == quantities.Quantity(4)
    assert (first.vref, first.tries, first.temp) == (71.5, 1, 85)
    assert first.position.line == 22
    assert second.result is Result.NO_RESPONSE
    assert second.width is None
    assert third.place == Place(channel=1)
    assert third.result is None
    assert third.delay == quantities.Quantity(-94, "ps")


def test_every_column_of_a_count_table() -> None:
    walk, clean = one(FULL).counts
    assert (walk.bits, walk.errors, walk.rose, walk.fell, walk.edc, walk.cells) == (
        10**9,
        12,
        10,
        2,
        1,
        3,
    )
    assert (walk.attempt, walk.point) == (2, "high")
    assert clean.place == Place("U2", "A", lane=1)
    assert (clean.bits, clean.errors) == (4_000_000, 0)


def test_every_column_of_an_error_table() -> None:
    log = one(FULL).errors
    assert log is not None
    assert log.address.tolist() == [0x1040, 0x2000]
    assert log.wrong.tolist() == [[1, 0], [1, 1 << 63]]
    assert log.directed.tolist() == [True, False]
    assert log.wrote.tolist()[0] == [0xFFFF, 0]
    assert log.width.tolist() == [32, 128]
    assert log.edc.tolist() == [error_log.EDC_BAD, error_log.EDC_UNSAID]
    assert (log.bank[0], log.row[0], log.col[0]) == (1, 0x20, 7)
    assert log.has_cell.tolist() == [True, False]
    assert log.line.tolist() == [33, 36]


def test_every_column_of_the_meter_tables() -> None:
    run = one(FULL)
    assert [(r.rail, r.ohms, r.trend) for r in run.rails] == [
        ("VDDQ", 64, "rising"),
        ("VPP", 1200, "settled"),
        ("VDD", math.inf, None),
    ]
    heat = run.heat[0]
    assert (heat.rail, heat.volts, heat.amps, heat.hottest, heat.rise) == (
        "VDDQ",
        0.9,
        1.5,
        "U6",
        12,
    )
    assert [(v.name, v.text, v.value, v.place.lane) for v in run.values] == [
        ("jitter", "3.1ps", quantities.Quantity(3.1, "ps"), 2),
        ("fuse", "blown", None, None),
    ]
    assert run.source.last_line == 52
    assert run.quote(22).split()[:3] == ["U1", "0", "0"]


def test_line_ends_and_tabs_change_nothing() -> None:
    plain, dos = one(FULL), one(FULL.replace("\n", "\r\n"))
    assert (plain.head, plain.training, plain.counts) == (dos.head, dos.training, dos.counts)
    assert one(FULL.replace("  ", "\t")).training == plain.training


def test_several_dumps_in_one_text() -> None:
    one_row = "bench-dump 1\n[run]\nid {}\n[counts]\nsite bits\nU1 5\n[end] 1\n"
    runs = load.load("login: rig\n" + one_row.format("a") + "\n$ again\n" + one_row.format("b"))
    assert [run.head.id for run in runs] == ["a", "b"]
    assert [(run.source.first_line, run.source.last_line) for run in runs] == [(2, 8), (11, 17)]
    assert all(run.source.complete for run in runs)
    assert "outside" in codes(runs[0])
    assert codes(runs[1]) == []


def test_the_next_head_ends_a_dump_that_has_no_end() -> None:
    runs = load.load("bench-dump 1\n[counts]\nbits\n5\nbench-dump 1\n[counts]\nbits\n6\n[end] 1\n")
    assert [run.counts[0].bits for run in runs] == [5, 6]
    assert [run.source.complete for run in runs] == [False, True]
    assert codes(runs[0]) == ["end-missing"]


@pytest.mark.parametrize(
    ("end", "complete"),
    [
        ("[end]", True),
        ("[end] 2", True),
        ("[END] 2  # done", True),
        ("[end] 3", False),
        ("", False),
    ],
)
def test_a_cut_paste_is_told(end: str, complete: bool) -> None:
    run = one(f"bench-dump 1\n[counts]\nsite bits\nU1 5\nU2 6\n{end}\n")
    assert run.source.complete is complete
    assert run.source.rows == 2
    assert [c for c in codes(run) if c.startswith("end")] == (
        [] if complete else ["end-count" if end else "end-missing"]
    )


def test_a_row_that_is_lost_still_counts_for_the_end_line() -> None:
    run = one("bench-dump 1\n[counts]\nsite bits\nU1 5\nU2 six\n[end] 2\n")
    assert run.source.complete
    assert (run.source.printed, run.source.lost) == (2, 1)
    run = one("bench-dump 1\n[counts]\nsite lane bits\nU1 0 5\nU2 x 6\n[end] 2\n")
    assert run.source.complete
    assert (run.source.printed, run.source.rows, run.source.lost) == (2, 1, 1)


def test_one_bad_cell_costs_that_cell_alone() -> None:
    bad = FULL.replace("read  no-response", "read  no-respons ")
    run = one(bad)
    assert [row.result for row in run.training] == [Result.PASS, None, None]
    (lost,) = run.lost
    assert (lost.kind, lost.column, lost.place) == (LostKind.CELL, "result", Place("U1", 0, 0, 1))
    assert (lost.position.line, lost.position.column) == (23, 25)
    (said,) = (p for p in run.problems if p.code == "bad-cell")
    assert said.position is not None
    assert (said.position.line, said.position.column) == (23, 25)
    assert "'no-response'" in said.hint


def test_what_is_not_known_is_kept() -> None:
    run = one(
        "bench-dump 1\n[run]\nshoe-size 44\n[counts]\nsite bits colour\nU1 5 red\n"
        "[moods]\nfine today\n[end] 1\n"
    )
    assert run.head.as_read() == {"shoe-size": "44"}
    assert run.counts[0].extra == {"colour": "red"}
    assert run.text[7] == "fine today"
    assert codes(run) == ["unknown-key", "unknown-column", "unknown-section"]
    assert run.source.complete


def test_nothing_measured_is_not_nothing_said() -> None:
    zero, unsaid = one("bench-dump 1\n[counts]\nbits errors\n5 0\n5 -\n[end] 2\n").counts
    assert zero.errors == 0
    assert unsaid.errors is None


def test_a_table_may_start_anew_with_other_columns() -> None:
    run = one("bench-dump 1\n[counts]\nsite bits\nU1 5\nlane bits\n3 6\n[end] 2\n")
    assert [(c.place.site, c.place.lane, c.bits) for c in run.counts] == [
        ("U1", None, 5),
        (None, 3, 6),
    ]


@pytest.mark.parametrize("code", sorted(code for code, kind in KINDS.items() if kind.provoked_by))
def test_each_problem_is_provoked_by_its_inputs(code: str) -> None:
    for text in KINDS[code].provoked_by:
        try:
            found = [p for run in load.load(text) for p in run.problems]
        except load.Unreadable as none:
            found = list(none.problems)
        said = [p for p in found if p.code == code]
        assert said, text
        assert said[0].severity is catalogue()[code].severity
        assert said[0].message
        assert said[0].hint


def test_a_surrogate_in_a_str_is_no_crash() -> None:
    assert (
        one("bench-dump 1\n[counts]\nsite bits\nU\udc801 5\nU2 6\n[end] 2\n").counts[-1].bits == 6
    )


# -- no line vanishes -------------------------------------------------------------------------

LINES = st.one_of(
    st.sampled_from(
        [*FULL.splitlines(), "bench-dump 1", "[end]", "[end] 1", "[training]", "[run]"]
    ),
    st.text(
        st.characters(exclude_characters="\r\n\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029"), max_size=30
    ),
    st.lists(
        st.sampled_from(["U1", "0", "read", "pass", "-", "0x1f", "[", "]", "#", "step", "result"])
    ).map(" ".join),
)


@given(st.lists(LINES, max_size=40), st.sampled_from(["\n", "\r\n"]))
@settings(max_examples=examples(150), deadline=None)
def test_every_line_is_accounted_for(lines: list[str], end: str) -> None:
    text = "bench-dump 1" + end + end.join(lines)
    found = load.examine(text.encode("utf-8", "surrogatepass"))
    assert found.cleaned is not None
    accounted = sorted({number for number, _ in found.account.lines()})
    assert accounted == list(range(1, len(found.cleaned.pasted) + 1))
    classes = found.account.count()
    assert classes.get(LineClass.ROW, 0) == sum(run.source.rows for run in found.runs)
    rows = [
        row.position.line
        for run in found.runs
        for row in (*run.training, *run.counts, *run.rails, *run.heat, *run.values)
    ]
    rows += [n for run in found.runs if run.errors is not None for n in run.errors.line.tolist()]
    assert sorted(rows) == [
        n for n, line_class in found.account.lines() if line_class is LineClass.ROW
    ]
    problems = [p for run in found.runs for p in run.problems if p.position is not None]
    told = {p.position.line for p in problems if p.position is not None}
    headers = [p.position.line for p in problems if p.code == "rows-unreadable" and p.position]
    for number, line_class in found.account.lines():
        if line_class is LineClass.PROBLEM and number not in told:
            # Rows without a usable header line are told together, at the first of them.
            assert any(first < number for first in headers), found.cleaned.pasted[number - 1]
    spans = [(run.source.first_line, run.source.last_line) for run in found.runs]
    assert all(a[1] < b[0] for a, b in pairwise(spans))
    for run in found.runs:
        assert run.text == found.cleaned.pasted[run.source.first_line - 1 : run.source.last_line]


@given(st.binary(max_size=400))
@settings(max_examples=examples(150), deadline=None)
def test_no_input_raises_anything_but_unreadable(data: bytes) -> None:
    for source in (data, b"bench-dump 1\n[counts]\nsite bits\n" + data):
        try:
            runs = load.load(source)
        except load.Unreadable as none:
            assert none.problems
        else:
            assert runs


def test_a_remark_behind_a_full_header_line_takes_no_row() -> None:
    """The header line is the widest and ends in a remark: the row below is no part of it."""
    header = "site ch lane step result   # rig 4, bay 2"
    text = f"bench-dump 1\n[training]\n{header}\nU1 0 0 read pass\n[end] 1\n"
    (run,) = load.load(text.encode())
    assert len(run.training) == 1
    assert "rows-rejoined" not in [p.code for p in run.problems]


def test_lost_rows_keep_their_reason_where_a_later_header_line_mends_the_table() -> None:
    rows = "U1 0 0 read pass\nsite ch lane step result\nU2 0 0 read pass\n"
    (run,) = load.load(f"bench-dump 1\n[training]\n{rows}[end] 2\n".encode())
    (lost,) = [p for p in run.problems if p.code == "rows-unreadable"]
    assert lost.message.endswith("no line of column names came before them")
    assert [row.place.site for row in run.training] == ["U2"]
