"""Large tables: rows read in columns are the rows that are read one by one."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import time
import tracemalloc
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from memdiag.layouts import registry, row_shapes
from memdiag.model import CountRow, ErrorRow, Place, Run, schema
from memdiag.model.error_log import ErrorLog
from memdiag.model.problems import Position
from memdiag.model.vocabulary import shipped
from memdiag.reading import chunks, count_builder, error_log_builder, load, stream
from memdiag.reading.account import LineClass
from memdiag.reading.columnar import values as cell_values
from memdiag.reading.reader import Reading
from tests.support.marks import examples


def read(text: str | bytes, layout: str, *, in_columns: bool, window: int = 400) -> Reading:
    data = text.encode() if isinstance(text, str) else text
    blocks = chunks.blocks(io.BytesIO(data), size=max(200, window * 3))
    reading, _ = stream.read(
        blocks,
        registry.find(layout),
        name="-",
        words=shipped(),
        in_columns=in_columns,
        window=window,
    )
    return reading


def log_of(log: ErrorLog | None) -> object:
    """A log as plain values."""
    if log is None:
        return None
    return {
        name: v.tolist() if isinstance(v := getattr(log, name), np.ndarray) else v
        for name in ErrorLog.__struct_fields__
    }


def told(run: Run) -> list[object]:
    return [(p.code, p.position, p.message) for p in run.problems]


def assert_same(one: Reading, two: Reading) -> None:
    assert list(one.account.lines()) == list(two.account.lines())
    assert len(one.runs) == len(two.runs)
    for a, b in zip(one.runs, two.runs, strict=True):
        assert a.head == b.head
        assert a.source == b.source
        assert a.training == b.training
        assert a.lost == b.lost
        assert a.counts == b.counts
        assert log_of(a.errors) == log_of(b.errors)
        assert told(a) == told(b)


# -- in format 1 ------------------------------------------------------------------------------

COMMON = {
    "site": ["U1", "U1", "U2", "U12", "-"],
    "ch": ["0", "0", "1", "A", "-"],
    "rank": ["0", "1", "x"],
    "lane": ["0", "1", "2", "-", "5000", "x"],
    "dq": ["0", "7", "-", "8"],
    "attempt": ["1", "2", "-", "0"],
    "point": ["low", "1600", "-"],
    "temp": ["85C", "24", "-", "-300C", "85V"],
}
WORDS = [
    "0x00",
    "0x01",
    "0xff",
    "0xFE",
    "0x0000ffff",
    "0X1",
    "0x" + "a" * 24,
    "-",
    "0x",
    "0xg1",
    "12",
]
POOLS = {
    "errors": COMMON
    | {
        "address": [
            "0x1040",
            "0x1040",
            "0x00ff",
            "0xABCDEF0123456789",
            "0x1ffffffffffffffff",
            "-",
            "4096",
        ],
        "wrote": WORDS,
        "read": WORDS,
        "mask": [*WORDS, "-", "-", "-"],
        "edc": ["ok", "bad", "OK", "-", "odd"],
        "pass": ["1", "2", "-", "x"],
        "beat": ["0", "3", "0x7", "-"],
        "bank": ["1", "0x2"],
        "row": ["7", "-"],
        "col": ["1e3", "9"],
    },
    "counts": COMMON
    | {
        "test": ["walk", "checker", "-"],
        "bits": ["1000", "1e9", "4_096", "-", "-3", "0", "99999999999999999999"],
        "errors": ["0", "3", "-", "1e3", "2000"],
        "rose": ["0", "2", "-"],
        "fell": ["0", "1", "-"],
        "edc": ["0", "-", "4"],
        "cells": ["0", "1", "-", "9"],
    },
}
OTHERS = [
    "",
    "# a remark",
    "nonsense",
    "[moods]",
    "[run]",
    "[end]",
    "bench-dump 1",
    "id  k-1",
    "[counts]",
    "site bits",
    "U1 5",
    "Ü1 0 0x10 0x01 0x00",
    "U1 \x1b[0m 0x10",
    "site lane",
]


@st.composite
def tables(draw: st.DrawFn) -> str:
    kind = draw(st.sampled_from(["errors", "counts"]))
    own = draw(st.lists(st.sampled_from(sorted(POOLS[kind])), unique=True, max_size=7))
    if kind == "errors":
        words = draw(st.sampled_from([["wrote", "read"], ["mask"], ["wrote", "read", "mask"]]))
        own = list(dict.fromkeys([*own, "address", *words]))
        own = draw(st.permutations(own))
    elif not own:
        own = ["bits"]
    lines = [f"[{kind}]", " ".join(own)]
    for _ in range(draw(st.integers(0, 30))):
        if draw(st.integers(0, 9)) == 0:
            lines.append(draw(st.sampled_from(OTHERS)))
            continue
        gap = draw(st.sampled_from([" ", " ", "  ", "\t", " \t "]))
        cells = [draw(st.sampled_from(POOLS[kind][name])) for name in own]
        line = gap.join(cells) + draw(st.sampled_from(["", "", " ", "  # look"]))
        lines.append(draw(st.sampled_from(["", "", "  "])) + line)
    return "\n".join(lines)


@given(
    st.lists(tables(), min_size=1, max_size=3),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([60, 400, 5000]),
)
@settings(max_examples=examples(150), deadline=None)
def test_columns_and_lines_give_the_same_records(parts: list[str], end: str, window: int) -> None:
    # The widest line comes first and is no row: no other line looks cut at a terminal's width.
    text = end.join(["bench-dump 1", "#" * 300, *"\n".join(parts).split("\n"), "[end]", ""])
    fast = read(text, "bench", in_columns=True, window=window)
    assert_same(fast, read(text, "bench", in_columns=False))
    whole = load.examine(text.encode())
    assert list(whole.account.lines()) == list(fast.account.lines())
    assert [log_of(r.errors) for r in whole.runs] == [log_of(r.errors) for r in fast.runs]


# -- in the other layouts ---------------------------------------------------------------------


@st.composite
def comma_rows(draw: st.DrawFn) -> str:
    kind = draw(st.sampled_from(["errors", "counts"]))
    own = ["address", "wrote", "read", "lane", "ch"] if kind == "errors" else ["ch", "test", "bits"]
    lines = [f"table,{kind}," + ",".join(own)]
    for _ in range(draw(st.integers(0, 25))):
        if draw(st.integers(0, 9)) == 0:
            lines.append(
                draw(st.sampled_from(["remark,hot", "run,id,7", "odd", "", "a,b", "stop,3"]))
            )
            continue
        cells = [draw(st.sampled_from([*POOLS[kind][name], ""])) for name in own]
        lines.append(draw(st.sampled_from([",", ",", " , "])).join(cells))
    return "\n".join(lines)


@given(st.lists(comma_rows(), min_size=1, max_size=3))
@settings(max_examples=examples(80), deadline=None)
def test_the_same_in_commas(parts: list[str]) -> None:
    text = "\n".join(["memlog,1", "remark," + "-" * 300, *parts, "stop", ""])
    assert_same(read(text, "commas", in_columns=True), read(text, "commas", in_columns=False))


CONSOLE = st.one_of(
    st.builds(
        "word {} of lane {}: sent {} came {}{}".format,
        st.sampled_from(["0x10", "0x1040", "10"]),
        st.sampled_from(["0", "3", "x", "77777"]),
        st.sampled_from(["0x5a", "0xff", "0xFF"]),
        st.sampled_from(["0x5b", "0x5a", "0x"]),
        st.sampled_from(["", ", link bad", ", link ok", " , link  bad", ", link odd"]),
    ),
    st.builds(
        "word 0x{:x} of lane {}: off by 0x{:02x}".format,
        st.integers(0, 1 << 40),
        st.integers(0, 7),
        st.integers(0, 255),
    ),
    st.builds(
        "lane {} {}: {} bits, {} off{}".format,
        st.integers(0, 7),
        st.sampled_from(["stripes", "silent", "chosen"]),
        st.sampled_from(["8000", "0"]),
        st.integers(0, 9),
        st.sampled_from(["", " (1 up, 2 down)"]),
    ),
    st.sampled_from(
        [
            "(reading, round two)",
            "(channel 1, rank 0)",
            "(clock 1600 at 61 C)",
            "",
            "lane 3 silent",
            "lane 3 tried 0:__oo 1:o___",
            "usb attached",
            "~~~ report ends ~~~",
        ]
    ),
)


@given(st.lists(CONSOLE, max_size=60))
@settings(max_examples=examples(80), deadline=None)
@example(["lane 3 silent", "(channel 1, rank 0)", "word 0x10 of lane 3: sent 0x5a came 0x5b"])
def test_the_same_in_console(lines: list[str]) -> None:
    text = "\n".join(["~~~ memory report ~~~", "ticket = " + "-" * 300, *lines, ""])
    assert_same(read(text, "console", in_columns=True), read(text, "console", in_columns=False))


@pytest.mark.parametrize("temp", ["85C", "85V", "-"])
def test_a_heading_between_the_rows_of_a_large_table(temp: str, tmp_path: Path) -> None:
    path = tmp_path / "g.lark"
    path.write_text(
        'head: "start"\ncontext: "at" TEMP\nerror_row: ADDRESS MASK\n'
        'count_row: "n" BITS\nADDRESS: /0x[0-9a-f]+/\nMASK: /m[0-9a-f]+/\n'
        'BITS: /[0-9]+/\nTEMP: /[^ ]+/\n%ignore " "\n'.replace("/m[", "/0[")
    )
    rows = [f"0x{i:x} 0{1 + i % 9}" if i % 3 else f"n {i}" for i in range(60)]
    rows.insert(20, f"at {temp}")
    rows.insert(40, "at 20C")
    text = "\n".join(["start " + " " * 300, *rows, ""])
    readings = []
    for in_columns in (True, False):
        reading, _ = stream.read(
            chunks.blocks(io.BytesIO(text.encode())),
            registry.load(path),
            name="-",
            words=shipped(),
            in_columns=in_columns,
            window=4000,
        )
        readings.append(reading)
    assert_same(*readings)
    (run,) = readings[0].runs
    assert len(run.counts) == 20
    assert run.source.lost == (19 if temp == "85V" else 0)


# -- which rules are proved to be regular -----------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "terminals", "proved"),
    [
        ('"e" LANE ADDRESS MASK', "", True),
        ('"e" LANE [ADDRESS] MASK', "", True),
        ('"e" LANE+ ADDRESS MASK', "", False),  # it repeats
        ('"e" LANE CH MASK', "CH: /[0-9]+/", True),
        ('"e" BANK MASK', "BANK: /[0-9]|[0-9]+/", False),  # the shorter one is tried first
        ('"e" POINT MASK', "POINT: /[a-z0-9 ]+/", False),  # it could go on into the mask
        ('"e" (ROW | COL) MASK', "ROW: /[0-9]+r/\nCOL: /[0-9]+c/", False),  # they begin alike
        ('"e" (ROW | COL) MASK', "ROW: /r[0-9]+/\nCOL: /c[0-9]+/", True),
    ],
)
def test_only_sure_rules_are_read_in_columns(
    rule: str, terminals: str, proved: bool, tmp_path: Path
) -> None:
    path = tmp_path / "g.lark"
    path.write_text(
        f"error_row: {rule}\nLANE: /[0-9]+/\nADDRESS: /a[0-9a-f]+/\n"
        f'MASK: /0x[0-9a-f]+/\n{terminals}\n%ignore " "\n'
    )
    layout = registry.load(path)
    found = row_shapes.shapes(layout, layout.starts[0], "error_row")
    assert bool(found) is proved


@given(
    st.lists(st.sampled_from(["e", "1", "23", "a1f", "abc", "0x1", "0xff", " ", "  "]), max_size=9)
)
@settings(max_examples=examples(300), deadline=None)
def test_a_shape_takes_no_line_that_the_parser_refuses(parts: list[str]) -> None:
    """Python's `re` runs the shape's own pattern here; Lark is the reference."""
    layout, found = shapes_layout()
    line = "".join(parts).strip()
    assert found
    for shape in found:
        hit = re.fullmatch(shape.pattern, line)
        if hit is None:
            continue
        match = layout.match(line, frozenset({"error_row"}))
        assert isinstance(match, registry.Match)
        taken = {t.column: hit[f"f{t.field}"] for t in shape.taken if t.field is not None}
        assert taken == {c.column: c.text for c in match.cells if c.text is not None}


@cache
def shapes_layout() -> tuple[registry.Layout, tuple[row_shapes.Shape, ...]]:
    from memdiag.layouts.grammar_compile import compile_pack

    text = (
        'error_row: "e" LANE [CH] [ADDRESS] MASK\nLANE: /[0-9]+/\nCH: /[a-f][0-9a-f]{3,}/\n'
        'ADDRESS: /x[0-9a-f]+/\nMASK: /0x[0-9a-f]+/\n%ignore " "\n'
    )
    layout = registry.unpack(compile_pack(text, "t"), "t")
    return layout, row_shapes.shapes(layout, layout.starts[0], "error_row")


@given(
    st.lists(
        st.sampled_from(
            [
                "rig1",
                "root@rig",
                "$",
                ">",
                "#",
                " ",
                "  ",
                "\t",
                "[",
                "  812.401]",
                "<6>",
                "May",
                "3",
                "10:22:33",
                "2024-05-03",
                "T",
                "Z",
                "kernel:",
                "ERROR",
                ":",
                "[I]",
                "port 2",
                "ttyS0",
                "|",
                "[end]",
                "U1",
            ]
        ),
        max_size=6,
    )
)
@settings(max_examples=examples(300), deadline=None)
def test_the_quick_look_for_prefixes_misses_none(parts: list[str]) -> None:
    from memdiag.reading.cleaning.prefixes import MARKED
    from memdiag.reading.columnar.prepared import _ROUGHLY_MARKED

    line = "".join(parts)
    if MARKED.match(line) and line.isascii():
        assert re.search(_ROUGHLY_MARKED.pattern, line)


# -- numbers ----------------------------------------------------------------------------------


@given(
    st.lists(
        st.one_of(
            st.integers(0, 2**256).map(hex),
            st.sampled_from(["-", "", "0X1F", "12", "0xg", "0x00000000000000001"]),
        )
    )
)
@settings(max_examples=examples(150), deadline=None)
def test_hex_words_are_those_python_reads(texts: list[str]) -> None:
    values, width, said, fine = cell_values.hex_words(pa.array(texts, pa.string()), bare=False)
    for text, limbs, bits, is_said, is_fine in zip(
        texts, values.tolist(), width.tolist(), said.tolist(), fine.tolist(), strict=True
    ):
        if text in ("-", ""):
            assert not is_said
        elif is_fine:
            assert sum(limb << (64 * i) for i, limb in enumerate(limbs)) == int(text, 16)
            assert bits == 4 * (len(text) - 2)
        else:
            assert text in ("12", "0xg")


@given(
    st.lists(
        st.tuples(st.integers(0, 2**40), st.integers(0, 255), st.integers(1, 255)),
        min_size=1,
        max_size=50,
        unique=True,
    )
)
@settings(max_examples=examples(50), deadline=None)
def test_columns_agree_with_pythons_csv(rows: list[tuple[int, int, int]]) -> None:
    body = "\n".join(f"0x{a:x},0x{w:02x},0x{w ^ m:02x}" for a, w, m in rows)
    text = f"memlog,1\ntable,errors,address,wrote,read\n{body}\nstop\n"
    log = read(text, "commas", in_columns=True).runs[0].errors
    assert log is not None
    parsed = [[int(cell, 16) for cell in row] for row in csv.reader(body.splitlines())]
    assert log.address.tolist() == [a for a, _, _ in parsed]
    assert log.wrong[:, 0].tolist() == [w ^ r for _, w, r in parsed]
    assert log.wrote[:, 0].tolist() == [w for _, w, _ in parsed]


# -- bounded memory ---------------------------------------------------------------------------


def error(line: int, address: int, wrong: int = 1, site: str = "U1") -> ErrorRow:
    """A word; those of different passes are no repeats of each other."""
    where = Position(line)
    return ErrorRow(position=where, place=Place(site), address=address, wrong=wrong, pass_=line)


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(1, 3), st.sampled_from(["U1", "U2"])),
        max_size=300,
    ),
    st.integers(8, 200),
)
@settings(max_examples=examples(100), deadline=None)
def test_a_thinned_log_keeps_whole_addresses(rows: list[tuple[int, int, str]], most: int) -> None:
    builder = error_log_builder.LogBuilder(most)
    builder_all = error_log_builder.LogBuilder()
    for line, (address, wrong, site) in enumerate(rows, 1):
        for each in (builder, builder_all):
            each.add_part(
                error_log_builder.from_rows([error(line, address, wrong, site)]), slice(0, 1)
            )
    log, exact = builder.finish(), builder_all.finish()
    if exact is None:
        assert log is None
        return
    assert exact.total == len(exact) == len(rows)
    if len(rows) <= most:
        assert log_of(log) == log_of(exact)
        return
    assert log is not None
    assert len(log) <= max(most, 1)
    assert log.total == len(rows)
    kept = set(log.address.tolist())
    for address in kept:
        assert log.times[log.address == address].sum() == sum(a == address for a, _, _ in rows)
    if log.share == 1:
        assert log.times.sum() == len(rows)


def test_repeats_are_collapsed_before_addresses_are_left_out() -> None:
    builder = error_log_builder.LogBuilder(1000)
    for line in range(5000):
        builder.add(error(line + 1, address=line % 100))
    log = builder.finish()
    assert log is not None
    assert log.share == 1
    assert len(set(log.address.tolist())) == 100
    assert log.times.sum() == log.total == 5000


def test_one_cell_with_very_many_words_stays_one_cell() -> None:
    builder = error_log_builder.LogBuilder(1000)
    for line in range(6000):
        builder.add(error(line + 1, address=0x40, wrong=line + 1))
        builder.add(error(line + 1, address=line * 8))
    log = builder.finish()
    assert log is not None
    assert len(log) <= 1000
    if 0x40 in log.address:
        assert log.times[log.address == 0x40].sum() == 6001
    only = error_log_builder.LogBuilder(1000)
    for line in range(6000):
        only.add(error(line + 1, address=0x40, wrong=line + 1))
    log = only.finish()
    assert log is not None
    assert log.times.sum() == 6000
    assert len(log) <= 1000


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["U1", "U2"]),
            st.sampled_from(["a", None]),
            st.integers(0, 2**62),
            st.one_of(st.none(), st.integers(0, 9)),
        ),
        max_size=80,
    ),
    st.integers(1, 30),
)
@settings(max_examples=examples(100), deadline=None)
def test_counts_are_added_up_exactly(
    rows: list[tuple[str, str | None, int, int | None]], most: int
) -> None:
    builder = count_builder.CountBuilder(most)
    for line, (site, test, bits, errors) in enumerate(rows, 1):
        builder.add(
            CountRow(
                position=Position(line), place=Place(site), test=test, bits=bits, errors=errors
            )
        )
    made = builder.finish()
    assert sum(row.bits or 0 for row in made) == sum(bits for _, _, bits, _ in rows)
    said = [e for _, _, _, e in rows if e is not None]
    assert sum(row.errors or 0 for row in made) == sum(said)
    assert any(row.errors is not None for row in made) == bool(said)
    if len(rows) <= most:
        assert len(made) == len(rows)
    else:
        assert builder.added_up
        assert len({(row.place, row.test) for row in made}) == len(made)


# -- the way in -------------------------------------------------------------------------------


def big(rows: int) -> str:
    body = "".join(
        f"U{1 + i % 3} {i % 4} 0x{i * 64:08x} 0x5a 0x{0x5A ^ (1 << i % 8):02x}\n"
        for i in range(rows)
    )
    return (
        "bench-dump 1\n[run]\nid big\n[errors]\nsite lane address wrote read\n"
        + body
        + f"[end] {rows}\n"
    )


def test_a_large_text_is_read_the_same_from_bytes_file_and_packed_file(tmp_path: Path) -> None:
    import gzip

    text = big(12_000)
    assert len(text) > load.LARGE
    plain, packed = tmp_path / "a.txt", tmp_path / "a.gz"
    plain.write_text(text)
    packed.write_bytes(gzip.compress(text.encode(), 1))
    (whole,) = load.examine(text.encode()).runs
    for source in (text, plain, packed):
        (run,) = load.load(source)
        assert run.head == whole.head
        assert log_of(run.errors) == log_of(whole.errors)
        assert run.source.complete
        assert run.source.rows == 12_000
        assert run.quote(7) == "U2 1 0x00000040 0x5a 0x58"
        assert run.source.sha256 == (
            whole.source.sha256 if source != packed else load.load(packed)[0].source.sha256
        )
    assert load.load(packed)[0].source.sha256 == hashlib.sha256(packed.read_bytes()).hexdigest()


def test_one_chunk_and_many_give_the_same_records(monkeypatch: pytest.MonkeyPatch) -> None:
    text = big(6_000)
    monkeypatch.setattr(load, "LARGE", 1000)
    (fast,) = load.load(text)
    monkeypatch.setattr(load, "LARGE", 1 << 30)
    (slow,) = load.load(text)
    assert log_of(fast.errors) == log_of(slow.errors)
    assert fast.source == slow.source


def test_a_message_between_the_rows_of_a_large_table_is_noise() -> None:
    lines = big(9_000).splitlines()
    lines.insert(5000, "[  812.401] usb 1-1: new high-speed device")
    lines.insert(7000, "U1 0 0x10 garbled")
    text = "\n".join(lines) + "\n"
    (run,) = load.load(text)
    assert run.source.rows == 9_000
    codes = {p.code: p for p in run.problems}
    assert codes["kernel-messages"].position == Position(5001)
    assert codes["cell-count"].position is not None
    assert codes["cell-count"].position.line == 7001


@pytest.mark.parametrize(
    "stamp",
    ["[{0:5d}.{1:06d}] ", "2024-05-03T14:20:{2:02d}.{1:06d}Z ", "14:20:{2:02d} INFO: ", "rig1: "],
)
def test_a_large_log_with_something_in_front_of_its_lines(stamp: str) -> None:
    plain = big(9_000)
    lines = [
        stamp.format(i // 60, i % 1_000_000, i % 60) + line
        for i, line in enumerate(plain.splitlines())
    ]
    lines.insert(4000, "no stamp here")
    lines.insert(6000, stamp.format(9, 9, 9) + "usb 1-1: new high-speed device")
    text = "\n".join(lines) + "\n"
    (stamped,), (bare,) = load.load(text), load.load(plain)
    assert log_of(stamped.errors)["address"] == log_of(bare.errors)["address"]  # type: ignore[index]
    assert stamped.source.rows == 9_000
    told = [p for p in stamped.problems if p.code in ("time-stamps", "log-prefixes")]
    assert told
    assert any("9,00" in p.message for p in told)
    seconds = timed(lambda: load.load(text))
    assert seconds < 6 * timed(lambda: load.load(plain)) + 0.5


def timed(job: Callable[[], object]) -> float:
    started = time.process_time()
    job()
    return time.process_time() - started


@pytest.mark.parametrize(
    ("most", "code"), [(2_000_000, None), (4_000, "errors-collapsed"), (1_000, "errors-thinned")]
)
def test_what_is_not_held_is_told(
    most: int, code: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(error_log_builder, "MOST_LOG_ROWS", most)
    rows = "".join(f"U1 0x{i % 1500:x} 0x1 0x0 {i // 1500}\n" for i in range(20_000))
    (run,) = load.load(f"bench-dump 1\n[errors]\nsite address wrote read pass\n{rows}[end] 20000\n")
    told = [p for p in run.problems if p.code.startswith("errors-")]
    assert [p.code for p in told] == ([] if code is None else [code])
    assert all("20,000" in p.message for p in told)
    assert run.errors is not None
    assert run.errors.total == run.source.rows == 20_000
    assert run.source.complete


def test_counts_that_are_added_up_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(count_builder, "MOST_COUNT_ROWS", 1000)
    rows = "".join(f"U{i % 3} walk 1e9 {i % 2}\n" for i in range(20_000))
    (run,) = load.load(f"bench-dump 1\n[counts]\nsite test bits errors\n{rows}[end] 20000\n")
    (told,) = (p for p in run.problems if p.code == "counts-added-up")
    assert "20,000" in told.message
    assert [row.place.site for row in run.counts] == ["U0", "U1", "U2"]
    assert sum(row.bits or 0 for row in run.counts) == 20_000 * 10**9
    assert sum(row.errors or 0 for row in run.counts) == 10_000


def test_a_line_without_end_is_told_and_costs_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.txt"
    path.write_text(big(6_000).replace("[end]", "9" * 40_000_000 + "\n[end]"))
    tracemalloc.start()
    (run,) = load.load(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert run.source.rows == 6_000
    (said,) = (p for p in run.problems if p.code == "line-too-long")
    assert "65,536 or more" in said.message
    assert run.source.last_line == 6_007
    assert run.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert peak < 150e6


def test_every_line_of_a_large_text_is_accounted_for() -> None:
    reading = read(big(5_000), "bench", in_columns=True, window=30_000)
    lines = list(reading.account.lines())
    assert [n for n, _ in lines] == list(range(1, 5_007))
    assert sum(line_class is LineClass.ROW for _, line_class in lines) == 5_000
    assert len(reading.account.extents) < 20


def test_runs_can_be_sent_to_another_process() -> None:
    import pickle

    (run,) = load.load(big(9_000))
    again = pickle.loads(pickle.dumps(run))
    assert log_of(again.errors) == log_of(run.errors)
    assert again.head == run.head


def test_law_and_tables_agree() -> None:
    from memdiag.reading import converters
    from memdiag.reading.columnar import row_plans

    for table in row_plans.TABLES:
        assert all(converters.converter(table, name) for name in schema.columns(table))


@pytest.mark.parametrize("in_columns", [True, False])
def test_a_row_cut_where_a_part_ends_is_put_together(in_columns: bool) -> None:
    """A terminal of 40 columns cut each row in two; parts end after any number of lines."""
    rows = [f"U{i % 9 + 1} 0 {i % 4} write pass 0.{i % 10}UI {i:030d}" for i in range(60)]
    header = "site ch lane step result width note"
    cut = [piece for row in rows for piece in (row[:40], row[40:])]
    text = "\n".join(["bench-dump 1", "[training]", header, *cut, f"[end] {len(rows)}", ""])
    for window in (100, 200, 1000, 1500):
        found = read(text, "bench", in_columns=in_columns, window=window)
        assert len(found.runs[0].training) == len(rows)
        assert [p.code for p in found.runs[0].problems if p.severity.value == "error"] == []


# --- rows without words --------------------------------------------------------------------------

WHERE = st.tuples(
    st.one_of(st.none(), st.integers(0, 2**40)),
    st.one_of(st.none(), st.tuples(*(st.integers(0, 2**16) for _ in range(3)))),
    st.one_of(st.none(), st.integers(1, 255)),
)
"""Address, bank with row and column, and mask of an error row, each said or not."""


def _cells(row: tuple[int | None, tuple[int, ...] | None, int | None]) -> str:
    address, place, mask = row
    first = "-" if address is None else hex(address)
    last = "-" if mask is None else f"{mask:#04x}"
    return " ".join(["U1", first, *(["-"] * 3 if place is None else map(str, place)), last])


@given(st.lists(WHERE, min_size=1, max_size=40))
def test_rows_without_words_are_wrong_words_of_no_known_bits(rows: list[Any]) -> None:
    """A row that says where, by address or by bank, row and column, is a wrong word there."""
    head = ["bench-dump 1", "[errors]", "site address bank row col mask"]
    text = "\n".join([*head, *map(_cells, rows), f"[end] {len(rows)}", ""])
    (run,) = load.load(text)
    kept = [row for row in rows if row[2] is not None or row[0] is not None or row[1] is not None]
    once = {row for row in kept if row[0] is not None}
    many = len(once) + sum(row[0] is None for row in kept)
    log = run.errors
    assert (0 if log is None else len(log)) == many
    assert run.source.lost == len(rows) - len(kept)
    if log is not None:
        blank = log.width == 0
        assert not log.wrong[blank].any() and not log.directed[blank].any()
        assert log.wrong[~blank].any(axis=1).all()
        told = [p for p in run.problems if p.code == "words-left-out"]
        assert len(told) == bool(blank.any())
        assert all(p.position.line == int(log.line[blank].min()) for p in told)


def test_rows_without_words_are_read_in_columns_as_one_by_one() -> None:
    """The same rows, as many as are read at once and as few as are not."""
    rows = [f"U1 {0x40 * i:#x} {i % 16} {i % 7} 3 -" for i in range(3000)]
    head = ["bench-dump 1", "[errors]", "site address bank row col mask"]
    (many,) = load.load("\n".join([*head, *rows, f"[end] {len(rows)}", ""]))
    assert many.errors is not None and len(many.errors) == len(rows)
    assert not many.errors.width.any() and not many.lost
    (few,) = load.load("\n".join([*head, *rows[:3], "[end] 3", ""]))
    assert few.errors is not None
    for name in ("address", "bank", "row", "col", "has_cell", "width", "directed"):
        assert (getattr(few.errors, name) == getattr(many.errors, name)[:3]).all()


@pytest.mark.parametrize(
    ("columns", "row"),
    [
        ("site mask", "U1 0x1"),
        ("site address wrote", "U1 0x10 0xff"),
        ("site address wrote read", "U1 0x10 0xff -"),
        ("site bank row", "U1 0 7"),
    ],
)
def test_a_row_that_says_half_a_word_or_no_place_is_none(columns: str, row: str) -> None:
    (run,) = load.load(f"bench-dump 1\n[errors]\n{columns}\n{row}\n[end] 1\n")
    assert run.errors is None and run.source.lost == 1
