"""Rows that a terminal cut at its width, put together again where that is certain."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Protocol

from memdiag.layouts.matcher import Match, Miss
from memdiag.model import Row, schema
from memdiag.model.problems import Problem
from memdiag.reading.cleaning import clean
from memdiag.reading.cleaning.clean import Line
from memdiag.reading.line_rows import ROW_KINDS
from memdiag.reading.planner import State

MOST_MISFITS = 20
"""Full lines one after another that could not be made whole, after which no more are tried in a
dump: its lines are not cut but damaged, and each try reads up to a dozen lines again."""
_FORGIVEN = 5  # misfits, when another dump begins: it may be cut where this one was not


class LineReader(Protocol):
    """What a text would be read as now."""

    @property
    def state(self) -> State: ...
    def match(self, text: str) -> Match | Miss: ...
    def rows(self, text: str) -> list[Row] | None: ...


class Unwrapper:
    """Puts rows together, and remembers what came of it."""

    def __init__(self, reader: LineReader) -> None:
        self._reader = reader
        self._misfits = 0  # full lines in a row that no line after them made whole
        self._header_misfits = 0  # the same of header lines
        self._joined: list[Line] = []
        self._width = 0

    def dump_begins(self) -> None:
        self._misfits = max(0, self._misfits - _FORGIVEN)
        self._header_misfits = max(0, self._header_misfits - _FORGIVEN)

    def said(self) -> tuple[Problem, ...]:
        """The one problem that says which rows were put together since this was last asked."""
        joined, self._joined = self._joined, []
        return clean.rejoined(joined, self._width)

    def whole(self, lines: Sequence[Line], at: int, width: int, found: Match | Miss) -> Line | None:
        """The row that starts at `lines[at]` and was cut at the terminal's width, where that is
        certain: it is whole only with the lines after it, and those are nothing by themselves.
        `found` is what its first line was read as."""
        if lines[at].width != width or at + 1 >= len(lines) or self._misfits >= MOST_MISFITS:
            return None
        if isinstance(found, Match) and found.kind == "columns":
            joined = self._whole_header(lines, at, width, found)
        elif isinstance(found, Match) and found.kind not in ROW_KINDS:
            joined = None
        else:
            joined = self._whole_row(lines, at, width)
        if joined is not None:
            self._misfits = 0
            self._joined.append(joined)
            self._width = self._width or width
        return joined

    def _whole_header(
        self, lines: Sequence[Line], at: int, width: int, found: Match
    ) -> Line | None:
        """The longest line of a table is often its header. No row is taken for its rest: cells
        are no names of columns."""
        if self._header_misfits >= MOST_MISFITS:
            return None
        fits = partial(self._is_whole_header, _names(found))
        best = clean.rejoin(lines, width, fits, at, self._is_no_table)
        self._header_misfits = 0 if best is not None else self._header_misfits + 1
        return best

    def _whole_row(self, lines: Sequence[Line], at: int, width: int) -> Line | None:
        first = lines[at].text
        alone = self._reader.rows(first)
        if alone is not None and self._stands(lines[at + 1].text):
            return None

        def fits(text: str) -> bool:
            rows = self._reader.rows(text)
            if rows is not None:
                # A rest that changes no cell, as in a remark, is no rest.
                return rows != alone or self._cells(text) != self._cells(first)
            return alone is None and self._stands(text)  # a heading may have been cut as well

        best = clean.rejoin(lines, width, fits, at, self._stands)
        self._misfits += best is None
        return best

    def _cells(self, text: str) -> list[str | None]:
        """The cells of a row as printed: `85` and `85C` say the same and differ here."""
        found = self._reader.match(text.rstrip())
        parts = () if isinstance(found, Miss) else found.parts or (found,)
        return [cell.text for part in parts for cell in part.cells]

    def _is_whole_header(self, alone: list[str], text: str) -> bool:
        """Whether a text is a line of column names, every one of them known and none twice, and
        says other ones than its first piece `alone`: a rest that is all remark is no rest."""
        found = self._reader.match(text.rstrip())
        if isinstance(found, Miss) or found.kind != "columns" or _names(found) == alone:
            return False
        opened = [(c.text or "").lower() for c in found.cells if c.column == "section"]
        table = opened[0] if opened else self._reader.state.section
        names = [(c.text or "").lower() for c in found.cells if c.column != "section"]
        known = schema.columns(table) if table in schema.OWN else ()
        return len(set(names)) == len(names) and all(name in known for name in names)

    def _is_no_table(self, text: str) -> bool:
        """Whether a line is one of the line rules that are neither a header line nor a row."""
        found = self._reader.match(text.rstrip())
        return isinstance(found, Match) and found.kind not in {*ROW_KINDS, "columns"}

    def _stands(self, text: str) -> bool:
        """Whether a line is whole by itself: blank, a row, or one of the other line rules."""
        if not text.strip() or self._reader.rows(text) is not None:
            return True
        found = self._reader.match(text.rstrip())
        return isinstance(found, Match) and found.kind not in ROW_KINDS


def _names(found: Match) -> list[str]:
    return [(cell.text or "").lower() for cell in found.cells]
