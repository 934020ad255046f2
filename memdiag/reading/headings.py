"""The names of a header line, as the columns of its table: also by another word or a slip of the
pen."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from memdiag.layouts.matcher import Cell
from memdiag.model import schema, spelling
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.converters import shorten
from memdiag.reading.repairs import Repair

_NAME = re.compile(r"[^|,;]+")
_MOST_WORDS = 3  # of one heading, as in `number of tries`
_SHORTEST = 4  # letters of a name that may be one off: of shorter ones too many are near


class Heading(NamedTuple):
    """A column: its name in the table, where it stood, what stood there, and how that is told."""

    name: str
    at: int
    text: str
    repair: Repair | None = None


def words(found: Sequence[Cell]) -> list[Cell]:
    """The words of a header line, without the strokes and commas between them."""
    return [
        Cell(cell.column, hit.group(), cell.at + hit.start())
        for cell in found
        for hit in _NAME.finditer(cell.text or "")
    ]


def read(found: Sequence[Cell], table: str, known_words: Vocabulary) -> list[Heading]:
    """The columns of a header line; a name that is not known stays as it is, in lower case."""
    known = schema.columns(table)
    cells = words(found)
    exact = {(cell.text or "").lower() for cell in cells} & set(known)
    made: list[Heading] = []
    at = 0
    while at < len(cells):
        size, heading = _heading(cells, at, table, known_words)
        if heading.name not in known:
            free = [name for name in known if name not in exact]
            heading = _one_off(heading, free)
        made.append(heading)
        at += size
    return made


def _heading(
    cells: Sequence[Cell], at: int, table: str, known_words: Vocabulary
) -> tuple[int, Heading]:
    """The longest heading that begins here and is a known word for a column of the table."""
    known = schema.columns(table)
    for size in range(min(_MOST_WORDS, len(cells) - at), 0, -1):
        parts = [cell.text or "" for cell in cells[at : at + size]]
        alone = [_meant(part, known, known_words) for part in parts]
        if None not in alone and len(set(alone)) == size > 1:
            continue  # columns by themselves: `eye height` are two
        if size == 1 and parts[0].lower() in known:
            break
        text = " ".join(parts)
        meant = known_words.meant("column", text)
        if meant in known:
            told = Repair("columns-otherwise", "", shorten(text), meant)
            return size, Heading(meant, cells[at].at, text, None if text.lower() == meant else told)
    text = cells[at].text or ""
    return 1, Heading(text.lower(), cells[at].at, text)


def _meant(word: str, known: Sequence[str], known_words: Vocabulary) -> str | None:
    """The column of the table that one word names."""
    meant = word.lower() if word.lower() in known else known_words.meant("column", word)
    return meant if meant in known else None


def _one_off(heading: Heading, free: Sequence[str]) -> Heading:
    near = spelling.one_off(heading.name, free) if len(heading.name) >= _SHORTEST else None
    if near is None:
        return heading
    told = Repair("column-misspelt", "", shorten(heading.text), near)
    return Heading(near, heading.at, heading.text, told)
