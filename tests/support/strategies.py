"""Hypothesis strategies that write dumps from records, in every shipped layout, and dirty them.

Nothing here uses the reader's own converters: each cell is drawn as (text, what it means).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from hypothesis import strategies as st
from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import (
    CountRow,
    ErrorRow,
    HeatRow,
    Place,
    RailRow,
    Result,
    Row,
    TrainingRow,
    ValueRow,
)
from memdiag.model.problems import Position
from memdiag.model.quantities import Quantity

NOWHERE = Position(1)

Cells = dict[str, tuple[str, Any]]
"""Column -> (as printed, as meant); a column that is not said is left out."""


class Written(Struct, frozen=True):
    """A dump as text, the records it holds, and the index of each record's line in the text."""

    text: str
    rows: tuple[Row, ...]
    at: tuple[int, ...]
    layout: str

    @property
    def lines(self) -> list[str]:
        return self.text.splitlines()

    @property
    def once(self) -> list[tuple[int, Row]]:
        """Its rows with the index of their lines, those printed again left out: they are one
        reading. Words without an address are never the same one, and less than bank, row and
        column of a cell says nothing."""
        found: list[tuple[int, Row]] = []
        said: list[Row] = []
        for n, row in zip(self.at, self.rows, strict=True):
            told = row
            if isinstance(row, ErrorRow) and None in (row.bank, row.row, row.col):
                told = replace(row, bank=None, row=None, col=None)
            unplaced = isinstance(row, ErrorRow) and row.address is None
            if unplaced or told not in said:
                found.append((n, row))
            said.append(told)
        return found


# -- cells -------------------------------------------------------------------------------------


def _same(values: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[str, Any]]:
    return values.map(lambda v: (str(v), v))


words = st.from_regex(r"[a-z]{2,6}[0-9]", fullmatch=True)
small = _same(st.integers(0, 12))


@st.composite
def with_unit(draw: st.DrawFn, most: int, *units: str) -> tuple[str, Quantity]:
    """A number of two decimals and its unit; "" draws it bare."""
    value = draw(st.integers(0, most * 100)) / 100
    unit = draw(st.sampled_from(units))
    return f"{value:g}{unit}", Quantity(float(f"{value:g}"), unit or None)


DELAY = st.integers(-40, 120).map(lambda n: (f"{n}", Quantity(float(n))))


SCOPE = {
    "site": _same(st.from_regex(r"U[1-9][0-9]?", fullmatch=True)),
    "ch": _same(st.integers(0, 23) | st.sampled_from(["A", "B"])),
    "rank": _same(st.integers(0, 3)),
    "lane": small,
    "dq": _same(st.integers(0, 7)),
}
SETTING = {
    "attempt": _same(st.integers(1, 9)),
    "point": _same(words),
    "temp": st.integers(-40, 105).flatmap(
        lambda t: st.sampled_from([(f"{t}C", float(t)), (str(t), float(t))])
    ),
}
STEP = _same(st.sampled_from(["id", "ca", "level", "wck", "gate", "read", "write", "vref", "zq"]))
RESULT = st.sampled_from(list(Result)).map(lambda r: (str(r), r))
TRAINING = {
    "candidate": _same(words),
    "width": with_unit(90, "UI", "ps", ""),
    "height": with_unit(300, "mV"),
    "window": _same(st.text("01", min_size=2, max_size=32)),
    "taps": _same(st.integers(1, 8)).map(lambda t: (t[0], float(t[1]))),
    "delay": DELAY,
    "spread": with_unit(9, "", "taps"),
    "vref": with_unit(100, "", "%").map(lambda q: (q[0], q[1].value)),
    "tries": small,
}
OHMS = st.one_of(
    st.just(("0L", math.inf)),
    st.integers(0, 9999).map(lambda n: (f"{n / 10:g}", float(f"{n / 10:g}"))),
    st.integers(1, 99).map(lambda n: (f"{n}kohm", n * 1e3)),
)
HEAT = {
    "volts": with_unit(20, "V", "").map(lambda q: (q[0], q[1].value)),
    "amps": with_unit(9, "A", "").map(lambda q: (q[0], q[1].value)),
    "hottest": _same(st.from_regex(r"[UL][1-9]", fullmatch=True)),
    "rise": with_unit(60, "K", "").map(lambda q: (q[0], q[1].value)),
}


@st.composite
def _some(draw: st.DrawFn, columns: Mapping[str, st.SearchStrategy[Any]]) -> Cells:
    """Some of the columns, in any order."""
    names = draw(st.lists(st.sampled_from(sorted(columns)), unique=True, max_size=len(columns)))
    return {name: draw(columns[name]) for name in names}


@st.composite
def count_cells(draw: st.DrawFn) -> Cells:
    """Counts that do not contradict themselves."""
    bits = draw(st.integers(1, 10**13))
    errors = draw(st.integers(0, min(bits, 10**6)))
    rose = draw(st.integers(0, errors))
    numbers = {
        "bits": bits,
        "errors": errors,
        "rose": rose,
        "fell": errors - rose,
        "cells": draw(st.integers(0, errors)),
        "edc": draw(st.integers(0, 10**6)),
    }
    names = draw(st.lists(st.sampled_from(sorted(numbers)), unique=True, min_size=1))
    cells: Cells = {"test": (test := draw(words), test)} if draw(st.booleans()) else {}
    return cells | {name: (str(numbers[name]), numbers[name]) for name in names}


@st.composite
def error_cells(draw: st.DrawFn) -> Cells:
    """A failing word: written and read, or a mask."""
    digits = draw(st.sampled_from([2, 4, 8, 16, 32]))

    def word(value: int) -> str:
        return f"0x{value:0{digits}x}"

    address = draw(st.integers(0, 2**40))
    wrong = draw(st.integers(1, 16**digits - 1))
    cells: Cells = {"address": (f"0x{address:010x}", address)}
    if draw(st.booleans()):
        wrote = draw(st.integers(0, 16**digits - 1))
        cells |= {"wrote": (word(wrote), wrote), "read": (word(wrote ^ wrong), wrong)}
    else:
        cells["mask"] = (word(wrong), wrong)
    cells |= draw(
        _some(
            {
                "edc": st.sampled_from([("ok", False), ("bad", True)]),
                "pass": small,
                "beat": small,
                "bank": small,
                "row": _same(st.integers(0, 16383)),
                "col": _same(st.integers(0, 1023)),
            }
        )
    )
    return cells


TABLES: dict[str, st.SearchStrategy[Cells]] = {
    "training": st.builds(
        lambda step, result, more: {"step": step, "result": result} | more,
        STEP,
        RESULT,
        _some(TRAINING),
    ),
    "counts": count_cells(),
    "errors": error_cells(),
    "rails": st.builds(
        lambda rail, ohms, more: {"rail": rail, "ohms": ohms} | more,
        _same(st.sampled_from(["VDDQ", "VDD_MEM", "VPP"])),
        OHMS,
        _some({"trend": _same(st.sampled_from(["settled", "rising", "falling"]))}),
    ),
    "heat": st.builds(
        lambda rail, more: {"rail": rail} | more,
        _same(st.sampled_from(["VDDQ", "VPP"])),
        _some(HEAT),
    ),
    "values": st.builds(
        lambda name, value: {"name": name, "value": value},
        _same(words),
        with_unit(90, "ps", "mV", "C"),
    ),
}


def record(table: str, cells: Cells) -> Row:
    """The record a row of these cells is."""
    meant = {name: value for name, (_, value) in cells.items()}
    place = Place(*(meant.pop(name, None) for name in ("site", "ch", "rank", "lane", "dq")))
    base: dict[str, Any] = {
        "position": NOWHERE,
        "place": place,
        **{name: meant.pop(name, None) for name in ("attempt", "point", "temp")},
    }
    if table == "errors":
        wide = max(len(cells[c][0]) - 2 for c in ("wrote", "read", "mask") if c in cells)
        return ErrorRow(
            address=meant["address"],
            wrong=meant.get("mask", meant.get("read")),
            wrote=meant.get("wrote"),
            digits=4 * wide,
            edc_bad=meant.get("edc"),
            pass_=meant.get("pass"),
            beat=meant.get("beat"),
            bank=meant.get("bank"),
            row=meant.get("row"),
            col=meant.get("col"),
            **base,
        )
    if table == "values":
        return ValueRow(name=meant["name"], text=cells["value"][0], value=meant["value"], **base)
    kinds = {"training": TrainingRow, "counts": CountRow, "rails": RailRow, "heat": HeatRow}
    made: Row = kinds[table](**meant, **base)
    return made


@st.composite
def tables(draw: st.DrawFn) -> list[tuple[str, list[str], list[Cells]]]:
    """Some tables as (name, columns in order, rows); each row lacks some of the columns."""
    found = []
    for name in draw(st.lists(st.sampled_from(sorted(TABLES)), min_size=1, max_size=4)):
        rows = draw(
            st.lists(
                st.builds(
                    lambda own, where, at: own | where | at,
                    TABLES[name],
                    _some(SCOPE),
                    _some(SETTING),
                ),
                min_size=1,
                max_size=4,
            )
        )
        columns = sorted({column for row in rows for column in row})
        if name == "training":
            columns = sorted({*columns, "step", "result"})
        found.append((name, draw(st.permutations(columns)), rows))
    return found


# -- layouts -----------------------------------------------------------------------------------


@st.composite
def bench(draw: st.DrawFn) -> Written:
    """Format 1."""
    lines = ["bench-dump 1", "[run]", f"id  {draw(words)}"]
    rows: list[Row] = []
    at: list[int] = []
    for name, columns, cells in draw(tables()):
        if draw(st.booleans()):
            lines.append(draw(st.sampled_from(["", "# looked at twice", "   "])))
        lines += [f"[{name}]", "  ".join(columns)]
        gap = draw(st.sampled_from([" ", "  ", "   "]))
        for row in cells:
            at.append(len(lines))
            lines.append(gap.join(row[c][0] if c in row else "-" for c in columns))
            rows.append(record(name, row))
    lines.append(draw(st.sampled_from(["[end]", f"[end] {len(rows)}"])))
    return Written("\n".join(lines) + "\n", tuple(rows), tuple(at), "bench")


@st.composite
def commas(draw: st.DrawFn) -> Written:
    """The comma-separated layout."""
    lines = ["memlog,1", f"run,id,{draw(words)}"]
    rows: list[Row] = []
    at: list[int] = []
    for name, drawn, cells in draw(tables()):
        # A row of this layout has at least one comma.
        columns = drawn if len(drawn) > 1 else [*drawn, "point"]
        lines.append(",".join(["table", name, *columns]))
        unsaid = draw(st.sampled_from(["", "-"]))
        for row in cells:
            at.append(len(lines))
            lines.append(",".join(row[c][0] if c in row else unsaid for c in columns))
            rows.append(record(name, row))
    lines.append(f"stop,{len(rows)}")
    return Written("\n".join(lines) + "\n", tuple(rows), tuple(at), "commas")


_CONSOLE_STEPS = {
    "roll call": "id",
    "commands": "ca",
    "levelling": "level",
    "gate": "gate",
    "reading": "read",
    "writing": "write",
    "reference": "vref",
}
_CONSOLE_RESULTS = {
    "in order": Result.PASS,
    "narrow": Result.MARGINAL,
    "wrong": Result.FAIL,
    "silent": Result.NO_RESPONSE,
    "nobody there": Result.NO_RESPONSE,
    "found none": Result.NOT_FOUND,
    "left out": Result.NOT_RUN,
}
_ROUNDS = {"round one": 1, "round two": 2, "round three": 3}


def _drawn(window: str) -> str:
    """A window as this layout draws it."""
    return window.replace("0", "_").replace("1", "o")


@st.composite
def console(draw: st.DrawFn) -> Written:
    """The console layout, one line a lane: headings, scans of candidates, results, words."""
    lines = ["~~~ memory report ~~~", "board = pear-9"]
    rows: list[Row] = []
    at: list[int] = []

    def add(line: str, *found: Row) -> None:
        rows.extend(found)
        at.extend([len(lines)] * len(found))
        lines.append(line)

    for _ in range(draw(st.integers(1, 3))):
        heading = draw(st.sampled_from(sorted(_CONSOLE_STEPS)))
        step = _CONSOLE_STEPS[heading]
        turn = draw(st.sampled_from(sorted(_ROUNDS)))
        channel, rank = draw(st.integers(0, 3)), draw(st.integers(0, 1))
        lines += [f"({heading}, {turn})", f"(channel {channel}, rank {rank})"]
        for lane in reversed(range(draw(st.integers(1, 4)))):
            base: dict[str, Any] = {
                "position": NOWHERE,
                "place": Place(None, channel, rank, lane),
                "attempt": _ROUNDS[turn],
            }
            kind = draw(st.sampled_from(["scan", "result", "chosen", "count", "word"]))
            if kind == "scan":
                scans = draw(
                    st.lists(st.text("01", min_size=4, max_size=12), min_size=1, max_size=4)
                )
                drawn = " ".join(f"{i}:{_drawn(s)}" for i, s in enumerate(scans))
                add(
                    f"lane {lane} tried {drawn}",
                    *(
                        TrainingRow(step=step, candidate=str(i), window=s, **base)
                        for i, s in enumerate(scans)
                    ),
                )
            elif kind == "result":
                word = draw(st.sampled_from(sorted(_CONSOLE_RESULTS)))
                result = _CONSOLE_RESULTS[word]
                add(f"lane {lane} {word}", TrainingRow(step=step, result=result, **base))
            elif kind == "chosen":
                window = draw(st.text("01", min_size=4, max_size=12))
                eye = draw(st.integers(1, 99))
                at_tap, ease = draw(st.integers(0, 99)), draw(st.integers(0, 30))
                add(
                    f"lane {lane} chosen 2:{_drawn(window)} at {at_tap} ease {ease}, "
                    f"eye 0.{eye:02}UI",
                    TrainingRow(
                        step=step,
                        candidate="chosen 2",
                        window=window,
                        delay=Quantity(float(at_tap)),
                        spread=Quantity(float(ease)),
                        width=Quantity(eye / 100, "UI"),
                        **base,
                    ),
                )
            elif kind == "count":
                bits = draw(st.integers(1, 10**12))
                wrong = draw(st.integers(0, min(bits, 999)))
                test = draw(words)
                add(
                    f"lane {lane} {test}: {bits} bits, {wrong} off",
                    CountRow(test=test, errors=wrong, bits=bits, **base),
                )
            else:
                wrote, wrong = draw(st.integers(0, 255)), draw(st.integers(1, 255))
                add(
                    f"word 0x{lane:06x} of lane {lane}: "
                    f"sent 0x{wrote:02x} came 0x{wrote ^ wrong:02x}, link bad",
                    ErrorRow(
                        address=lane, wrote=wrote, wrong=wrong, digits=8, edc_bad=True, **base
                    ),
                )
    lines.append("~~~ report ends ~~~")
    return Written("\n".join(lines) + "\n", tuple(rows), tuple(at), "console")


_WIDE_STEPS = {"roll call": "id", "read": "read", "write": "write", "gate": "gate"}
_WIDE_RESULTS = {
    "ok": Result.PASS,
    "low": Result.MARGINAL,
    "bad": Result.FAIL,
    "mute": Result.NO_RESPONSE,
    "-": Result.NOT_FOUND,
    "off": Result.NOT_RUN,
}


@st.composite
def wide(draw: st.DrawFn) -> Written:
    """The wide layout: the lanes of a channel and step in one line."""
    lines = ["<<< lanes side by side >>>", "<<< board: pear-9"]
    rows: list[Row] = []
    at: list[int] = []
    for _ in range(draw(st.integers(1, 5))):
        channel, rank = draw(st.integers(0, 3)), draw(st.integers(0, 1))
        lanes = draw(st.integers(1, 4))
        cells = []
        step = draw(st.sampled_from([*sorted(_WIDE_STEPS), "soak march"]))
        turn = None if step == "soak march" else draw(st.sampled_from([None, 1, 2]))
        for lane in range(lanes):
            place = Place(None, channel, rank, lane)
            base: dict[str, Any] = {"position": NOWHERE, "place": place}
            if step == "soak march":
                wrong, bits = draw(st.integers(0, 99)), draw(st.integers(100, 10**12))
                cells.append(f"{lane}: {wrong} of {bits}")
                rows.append(CountRow(test="march", errors=wrong, bits=bits, **base))
                continue
            word = draw(st.sampled_from(sorted(_WIDE_RESULTS)))
            width = draw(st.none() | st.integers(1, 99))
            cells.append(f"{lane}: {word}" + (f" {width}" if width is not None else ""))
            taps = None if width is None else Quantity(float(width))
            base |= {"step": _WIDE_STEPS[step], "attempt": turn, "width": taps}
            rows.append(TrainingRow(result=_WIDE_RESULTS[word], **base))
        at += [len(lines)] * lanes
        tried = "" if turn is None else f", try {turn}"
        lines.append(f"ch {channel} rank {rank} | {step}{tried} | {' | '.join(cells)}")
    lines.append(f"<<< end {len(rows)}")
    return Written("\n".join(lines) + "\n", tuple(rows), tuple(at), "wide")


LAYOUTS: dict[str, Callable[[], st.SearchStrategy[Written]]] = {
    "bench": bench,
    "commas": commas,
    "console": console,
    "wide": wide,
}
dumps = st.sampled_from(sorted(LAYOUTS)).flatmap(lambda name: LAYOUTS[name]())


def nowhere(row: Row) -> Row:
    """The row without its place in the text."""
    return replace(row, position=NOWHERE)


# -- dirt --------------------------------------------------------------------------------------

Dirt = Callable[[str], bytes]


def _each(make: Callable[[int, str], str]) -> Dirt:
    return lambda text: "".join(
        make(i, line) + "\n" for i, line in enumerate(text.splitlines())
    ).encode()


HARMLESS: dict[str, Dirt] = {
    "nothing": lambda text: text.encode(),
    "CR LF": lambda text: text.replace("\n", "\r\n").encode(),
    "CR alone": lambda text: text.replace("\n", "\r").encode(),
    "CR CR LF": lambda text: text.replace("\n", "\r\r\n").encode(),
    "no last line end": lambda text: text.rstrip("\n").encode(),
    "doubled lines": lambda text: text.replace("\n", "\n\n").encode(),
    "UTF-8 with a mark": lambda text: b"\xef\xbb\xbf" + text.encode(),
    "UTF-16 with a mark": lambda text: text.encode("utf-16"),
    "UTF-16 without": lambda text: text.encode("utf-16-le"),
    "UTF-32": lambda text: text.encode("utf-32"),
    "NULs": lambda text: text.replace("\n", "\0\n\0").encode(),
    "bells": lambda text: text.replace("\n", "\x07\n").encode(),
    "tabs": lambda text: text.replace(" ", "\t").encode(),
    "no-break blanks": lambda text: text.replace(" ", "\u00a0").encode(),
    "blanks at the end": _each(lambda i, line: line + "   "),
    "blanks in front": _each(lambda i, line: "  " + line),
    "colours": _each(lambda i, line: f"\x1b[{30 + i % 8}m{line}\x1b[0m"),
    "8-bit colours": _each(lambda i, line: f"\x9b1m{line}\x9bm"),
    "a title": _each(lambda i, line: f"\x1b]0;rig 3\x07{line}\x1b[K"),
    "kernel stamps": _each(lambda i, line: f"[{i * 0.37:12.6f}] {line}"),
    "RFC 3339 stamps": _each(lambda i, line: f"2026-03-04T12:00:{i % 60:02}.5Z {line}"),
    "clocks": _each(lambda i, line: f"12:{i // 60 % 60:02}:{i % 60:02}.123 {line}"),
    "levels": _each(lambda i, line: f"INFO: {line}"),
    "syslog levels": _each(lambda i, line: f"<6>{line}"),
    "quoted": _each(lambda i, line: f"> {line}"),
    "a port": _each(lambda i, line: f"ttyUSB0: {line}"),
    "stamps and colours": _each(lambda i, line: f"\x1b[2m12:00:{i % 60:02} \x1b[0m{line}"),
}
"""What may be done to a whole text without changing what it says."""

BETWEEN = [
    "",
    "[  123.456789] usb 1-1: new high-speed USB device number 4 using xhci_hcd",
    "<4>[    2.000001] random: crng init done",
    "root@rig:~# ",
    "rig$ dmesg -w",
]
"""Lines that may stand between any two others."""


@st.composite
def interrupted(draw: st.DrawFn, text: str) -> str:
    """The text with a few lines between its lines that are no part of it."""
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 3))):
        lines.insert(draw(st.integers(0, len(lines))), draw(st.sampled_from(BETWEEN)))
    return "\n".join(lines) + "\n"


@st.composite
def mangled(draw: st.DrawFn, line: str) -> str:
    """One character of a line lost, doubled or replaced."""
    i = draw(st.integers(0, len(line) - 1))
    how = draw(st.sampled_from(["lost", "doubled", "replaced"]))
    if how == "lost":
        return line[:i] + line[i + 1 :]
    if how == "doubled":
        return line[:i] + line[i] + line[i:]
    other = draw(st.sampled_from("0129abxU-.,?#[]>$| "))
    return line[:i] + other + line[i + 1 :]


@st.composite
def corrupted(draw: st.DrawFn, data: bytes, other: bytes) -> bytes:
    """Bytes cut, spliced, flipped, doubled, shuffled: whatever a bad copy may do."""
    for _ in range(draw(st.integers(1, 4))):
        how = draw(st.sampled_from(["cut", "head", "splice", "flip", "double", "insert", "lines"]))
        i, j = sorted((draw(st.integers(0, len(data))), draw(st.integers(0, len(data)))))
        if how == "cut":
            data = data[:i]
        elif how == "head":
            data = data[i:]
        elif how == "splice":
            data = data[:i] + other[min(j, len(other)) :]
        elif how == "flip" and data:
            at = min(i, len(data) - 1)
            data = data[:at] + bytes([data[at] ^ draw(st.integers(1, 255))]) + data[at + 1 :]
        elif how == "double":
            data = data[:j] + data[i:]
        elif how == "insert":
            data = data[:i] + draw(st.binary(max_size=12)) + data[i:]
        else:
            lines = data.split(b"\n")
            data = b"\n".join(draw(st.permutations(lines)) if len(lines) < 40 else lines[::-1])
    return data
