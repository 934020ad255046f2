"""Dumps written from random records, dirtied, cut, spliced and corrupted, in every layout.

What was written is read; dirt changes nothing; one bad line costs that line alone; nothing raises
anything but `Unreadable`; no line vanishes; memory stays bounded.
"""

from __future__ import annotations

import gzip
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from memdiag.model import ErrorRow, Row, Run
from memdiag.model.problems import Severity, pastes
from memdiag.reading import bounds, error_log_builder, load
from memdiag.reading.account import LineClass
from tests.support import strategies
from tests.support.marks import examples
from tests.support.oracle import accounted, rows_of
from tests.support.strategies import HARMLESS, LAYOUTS, Written, nowhere

ordinary = settings(
    max_examples=examples(40),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
in_every_layout = pytest.mark.parametrize("layout", sorted(LAYOUTS))


def the_run(data: bytes | str) -> Run:
    (run,) = load.load(data)
    return run


def told(run: Run) -> list[str]:
    """Codes of everything said but what the cleaning and the missing profile have to say."""
    ignored = {*pastes.KINDS, "board-unsaid", "board-unknown", "outside"}
    from memdiag.model.problems.runs import KINDS

    ignored |= {"more-alike", "rows-repeated"}
    return [p.code for p in run.problems if p.code not in ignored | set(KINDS)]


def same_words(run: Run, written: Written) -> None:
    """The error log holds the words that were written, in order."""
    wanted = error_log_builder.from_rows(
        row for _, row in written.once if isinstance(row, ErrorRow)
    )
    assert (run.errors is None) == (wanted is None)
    if run.errors is None or wanted is None:
        return
    assert run.errors.keys == wanted.keys
    for name in wanted.__struct_fields__:
        if name not in ("keys", "line"):
            assert np.array_equal(getattr(run.errors, name), getattr(wanted, name)), name


def no_places(rows: list[Row]) -> list[Row]:
    return [nowhere(row) for row in rows]


def same_rows(run: Run, written: Written) -> None:
    wanted = [row for _, row in written.once if not isinstance(row, ErrorRow)]
    assert no_places(rows_of(run)) == wanted
    same_words(run, written)


@in_every_layout
@given(data=st.data())
@ordinary
def test_what_is_written_is_read(layout: str, data: st.DataObject) -> None:
    written = data.draw(LAYOUTS[layout]())
    run = the_run(written.text)
    assert told(run) == []
    same_rows(run, written)
    assert run.source.complete
    assert run.source.layout == layout
    # Each record stands where it was written.
    lines = sorted(n + 1 for n, row in written.once if not isinstance(row, ErrorRow))
    assert [row.position.line for row in rows_of(run)] == lines
    if run.errors is not None:
        words = [n + 1 for n, row in written.once if isinstance(row, ErrorRow)]
        assert run.errors.line.tolist() == words


@in_every_layout
@pytest.mark.parametrize("dirt", sorted(HARMLESS))
@given(data=st.data())
@settings(ordinary, max_examples=6)
def test_dirt_changes_nothing(layout: str, dirt: str, data: st.DataObject) -> None:
    written = data.draw(LAYOUTS[layout]())
    run = the_run(HARMLESS[dirt](written.text))
    assert told(run) == []
    same_rows(run, written)


@in_every_layout
@given(data=st.data())
@ordinary
def test_lines_between_the_rows_change_nothing(layout: str, data: st.DataObject) -> None:
    written = data.draw(LAYOUTS[layout]())
    text = data.draw(strategies.interrupted(written.text))
    run = the_run(text)
    assert told(run) == []
    same_rows(run, written)


@in_every_layout
@pytest.mark.parametrize("dirt", sorted(HARMLESS))
@given(data=st.data())
@settings(
    ordinary,
    max_examples=4,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_dirt_changes_nothing_in_large_dumps(
    layout: str, dirt: str, data: st.DataObject, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Large texts are read in blocks, and cleaned in parts; here every text counts as large."""
    monkeypatch.setattr(load, "LARGE", 64)
    written = data.draw(LAYOUTS[layout]())
    run = the_run(HARMLESS[dirt](written.text))
    assert told(run) == []
    same_rows(run, written)


def test_stamps_are_cut_behind_colours_in_the_last_part_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A part of one line, whose like was not seen before: what stands in front of it is known
    from the lines of the parts before it, though those were coloured."""
    text = (
        "~~~ memory report ~~~\nboard = pear-9\n(gate, round one)\n(channel 0, rank 0)\n"
        "lane 0 found none\n~~~ report ends ~~~\n"
    )
    monkeypatch.setattr(load, "LARGE", 64)
    run = the_run(HARMLESS["stamps and colours"](text))
    assert told(run) == []
    assert run.source.complete
    assert len(rows_of(run)) == 1


@given(strategies.dumps)
@settings(ordinary, max_examples=examples(20))
def test_packed_dumps_are_read_as_their_text(written: Written) -> None:
    same_rows(the_run(gzip.compress(written.text.encode(), 1)), written)


@in_every_layout
@given(data=st.data())
@settings(ordinary, max_examples=examples(80))
def test_one_mangled_row_costs_that_row_alone(layout: str, data: st.DataObject) -> None:
    written = data.draw(LAYOUTS[layout]())
    lines = written.lines
    at = data.draw(st.sampled_from(sorted(set(written.at))))
    lines[at] = data.draw(strategies.mangled(lines[at]))
    found = load.examine(("\n".join(lines) + "\n").encode())
    kept = [row for run in found.runs for row in rows_of(run)]
    others = [nowhere(row) for row in kept if row.position.line != at + 1]
    wanted = [
        row
        for n, row in zip(written.at, written.rows, strict=True)
        if n != at and not isinstance(row, ErrorRow)
    ]
    assert others == wanted
    line_class = dict(found.account.lines())[at + 1]
    if line_class is not LineClass.ROW:
        # Said at its line; or, where it became a comment or blank, by the count of rows at the end.
        places = [p.position.line for run in found.runs for p in run.problems if p.position]
        codes = [p.code for run in found.runs for p in run.problems]
        no_count = lines[-1] in ("[end]", "~~~ report ends ~~~")
        assert (
            at + 1 in places
            or "end-count" in codes
            or (line_class in (LineClass.NOISE, LineClass.BLANK) and no_count)
        )


@in_every_layout
@given(data=st.data())
@settings(ordinary, max_examples=examples(100))
def test_corrupted_dumps(layout: str, data: st.DataObject) -> None:
    written, other = data.draw(LAYOUTS[layout]()), data.draw(strategies.dumps)
    dirt = HARMLESS[data.draw(st.sampled_from(sorted(HARMLESS)))]
    accounted(data.draw(strategies.corrupted(dirt(written.text), other.text.encode())))


@given(st.binary(max_size=500))
@settings(ordinary, max_examples=examples(100))
def test_any_bytes(data: bytes) -> None:
    accounted(data)


def cut_at(text: str, width: int) -> str:
    return "".join(
        line[i : i + width] + "\n"
        for line in text.splitlines()
        for i in range(0, max(1, len(line)), width)
    )


@in_every_layout
@given(data=st.data(), width=st.integers(28, 60))
@ordinary
def test_rows_cut_at_the_width_of_a_terminal(layout: str, data: st.DataObject, width: int) -> None:
    """A cut row is read whole or not at all: never another row than was written, unless an error
    in the same run says that pieces were not understood."""
    written = data.draw(LAYOUTS[layout]())
    text = cut_at(written.text, width)
    accounted(text.encode())
    found = load.examine(text.encode())
    wanted = [row for row in written.rows if not isinstance(row, ErrorRow)]
    for run in found.runs:
        if any(p.severity is Severity.ERROR for p in run.problems):
            continue
        for row in rows_of(run):
            assert nowhere(row) in wanted, run.quote(row.position.line)


@pytest.mark.parametrize("width", range(28, 110, 3))
def test_a_table_cut_at_every_width(width: int) -> None:
    """The header line, being the longest, is cut as well; the rows are longer than the width
    once, twice or three times, and windows are cut inside."""
    text = (
        "bench-dump 1\n[run]\nid  a1\n[training]\n"
        "site ch rank lane step result candidate width height window taps delay spread vref tries "
        "temp\n"
        "U1 0 0 0 read pass c1 0.46UI 61mV 000000111111111111000000 2 24 4 71.5 1 85C\n"
        "U1 0 0 1 write no-response - - - - - - - - 3 -\n"
        "U12 23 0 1 write marginal c2 0.21UI 31mV 000000000011110000000000 2 23 4 70.5 1 85C\n"
        "[end] 3\n"
    )
    whole, cut = the_run(text), the_run(cut_at(text, width))
    assert no_places(rows_of(cut)) == no_places(rows_of(whole))
    assert cut.source.complete
    assert told(cut) == []
    said = [p for p in cut.problems if p.code == "rows-rejoined"]
    assert len(said) == (1 if width < len(text.splitlines()[4]) else 0)


@pytest.mark.parametrize(
    "line",
    [
        b"9" * 1_000_000,
        b"U1 0 " * 200_000,
        b"\x1b[1m" * 250_000,
        b"[run]" * 200_000,
        b"0x" + b"f" * 1_000_000,
        b"-" * 1_000_000,
        b"\xff" * 1_000_000,
        b"1," * 500_000,
        b"." * 1_000_000,
        b"\r" * 1_000_000,
        b"#" * 1_000_000,
    ],
    ids=lambda line: repr(line[:6]),
)
@in_every_layout
def test_a_line_of_a_million_characters(layout: str, line: bytes) -> None:
    heads = {
        "bench": b"bench-dump 1\n[counts]\nsite bits\nU1 5\n%s\nU2 6\n[end] 3\n",
        "commas": b"memlog,1\ntable,counts,site,bits\nU1,5\n%s\nU2,6\nstop,3\n",
        "console": b"~~~ memory report ~~~\nlane 1 a1: 5 bits, 0 off\n%s\n"
        b"lane 2 a1: 6 bits, 0 off\n~~~ report ends ~~~\n",
        "wide": b"<<< lanes side by side >>>\nch 0 | soak a1 | 1: 0 of 5\n%s\n"
        b"ch 0 | soak a1 | 2: 0 of 6\n<<< end 2\n",
    }
    (run,) = load.load(heads[layout] % line)
    assert [row.bits for row in run.counts][:1] == [5]
    assert 6 in [row.bits for row in run.counts]


@pytest.mark.parametrize(
    "row",
    [
        "U1  0  0x%08x  0xfg  0xfe  ok                  \n",  # each as wide as the last: a cut row?
        "U1  0  0x%08x  0xff\n",
        "U1  0  0x%08x  0xff  0xfe  ok  and  more  of  it\n",
        "0x%08x lost its beginning on the way from the rig to here\n",
        "bench-dump 1\n0x%08x lost its beginning on the way from the rig\n",
    ],
)
def test_thousands_of_bad_rows_take_linear_time(row: str) -> None:
    def seconds(n: int) -> float:
        text = "bench-dump 1\n[errors]\nsite ch address wrote read edc\n"
        data = (text + "".join(row % i for i in range(n))).encode()
        started = time.process_time()
        load.load(data)
        return time.process_time() - started

    # The first rows are tried as pieces of cut ones, a bounded number of times.
    assert seconds(2_400) < 16 * seconds(600) + 0.5


@pytest.mark.parametrize(
    "line",
    [
        " " * 9_000 + "&",
        "&" + " " * 9_000 + "[",
        "U1" + " " * 9_000,
        "0x" + "f" * 9_000,
        "# " * 4_500,
    ],
)
@in_every_layout
def test_a_long_line_is_looked_at_in_linear_time(layout: str, line: str) -> None:
    """Nothing that is skipped may be tried again and again with less of it skipped."""
    heads = {
        "bench": "bench-dump 1\n[training]\nsite step result\n",
        "commas": "memlog,1\ntable,training,site,step,result\n",
        "console": "~~~ memory report ~~~\n(reading, round one)\n",
        "wide": "<<< lanes side by side >>>\n",
    }
    started = time.perf_counter()
    load.load(heads[layout] + f"{line}\n" * 20)
    assert time.perf_counter() - started < 10


@pytest.mark.parametrize(
    ("pattern", "reason"),
    [("^(a+)+$", "for ever"), ("^(a|a)*b", "for ever"), ("(", "missing"), ("a" * 3 + "{2", "")],
)
def test_a_shops_pattern_cannot_hang_the_reading_of_another_layout(
    pattern: str, reason: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The patterns of all layouts are tried on every text, those of a garbled file too."""
    (tmp_path / "shop.lark").write_text(
        f"// name: shop\n// recognise: {pattern}\nnoise: LINE\nLINE: /x+/\n"
    )
    monkeypatch.setenv("MEMDIAG_GRAMMARS", str(tmp_path))
    started = time.perf_counter()
    run = the_run("a" * 60 + "!\nbench-dump 1\n[counts]\nsite bits\nU1 5\n[end] 1\n")
    assert time.perf_counter() - started < 10
    assert [row.bits for row in run.counts] == [5]
    said = [p for p in run.problems if p.code == "bad-recognise"]
    assert bool(said) is bool(reason)
    assert all(reason in p.message for p in said)


def test_memory_is_bounded_by_the_text() -> None:
    rows = b"".join(
        b"U%d %d 0 read pass 0.4%dUI\n" % (i % 12, i % 24, i % 10) for i in range(3_000)
    )
    text = b"bench-dump 1\n[training]\nsite ch lane step result width\n" + rows
    for data in (text, text.replace(b" ", b"\x1b[0m ")):
        tracemalloc.start()
        try:
            load.load(data)
            _, peak = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert peak < 150 * len(text)


# -- how much is read -------------------------------------------------------------------------


def refusal(text: str) -> str:
    with pytest.raises(load.Unreadable) as told:
        load.load(text)
    return told.value.problems[-1].code


ROW = "bench-dump 1\n[training]\nsite ch step result\n"


def test_bounds_are_where_they_are_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the bound a text is read, one beyond it is refused."""
    monkeypatch.setattr(bounds, "MOST_DUMPS", 3)
    monkeypatch.setattr(bounds, "MOST_ROWS", 12)
    monkeypatch.setattr(bounds, "MOST_NOT_UNDERSTOOD", 5)
    monkeypatch.setattr(bounds, "MOST_IDLE", 20)
    rows = "".join(f"U1 {n} read pass\n" for n in range(4))
    assert len(load.load((ROW + rows) * 3)) == 3
    assert refusal((ROW + rows) * 4) == "too-many"
    assert refusal(ROW + "U1 0 read pass\n" * 13) == "too-many"
    assert load.load(ROW + "nonsense\n" * 4 + rows)
    assert load.load(ROW + rows + rows + "nonsense\n" * 6)  # not most of its lines
    assert refusal(ROW + "nonsense\n" * 5) == "too-little-understood"
    assert refusal((ROW + "nonsense\n" * 4) * 2) == "too-little-understood"
    assert load.load(ROW + rows + "\n" * 20)
    assert refusal(ROW + rows + "\n" * 200) == "too-little-said"
