"""What a text would be read as now: by which line rule, and as which rows."""

from __future__ import annotations

from memdiag.layouts.matcher import Match, Miss
from memdiag.model import Row
from memdiag.model.problems import Position
from memdiag.reading.line_rows import ROW_KINDS
from memdiag.reading.planner import Planner, State
from memdiag.reading.run_builder import RunBuilder


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
