"""Columns of cells -> columns of values: the same values that `memdiag.cells` gives one by one.

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

from memdiag.cells import Wrong, integer
from memdiag.fits import buffers
from memdiag.rows import UNSAID

Flags = npt.NDArray[np.bool_]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]

_LIMB_DIGITS = 16
_MOST_DIGITS = 1024
_MOST_WIDTHS = 64  # different widths of words in a block
_MOST_ODD = 1000

_NIBBLE = np.full(256, 255, np.uint8)
for _digit, _chars in enumerate(("0", "1", "2", "3", "4", "5", "6", "7", "8", "9",
                                 "aA", "bB", "cC", "dD", "eE", "fF")):  # fmt: skip
    for _char in _chars:
        _NIBBLE[ord(_char)] = _digit


def words(text: Any, *, bare: bool) -> tuple[U64, npt.NDArray[np.int32], Flags, Flags]:
    """Hex words: `(n, limbs)` values, least limb first; printed widths in bits; which are said;
    which are fine. `bare` takes digits without 0x too."""
    n = len(text)
    offsets, data = buffers(text)
    heads, lengths = offsets[:-1], np.diff(offsets)
    said = ~_unsaid(heads, lengths, data)
    marked = np.zeros(n, bool)
    long_enough = lengths >= 3
    at = heads[long_enough]
    marked[long_enough] = (data[at] == ord("0")) & (data[at + 1] | 32 == ord("x"))
    digits = np.where(marked, lengths - 2, lengths)
    fine = (marked | (bare & (lengths > 0))) & (digits <= _MOST_DIGITS) | ~said
    width = np.where(said & fine, 4 * digits, 0).astype(np.int32)
    most = int(digits[said & fine].max(initial=1))
    if most <= _LIMB_DIGITS and marked.all():
        try:
            return pc.cast(text, pa.uint64()).to_numpy().reshape(n, 1), width, said, fine
        except pa.ArrowInvalid:
            pass  # a digit that is none: found below
    values = np.zeros((n, -(-most // _LIMB_DIGITS)), np.uint64)
    todo = np.flatnonzero(said & fine)
    sizes = np.unique(digits[todo])
    if len(sizes) > _MOST_WIDTHS:
        fine[todo] = False
        return values, width, said, fine
    for size in sizes.tolist():
        rows = todo[digits[todo] == size]
        first = heads[rows] + lengths[rows] - size
        for limb in range(-(-size // _LIMB_DIGITS)):
            value = np.zeros(len(rows), np.uint64)
            high = max(0, size - _LIMB_DIGITS * (limb + 1))
            for place in range(high, size - _LIMB_DIGITS * limb):
                nibble = _NIBBLE[data[first + place]]
                fine[rows[nibble == 255]] = False
                value = value << np.uint64(4) | nibble
            values[rows, limb] = value
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
    plain = text if said.all() else pc.if_else(pa.array(said), text, "0")
    try:
        if fine.all():
            return pc.cast(plain, pa.int64()).to_numpy(), said, fine
    except pa.ArrowInvalid:
        pass
    digits = pc.match_substring_regex(plain, r"^[0-9]{1,18}$").to_numpy(zero_copy_only=False)
    values = pc.cast(pc.if_else(pa.array(digits), plain, "0"), pa.int64()).to_numpy().copy()
    fine = digits.copy()
    odd = np.flatnonzero(~digits)  # `1e9`, `4_096`, `0x1f`: few different ones, or not numbers
    others = plain.take(pa.array(odd)).dictionary_encode()
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


def coded(
    text: Any, column: str, convert: Callable[[str, str], Any]
) -> tuple[npt.NDArray[np.int32], list[Any], Flags]:
    """A column of few different words: for each row the number of its word, the words' values
    (None where unsaid), and which words are fine."""
    found: list[Any] = []
    fine = np.ones(len(text.dictionary), bool)
    for number, word in enumerate(text.dictionary.to_pylist()):
        try:
            found.append(None if word in UNSAID else convert(column, word))
        except Wrong:
            found.append(None)
            fine[number] = False
    return text.indices.to_numpy(), found, fine
