"""Millions of lines, cut in columns at once by Arrow: nothing here knows what a column means.

A block of whole lines of plain ASCII goes in; out come, for each shape of `layouts.row_shapes`, the
lines that it matches and their cells. Lines are cut at a separator by Arrow's CSV reader where the
shape has one, else by RE2, which takes linear time whatever the pattern. A line that is not given
out is not lost: it is read by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from msgspec import Struct, field

from memdiag.layouts.rivals import Guard
from memdiag.layouts.row_shapes import Shape
from memdiag.reading.columnar.arrow_arrays import flags, from_flags, numbers, one_word
from memdiag.reading.columnar.cell_match import fits_numbers, fitting, linear, vacant

Index = npt.NDArray[np.int64]
_SAMPLE = 32
_THREADS = 2

Wanted = Mapping[int, str]
"""For each field of a shape that is wanted: `words` (few different ones) or `numbers` (many)."""


class Cut(Struct):
    """Lines of one shape: their numbers within the block, from 0, and their cells by field."""

    shape: Shape
    lines: Index
    cells: dict[int, Any]  # pa.DictionaryArray for words, pa.StringArray for numbers
    fine: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    """False where a cell is not what its terminal matches."""
    empty: Index | None = None
    """Where lines were cut at a literal: bit i is set where the i-th cell is empty."""
    opening: tuple[Any, Any] | None = None
    """The first two words of each line, where both are known as columns of words."""


class Block:
    """Whole lines, LF or CRLF, plain ASCII."""

    def __init__(self, data: bytes) -> None:
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n")
        if not data.endswith(b"\n"):
            data += b"\n"
        self.data = data
        self.bytes = np.frombuffer(data, np.uint8)
        ends = np.flatnonzero(self.bytes == 10).astype(np.int64)
        self.starts = np.concatenate((np.zeros(1, np.int64), ends + 1))  # one more than lines
        self._guarded: dict[str, npt.NDArray[np.bool_]] = {}

    @classmethod
    def of(cls, strings: Any) -> Block:
        """A block of these lines."""
        whole = pa.LargeListArray.from_arrays(numbers(np.array([0, len(strings)])), strings)
        joined = pc.binary_join(whole, one_word("\n")[0])
        return cls(joined[0].as_buffer().to_pybytes() + b"\n")

    def __len__(self) -> int:
        return len(self.starts) - 1

    @cached_property
    def strings(self) -> Any:
        """The lines as Arrow strings, without their line ends: a class such as `[^,]` would match
        those too."""
        offsets = pa.py_buffer(self.starts.astype(np.int32))
        whole = pa.StringArray.from_buffers(len(self), offsets, pa.py_buffer(self.data))
        return pc.ascii_rtrim(whole, "\n")

    def guarded(self, guard: Guard) -> npt.NDArray[np.bool_]:
        """Which lines are the guard's; it is looked for once."""
        if guard.pattern not in self._guarded:
            may = np.zeros(256, bool)
            may[[9, 32, *(c for c in guard.first if c < 128)]] = True
            found = may[self.bytes[self.starts[:-1]]]
            if found.all():
                found = _search(self.strings, guard.pattern)
            elif found.any():
                some = np.flatnonzero(found)
                found[some] = _search(self.strings.take(numbers(some)), guard.pattern)
            self._guarded[guard.pattern] = found
        return self._guarded[guard.pattern]

    def between(self, first: int, last: int) -> bytes:
        """The bytes of lines `first` to `last`, the last not included."""
        piece: bytes = self.data[self.starts[first] : self.starts[last]]
        return piece

    def only(self, lines: Index) -> bytes:
        """The bytes of these lines, in order."""
        if len(lines) == len(self):
            return self.data
        keep = np.zeros(len(self), bool)
        keep[lines] = True
        kept: bytes = self.bytes[np.repeat(keep, np.diff(self.starts))].tobytes()
        return kept


def _search(strings: Any, pattern: str) -> npt.NDArray[np.bool_]:
    return from_flags(pc.match_substring_regex(strings, pattern))


def cut(block: Block, lines: Index, shape: Shape, wanted: Wanted, guard: Guard | None) -> list[Cut]:
    """Those of the block's lines that the shape matches, except those of the guard."""
    left = lines if guard is None else lines[~block.guarded(guard)[lines]]
    cuts: list[Cut] = []
    for way in (_separated, _matched):
        if not len(left):
            break
        made = way(block, left, shape, wanted)
        if made is not None and len(made.lines):
            cuts.append(made)
            left = np.setdiff1d(left, made.lines, assume_unique=True)
    return cuts


# -- cutting at a separator ---------------------------------------------------------------------


def _separated(block: Block, lines: Index, shape: Shape, wanted: Wanted) -> Cut | None:
    if shape.separator is None:
        return None
    blank = shape.separator == " "
    n = len(shape.fields) if blank else (len(shape.fields) + 1) // 2
    if not 2 <= n < 63 or not _sampled(block, lines, shape, n):
        return None
    found = _fields(block, lines, shape, wanted, n)
    if found is None:
        return None
    lines, texts = found
    made = Cut(shape, lines, {}, np.ones(len(lines), bool))
    if blank and all(pa.types.is_dictionary(text.type) for text in texts[:2]):
        made.opening = (texts[0], texts[1])
    step = 1 if blank else 2
    for number, text in enumerate(texts):
        index = number * step
        pattern = shape.fields[index].pattern
        if wanted.get(index) != "numbers" or not fits_numbers(pattern):
            made.fine &= fitting(text, pattern, empty_allowed=not blank)
        empty = None if blank else vacant(text)
        if empty is not None:
            before = np.zeros(len(lines), np.int64) if made.empty is None else made.empty
            made.empty = before | (empty.astype(np.int64) << number)
        if index in wanted:
            made.cells[index] = text
    return made


def _fields(
    block: Block, lines: Index, shape: Shape, wanted: Wanted, n: int
) -> tuple[Index, list[Any]] | None:
    """Those of the lines that have n fields, and their fields; None where none has."""
    assert shape.separator is not None
    if shape.separator == " ":
        data = _squeezed(block, lines)
    else:
        data = block.only(lines)
        if b" " in data or b"\t" in data:
            lines, data = _without_blanks(block, lines)
    table = _table(data, shape, wanted, n)
    if table is None or table.num_rows != len(lines):
        fit = _counted(data, shape.separator, n)
        lines = lines[fit]
        if not len(lines):
            return None
        table = _table(Block(data).only(np.flatnonzero(fit)), shape, wanted, n)
        if table is None or table.num_rows != len(lines):
            return None
    return lines, [table.column(number).combine_chunks() for number in range(n)]


def _sampled(block: Block, lines: Index, shape: Shape, n: int) -> bool:
    """Whether any of the first lines has as many fields as the shape."""
    assert shape.separator is not None
    for line in lines[:_SAMPLE].tolist():
        text = block.data[block.starts[line] : block.starts[line + 1]]
        parts = text.split() if shape.separator == " " else text.split(shape.separator.encode())
        if len(parts) == n:
            return True
    return False


def _squeezed(block: Block, lines: Index) -> bytes:
    """The bytes of these lines, one blank between fields, none at their ends."""
    data = block.only(lines)
    if b"\t" in data:
        data = data.replace(b"\t", b" ")
    elif _is_single(block):
        return data
    raw = np.frombuffer(data, np.uint8)
    blank = raw == 32
    spare = blank[:-1] & (blank[1:] | (raw[1:] == 10))  # the last blank of a run is kept
    if spare.any():
        raw = raw[:-1][~spare]
        data = raw.tobytes() + b"\n"
    if data.startswith(b" ") or b"\n " in data:
        data = data.lstrip(b" ").replace(b"\n ", b"\n")
    return data


def _is_single(block: Block) -> bool:
    """Whether no two blanks follow each other and no line begins or ends with one."""
    blank = block.bytes == 32
    ends = block.starts[1:] - 2
    return not (
        blank[block.starts[:-1]].any() or blank[ends].any() or (blank[1:] & blank[:-1]).any()
    )


def _without_blanks(block: Block, lines: Index) -> tuple[Index, bytes]:
    """The lines that hold no blank, and their bytes."""
    blank = (block.bytes == 32) | (block.bytes == 9)
    held = np.add.reduceat(blank.astype(np.int32), block.starts[:-1]) > 0
    lines = lines[~held[lines]]
    return lines, block.only(lines)


def _counted(data: bytes, separator: str, n: int) -> npt.NDArray[np.bool_]:
    """Which lines have n fields."""
    raw = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(raw == 10)
    upto = np.cumsum(raw == ord(separator), dtype=np.int64)[ends]
    inside = np.diff(np.concatenate((np.zeros(1, np.int64), upto)))
    long_enough = np.diff(np.concatenate((np.full(1, -1), ends))) > 1
    fit: npt.NDArray[np.bool_] = (inside == n - 1) & long_enough
    return fit


def _table(data: bytes, shape: Shape, wanted: Wanted, n: int) -> Any:
    step = 1 if shape.separator == " " else 2
    names = [f"f{number}" for number in range(n)]
    words = pa.dictionary(pa.int32(), pa.string())
    kinds = {
        name: pa.string() if wanted.get(number * step) == "numbers" else words
        for number, name in enumerate(names)
    }
    try:
        table = pacsv.read_csv(
            pa.BufferReader(data),
            read_options=pacsv.ReadOptions(column_names=names, block_size=1 << 20),
            parse_options=pacsv.ParseOptions(
                delimiter=shape.separator, quote_char=False, ignore_empty_lines=False
            ),
            convert_options=pacsv.ConvertOptions(
                column_types=kinds, null_values=[], strings_can_be_null=False, check_utf8=False
            ),
        )
    except pa.ArrowInvalid:
        return None  # a line has more or fewer fields
    return table.unify_dictionaries()


# -- matching -----------------------------------------------------------------------------------


def _matched(block: Block, lines: Index, shape: Shape, wanted: Wanted) -> Cut | None:
    pattern = rf"^{shape.pattern}$"
    if not linear(pattern):
        return None
    strings = block.strings
    if len(lines) < len(block):
        strings = strings.take(numbers(lines))
    half = max(1, -(-len(strings) // _THREADS))
    pieces = [strings.slice(at, half) for at in range(0, len(strings), half)]
    if len(strings) < 10_000 or len(pieces) == 1:
        structs = [pc.extract_regex(piece, pattern) for piece in pieces]
    else:  # Arrow lets go of the interpreter while it matches
        with ThreadPoolExecutor(_THREADS) as pool:
            structs = list(pool.map(lambda piece: pc.extract_regex(piece, pattern), pieces))
    found = pa.chunked_array(structs).combine_chunks()
    hit = from_flags(found.is_valid())
    if not hit.any():
        return None
    kept = found if hit.all() else found.filter(flags(hit))
    made = Cut(shape, lines[hit], {}, np.ones(int(hit.sum()), bool))
    for index, kind in wanted.items():
        text = kept.field(f"f{index}")
        made.cells[index] = text.dictionary_encode() if kind == "words" else text
    return made
