"""Columns of cells held against the patterns of their terminals."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from memdiag.layouts.patterns import simple
from memdiag.reading.columnar.arrow_arrays import from_flags, from_numbers, one_word

Flags = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]

_MOST_WORDS = 20_000  # different words in a column of words; more are no words


@cache
def linear(pattern: str) -> bool:
    """Whether RE2 can match it: it has no looks around and no back-references."""
    try:
        pc.match_substring_regex(one_word(""), pattern)
    except pa.ArrowInvalid:
        return False
    return True


def fitting(text: Any, pattern: str, *, empty_allowed: bool) -> Flags:
    """Which cells of a column (of words or of strings) the pattern matches as a whole."""
    if pa.types.is_dictionary(text.type):
        whole = re.compile(pattern).fullmatch
        words = text.dictionary.to_pylist()
        if len(words) > _MOST_WORDS:
            fits = _fits(text.dictionary, pattern)
        else:
            fits = np.fromiter((whole(w) is not None for w in words), bool, len(words))
        if empty_allowed:
            fits |= np.fromiter((w == "" for w in words), bool, len(words))
        found: Flags = fits[from_numbers(text.indices)]
        return found
    fits = _fits(text, pattern)
    if empty_allowed:
        fits = fits | (np.diff(buffers(text)[0]) == 0)
    return fits


_NUMERIC = np.array([ord(c) for c in "0123456789-"])


def fits_numbers(pattern: str) -> bool:
    """Whether every number, and the `-` for none, is certain to be what the pattern matches."""
    classes = _classes(pattern)
    if classes is None:
        return False
    *opening, rest = classes
    return len(opening) == 1 and bool(opening[0][_NUMERIC].all() and rest[_SOLID].all())


def vacant(text: Any) -> Flags | None:
    """Which cells are empty, None where none is."""
    words = text.dictionary if pa.types.is_dictionary(text.type) else text
    empty: Flags = np.diff(buffers(words)[0]) == 0
    if not empty.any():
        return None
    return empty[from_numbers(text.indices)] if words is not text else empty


def _fits(text: Any, pattern: str) -> Flags:
    """Which strings the pattern matches as a whole."""
    classes = _classes(pattern)
    if classes is None:
        return _fits_any(text, pattern)
    offsets, data = buffers(text)
    heads, lengths = offsets[:-1], np.diff(offsets)
    *opening, rest = classes
    fits: Flags = lengths >= len(opening)
    if not fits.all():
        return _fits_any(text, pattern)
    for place, table in enumerate(opening):
        if not table[_SOLID].all():
            fits &= table[data[heads + place]]
    if not rest[_SOLID].all():
        bad = ~rest[data]
        for place in range(len(opening)):
            bad[heads + place] = False
        if bad.any():
            upto = np.concatenate((np.zeros(1, np.int64), np.cumsum(bad, dtype=np.int64)))
            fits &= upto[offsets[1:]] == upto[heads]
    return fits


_SOLID = np.arange(33, 127)  # the characters that a field cut at blanks can hold


def _fits_any(text: Any, pattern: str) -> Flags:
    whole = rf"^(?:{pattern})$"
    if linear(whole):
        found = pc.match_substring_regex(text, whole)
        matched: Flags = from_flags(found)
        return matched
    match = re.compile(pattern).fullmatch
    return np.fromiter((match(t) is not None for t in text.to_pylist()), bool, len(text))


@cache
def _classes(pattern: str) -> list[Flags] | None:
    """For patterns such as `[0-9]+`, `U[0-9]*` or `0x[0-9a-f]+`: tables of the characters that
    can stand at each place, the last one for all further places. None for others."""
    found = simple(pattern)
    if found is None:
        return None
    tables = []
    for chars in found:
        table = np.zeros(256, bool)
        table[[c for c in chars if c < 128]] = True
        tables.append(table)
    return tables


def buffers(text: Any) -> tuple[Index, npt.NDArray[np.uint8]]:
    """Offsets and bytes of a string array, the offsets into exactly these bytes."""
    _, offsets, data = text.buffers()
    at = np.frombuffer(offsets, np.int32)[text.offset : text.offset + len(text) + 1]
    at = at.astype(np.int64)
    raw = np.frombuffer(data, np.uint8) if data is not None else np.zeros(0, np.uint8)
    return at - at[0], raw[at[0] : at[-1]]
