"""Rows that a terminal cut at its width, put together again where that is certain."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Match, Miss
from memdiag.model import schema
from memdiag.reading.cleaning import clean
from memdiag.reading.cleaning.clean import Line

if TYPE_CHECKING:
    from memdiag.reading.reader import Reader

ROW_KINDS = frozenset({*line_rules.RULES, "row", "rows"})
"""The line rules that give rows."""

MOST_MISFITS = 20
"""Full lines one after another that could not be made whole, after which no more are tried in a
dump: its lines are not cut but damaged, and each try reads up to a dozen lines again."""


def rejoined(reader: Reader, at: int, found: Match | Miss) -> Line | None:
    """The row that starts here and was cut at the terminal's width, where that is certain: it
    is whole only with the lines after it, and those are nothing by themselves."""
    lines, width = reader.lines, reader.width
    assert width is not None
    if lines[at].width != width or at + 1 >= len(lines) or reader.misfits >= MOST_MISFITS:
        return None
    whole = _whole(reader, at, found, width)
    if whole is not None:
        reader.misfits = 0
    return whole


def _whole(reader: Reader, at: int, found: Match | Miss, width: int) -> Line | None:
    lines = reader.lines
    if isinstance(found, Match) and found.kind == "columns":
        # The longest line of a table is often this one. No row is taken for its rest: cells
        # are no names of columns.
        names = [(c.text or "").lower() for c in found.cells]
        whole_header = partial(_is_whole_header, reader, names)
        return clean.rejoin(lines, width, whole_header, at, partial(_is_no_table, reader))
    if isinstance(found, Match) and found.kind not in ROW_KINDS:
        return None
    alone = reader.rows(lines[at].text)
    if alone is not None and _stands(reader, lines[at + 1].text):
        return None

    def whole(text: str) -> bool:
        rows = reader.rows(text)
        if rows is not None:
            # A rest that changes no cell, as in a remark, is no rest.
            return rows != alone or _cells(reader, text) != _cells(reader, lines[at].text)
        return alone is None and _stands(reader, text)  # a heading may have been cut as well

    best = clean.rejoin(lines, width, whole, at, partial(_stands, reader))
    reader.misfits += best is None
    return best


def _cells(reader: Reader, text: str) -> list[str | None]:
    """The cells of a row as printed: `85` and `85C` say the same and differ here."""
    found = reader.match(text.rstrip())
    parts = () if isinstance(found, Miss) else found.parts or (found,)
    return [cell.text for part in parts for cell in part.cells]


def _is_whole_header(reader: Reader, alone: list[str], text: str) -> bool:
    """Whether a text is a line of column names, every one of them known and none twice, and says
    other ones than its first piece `alone`: a rest that is all remark is no rest."""
    found = reader.match(text.rstrip())
    if isinstance(found, Miss) or found.kind != "columns":
        return False
    if [(c.text or "").lower() for c in found.cells] == alone:
        return False
    opened = [(c.text or "").lower() for c in found.cells if c.column == "section"]
    section = reader.dump.section if reader.dump is not None else None
    table = opened[0] if opened else section.kind if section is not None else None
    names = [(c.text or "").lower() for c in found.cells if c.column != "section"]
    known = schema.columns(table) if table in schema.OWN else ()
    return len(set(names)) == len(names) and all(name in known for name in names)


def _is_no_table(reader: Reader, text: str) -> bool:
    """Whether a line is one of the line rules that are neither a header line nor a row."""
    found = reader.match(text.rstrip())
    return isinstance(found, Match) and found.kind not in {*ROW_KINDS, "columns"}


def _stands(reader: Reader, text: str) -> bool:
    """Whether a line is whole by itself: blank, a row, or one of the other line rules."""
    if not text.strip() or reader.rows(text) is not None:
        return True
    found = reader.match(text.rstrip())
    return isinstance(found, Match) and found.kind not in ROW_KINDS
