"""One cell, also where it is written as people write: strictly first, then what it can only mean.

Where the strict converter understands a cell, that is what it says; `columnar` counts on it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from memdiag.model import STEPS, Result
from memdiag.model.patterns import later
from memdiag.model.schema import Cell, Column
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.converters import ALSO_UNSAID, CONVERTERS, Wrong, shorten
from memdiag.reading.repairs import Repair

_WORDS = {Cell.RESULT: "result", Cell.STEP: "step", Cell.TREND: "trend", Cell.LINK_CHECK: "link"}
_HEX = frozenset({Cell.ADDRESS, Cell.HEX})
_WHOLE = frozenset({Cell.SMALL, Cell.LINE, Cell.FROM_ONE, Cell.WHOLE})
_NO_NUMBER = frozenset({Cell.WORD, Cell.CHANNEL, Cell.WINDOW, *_WORDS, *_HEX})

_GROUPED = later(
    r"([+-]?[1-9][0-9]{0,2})"
    "((?:([,'\u2019\u00a0\u202f ])[0-9]{3})(?:\\3[0-9]{3})*)(?![0-9,'\u2019])"
)
_DECIMAL_COMMA = later("([+-]?[0-9]+),([0-9]+)(?![0-9,.'\u2019])")
_MAGNITUDE = later(r"([0-9]+)(?:[.,]([0-9]+))?[ \u00a0]?([kKMGT])")
_POWERS = {"k": 3, "K": 3, "M": 6, "G": 9, "T": 12}
_BARE_HEX = later(r"([0-9a-fA-F][0-9a-fA-F_]*)[hH]?")


def read(column: Column, text: str, words: Vocabulary) -> tuple[Any, Repair | None]:
    """The value of a cell that says something, None where it says in words that it says nothing;
    and how it was written otherwise. Raises `Wrong`."""
    cell, name = column.cell, column.name
    if text.casefold() in ALSO_UNSAID:
        return None, Repair("unsaid-otherwise", "", text, "-")
    if cell is Cell.STEP:
        return _step(text, words)
    try:
        return CONVERTERS[cell](name, text), None
    except Wrong:
        if cell in _WORDS:
            found = _word(column, text, words)
        elif cell in _HEX:
            found = _hex(column, text)
        else:
            found = None if cell in _NO_NUMBER else _number(column, text)
        if found is None:
            raise
        return found


def _step(text: str, words: Vocabulary) -> tuple[str, Repair | None]:
    """A step with a meaning, also by another name; others are kept as they are."""
    meant = words.meant("step", text)
    if meant is None or text.lower() in STEPS:
        return text.lower(), None
    return meant, Repair("words-otherwise", "step", shorten(text), meant)


def is_step(text: str, words: Vocabulary) -> bool:
    """Whether a word can be meant for a step: it is no word for a result or for nothing."""
    return words.meant("step", text) is not None or not (
        text in ("-", "") or text.casefold() in ALSO_UNSAID or words.meant("result", text)
    )


def _word(column: Column, text: str, words: Vocabulary) -> tuple[Any, Repair] | None:
    kind = _WORDS[column.cell]
    meant = words.meant(kind, text)
    if meant is None:
        return None
    told = Repair("words-otherwise", column.name, shorten(text), meant)
    if column.cell is Cell.RESULT:
        return Result(meant), told
    return CONVERTERS[column.cell](column.name, meant), told


def _hex(column: Column, text: str) -> tuple[Any, Repair] | None:
    bare = _BARE_HEX.fullmatch(text)
    if bare is None:
        return None
    taken = "0x" + bare.group(1)
    told = Repair("hex-otherwise", "", shorten(text), shorten(taken))
    return CONVERTERS[column.cell](column.name, taken), told


def _number(column: Column, text: str) -> tuple[Any, Repair] | None:
    """The one number that the cell can be, read in all ways that people write numbers; None where
    there is none, or several."""
    found: list[tuple[Any, Repair]] = []
    for code, taken in _readings(text, whole=column.cell in _WHOLE):
        try:
            value = CONVERTERS[column.cell](column.name, taken)
        except Wrong:
            continue
        if all(value != other for other, _ in found):
            found.append((value, Repair(code, "", shorten(text), shorten(taken))))
    return found[0] if len(found) == 1 else None


def _readings(text: str, *, whole: bool) -> Iterator[tuple[str, str]]:
    """What the text of a number can stand for."""
    grouped = _GROUPED.match(text)
    if grouped is not None:
        digits = grouped.group(1) + re.sub(r"[^0-9]", "", grouped.group(2))
        yield "thousands-apart", digits + text[grouped.end() :]
    comma = _DECIMAL_COMMA.match(text)
    if comma is not None and (not whole or text[comma.end() :]):
        yield "decimal-comma", f"{comma.group(1)}.{comma.group(2)}{text[comma.end() :]}"
    large = _MAGNITUDE.fullmatch(text) if whole else None
    if large is not None:
        fraction = large.group(2) or ""
        zeros = _POWERS[large.group(3)] - len(fraction)
        if zeros >= 0:
            yield "magnitude", large.group(1) + fraction + "0" * zeros
