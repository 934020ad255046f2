"""Columns of cells -> columns of values: the same values that `converters` gives one by one.

What is not plainly a number here is given back as not fine, and its row is read by itself, so that
there is one place only where a cell is judged.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from memdiag.reading.columnar.arrow_arrays import flags, from_flags, from_numbers, numbers, one_word
from memdiag.reading.columnar.cell_match import buffers
from memdiag.reading.converters import ALSO_UNSAID, Wrong, integer
from memdiag.reading.row_builder import UNSAID

Flags = npt.NDArray[np.bool_]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]

_LIMB_DIGITS = 16
_MOST_DIGITS = 1024
_MOST_WIDTHS = 64  # different widths of words in a block
_MOST_ODD = 1000
_MARKS = "|,;"  # that people set between cells

# Two hex digits at once, as the little-endian number that their two characters make.
_PAIR = np.full(1 << 16, 1 << 15, np.uint16)
_DIGITS = b"0123456789abcdefABCDEF"
for _high in _DIGITS:
    for _low in _DIGITS:
        _PAIR[_high | _low << 8] = int(bytes((_high, _low)), 16)


def hex_words(text: Any, *, bare: bool) -> tuple[U64, npt.NDArray[np.int32], Flags, Flags]:
    """Hex words: `(n, limbs)` values, least limb first; printed widths in bits; which are said;
    which are fine. `bare` takes digits without 0x too."""
    n = len(text)
    offsets, data = buffers(text)
    heads, lengths = offsets[:-1], np.diff(offsets)
    if n and 3 <= lengths[0] <= _MOST_DIGITS and (lengths == lengths[0]).all():
        table = data.reshape(n, int(lengths[0]))
        if (table[:, 0] == ord("0")).all() and (table[:, 1] | 32 == ord("x")).all():
            values, fine = _digits(table[:, 2:])
            width = np.full(n, 4 * (table.shape[1] - 2), np.int32)
            return values, np.where(fine, width, 0), np.ones(n, bool), fine
    return _mixed_words(heads, lengths, data, bare=bare)


def _digits(table: npt.NDArray[np.uint8]) -> tuple[U64, Flags]:
    """`(n, digits)` characters as `(n, limbs)` numbers; which rows hold hex digits alone."""
    n, digits = table.shape
    limbs = -(-digits // _LIMB_DIGITS)
    if digits % 2:
        table = np.concatenate((np.full((n, 1), ord("0"), np.uint8), table), axis=1)
    pairs = np.take(_PAIR, np.ascontiguousarray(table).view("<u2"))
    fine = np.ones(n, bool)
    if pairs.max(initial=0) > 255:
        fine = np.asarray((pairs <= 255).all(axis=1))
    octets = np.zeros((n, limbs * _LIMB_DIGITS // 2), np.uint8)
    octets[:, octets.shape[1] - pairs.shape[1] :] = pairs
    return octets.view(">u8").astype(np.uint64)[:, ::-1], fine


def _mixed_words(
    heads: I64, lengths: I64, data: npt.NDArray[np.uint8], *, bare: bool
) -> tuple[U64, npt.NDArray[np.int32], Flags, Flags]:
    """The same for words of several widths, some of them not said."""
    n = len(heads)
    said = ~_unsaid(heads, lengths, data)
    marked = np.zeros(n, bool)
    long_enough = lengths >= 3
    at = heads[long_enough]
    marked[long_enough] = (data[at] == ord("0")) & (data[at + 1] | 32 == ord("x"))
    digits = np.where(marked, lengths - 2, lengths)
    fine = (marked | (bare & (lengths > 0))) & (digits <= _MOST_DIGITS) | ~said
    width = np.where(said & fine, 4 * digits, 0).astype(np.int32)
    most = int(digits[said & fine].max(initial=1))
    values = np.zeros((n, -(-most // _LIMB_DIGITS)), np.uint64)
    todo = np.flatnonzero(said & fine)
    sizes = np.unique(digits[todo])
    if len(sizes) > _MOST_WIDTHS:
        fine[todo] = False
        return values, width, said, fine
    for size in sizes.tolist():
        rows = todo[digits[todo] == size]
        first = heads[rows] + lengths[rows] - size
        found, right = _digits(data[first[:, None] + np.arange(size)])
        values[rows, : found.shape[1]] = found
        fine[rows] = right
    return values, width, said, fine


def whole(text: Any, column: str) -> tuple[I64, Flags, Flags]:
    """Whole numbers, not negative: values, which are said, which are fine."""
    n = len(text)
    offsets, data = buffers(text)
    heads, lengths = offsets[:-1], np.diff(offsets)
    said = ~_unsaid(heads, lengths, data)
    fine = np.ones(n, bool)
    there = lengths > 0
    first = data[heads[there]]
    fine[there] = (first >= ord("0")) & (first <= ord("9"))
    fine = fine & there | ~said
    plain = text if said.all() else pc.if_else(flags(said), text, one_word("0")[0])
    try:
        if fine.all():
            return from_numbers(pc.cast(plain, pa.int64())), said, fine
    except pa.ArrowInvalid:
        pass
    digits = from_flags(pc.match_substring_regex(plain, r"^[0-9]{1,18}$"))
    sure = pc.if_else(flags(digits), plain, one_word("0")[0])
    values = from_numbers(pc.cast(sure, pa.int64())).copy()
    fine = digits.copy()
    odd = np.flatnonzero(~digits)  # `1e9`, `4_096`, `0x1f`: few different ones, or not numbers
    others = plain.take(numbers(odd)).dictionary_encode()
    if len(others.dictionary) <= _MOST_ODD:
        codes, found, usable = coded(others, column, integer)
        values[odd] = np.array([0 if v is None else v for v in found], np.int64)[codes]
        fine[odd] = usable[codes]
    return values, said, fine


def _unsaid(heads: I64, lengths: I64, data: npt.NDArray[np.uint8]) -> Flags:
    empty = lengths == 0
    one = lengths == 1
    if one.any():
        empty[one] = data[heads[one]] == ord("-")
    found: Flags = empty
    return found


def plain(word: str, column: str, convert: Callable[[str, str], Any]) -> Any:
    """The value of a word that is written as the format says, None where it is unsaid. Raises
    `Wrong`, also for what says otherwise that it is unsaid, and where a mark between cells may
    have stayed with the word: that is looked at row by row."""
    if word in UNSAID:
        return None
    if word.casefold() in ALSO_UNSAID or word[-1] in _MARKS:
        raise Wrong("unsaid-otherwise", column)
    return convert(column, word)


def coded(
    text: Any, column: str, convert: Callable[[str, str], Any]
) -> tuple[npt.NDArray[np.int32], list[Any], Flags]:
    """A column of few different words: for each row the number of its word, the words' values
    (None where unsaid), and which words are fine."""
    found: list[Any] = []
    fine = np.ones(len(text.dictionary), bool)
    for number, word in enumerate(text.dictionary.to_pylist()):
        try:
            found.append(plain(word, column, convert))
        except Wrong:
            found.append(None)
            fine[number] = False
    return from_numbers(text.indices), found, fine
