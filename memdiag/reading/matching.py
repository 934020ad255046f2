"""What a text would be read as now: by which line rule, and as which rows."""

from __future__ import annotations

from collections.abc import Iterable

from memdiag.layouts.matcher import Layout, Match, Miss
from memdiag.model import Row
from memdiag.model.problems import Position
from memdiag.reading import line_rows
from memdiag.reading.line_rows import ROW_KINDS, Setting
from memdiag.reading.planner import Planner, State
from memdiag.reading.run_builder import RunBuilder
from memdiag.reading.section import Section

_OF_RESULTS = ("training", "counts", "errors")
_LEAST_CELLS = 3  # of a line outside of a dump that is taken for a row of it


def state_of(dump: RunBuilder | None) -> State:
    """What decides which lines may come while this dump is open (None: while none is)."""
    if dump is None:
        return State()
    section = dump.section
    if section is None:
        return State(opened=True)
    return State(True, section.kind, section.columns, bool(section.blocked))


def match(text: str, planner: Planner, dump: RunBuilder | None) -> Match | Miss:
    """The line rule that matches; where a table is open, its words decide between a header line
    and a row, which may look alike."""
    layout = planner.layout
    found = layout.match(text, planner.rules(state_of(dump)))
    if isinstance(found, Miss) or found.kind not in ("columns", "row") or layout.columns_open:
        return found
    assert dump is not None and dump.section is not None
    header = dump.section.is_header(found.cells)
    kind = "columns" if header else "row"
    return found if kind == found.kind else layout.match(text, frozenset({kind}))


def rows(text: str, planner: Planner, dump: RunBuilder | None) -> list[Row] | None:
    """The rows that a text would give, None where it is no row or none that is whole."""
    found = match(text.rstrip(), planner, dump)
    if isinstance(found, Miss) or found.kind not in ROW_KINDS or dump is None:
        return None
    if found.kind == "row" and not dump.is_readable:
        return None
    made = dump.rows(found, lambda column: Position(1, column), 0)
    kept = [each.row for each in made if each.whole and each.row is not None]
    return kept if len(kept) == len(made) else None


def could_be_row(text: str, layout: Layout, tables: Iterable[Section]) -> bool:
    """Whether a line outside of any dump could stand in one of the tables read before it that hold
    results. (A table of words, like that of values, would take any line.)"""
    told = [t for t in tables if t.readable and t.table in _OF_RESULTS]
    if not told:
        return False
    found = layout.match(text.rstrip(), frozenset({"row"}))
    if isinstance(found, Miss) or len(found.cells) < _LEAST_CELLS:
        return False
    return any(_fits(found, table) for table in told)


def _fits(found: Match, table: Section) -> bool:
    at = Setting(table, {}, table.words, lambda column: Position(1, column), 0)
    return all(row.whole for row in line_rows.rows(found, at))
