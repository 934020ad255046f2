"""What may come in each state of the reader, and whether its rows are read in columns there.

Lines that are read one by one and lines that are read in columns ask the same planner: so a line
gives the same row on either way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from msgspec import Struct

from memdiag.layouts import line_rules, rivals, row_shapes
from memdiag.layouts.matcher import Layout, Start
from memdiag.layouts.rivals import Guard
from memdiag.reading.columnar.row_plans import TABLES, RowPlan, row_plan
from memdiag.reading.pace import WINDOW, Pace

_EMPTIES_KEPT = 500  # answers on empty cells that are kept; to more questions the answer is no


class State(NamedTuple):
    """What decides which lines may come. `opened`: a dump is. `section`: the kind of the open
    section, "" where none is, None where memdiag does not know it. `columns`: what its header line
    names. `blocked`: its rows cannot be read under those."""

    opened: bool = False
    section: str | None = ""
    columns: tuple[str, ...] | None = None
    blocked: bool = False


class RowPlans(Struct, frozen=True, eq=False):
    """How rows can be read in columns in one state: plans in the order in which their rules are
    tried, each with a guard for the lines that an earlier rule may take."""

    plans: tuple[tuple[Start, RowPlan, Guard | None], ...]


class Planner:
    """Plans for one layout. Columns are tried in a `large` text, and not while the `pace` says
    that they brought too little; at most `window` bytes at once."""

    def __init__(self, layout: Layout, *, large: bool, window: int = WINDOW) -> None:
        self.layout = layout
        self.pace = Pace(large and not layout.feeds_newline, window)
        self._rules: dict[tuple[str | None, bool], frozenset[str]] = {}
        self._row_plans: dict[State, RowPlans | None] = {}
        self._empties: dict[tuple[str, int, int], bool] = {}

    # -- which lines may come -----------------------------------------------------------------

    def rules(self, state: State) -> frozenset[str]:
        """The line rules that may come in this state."""
        key = (state.section, state.columns is not None)
        if key not in self._rules:
            self._rules[key] = self.layout.kinds & self._may_come(*key)
        return self._rules[key]

    def _may_come(self, section: str | None, headed: bool) -> frozenset[str]:
        always = {"head", "end", "section", "noise"}
        if self.layout.columns_open:
            always.add("columns")
        if section is None:
            return frozenset(always)  # the lines of an unknown section are kept as they are
        always |= {"context", "rows", *line_rules.RULES}
        if section == "run" or (not section and "section" not in self.layout.kinds):
            always.add("run_line")
        elif section:
            always.add("row" if headed else "columns")
        return frozenset(always)

    # -- which rows can be read in columns ----------------------------------------------------

    def row_plans(self, state: State) -> RowPlans | None:
        """How rows are read in columns now; None where lines are read one by one."""
        if not self.pace.in_columns or self.pace.pause or not state.opened:
            return None
        if state not in self._row_plans:
            self._row_plans[state] = self._find(state)
        return self._row_plans[state]

    def _find(self, state: State) -> RowPlans | None:
        from memdiag.reading.columnar.cell_match import linear

        wanted = self.rules(state)
        plans: list[tuple[Start, RowPlan, Guard | None]] = []
        before: list[Start] = []
        for start in self.layout.starts:
            kinds = wanted & set(start.kinds)
            if not kinds:
                continue
            found = list(self._plans(start, kinds, state))
            guard = rivals.guard(self.layout, start, before) if found else None
            if guard is None or linear(guard.pattern):
                plans += ((start, plan, guard) for plan in found)
            before.append(start)
        return RowPlans(tuple(plans)) if plans else None

    def _plans(self, start: Start, kinds: frozenset[str], state: State) -> Iterator[RowPlan]:
        for kind in kinds:
            table, header, width = line_rules.RULES.get(kind), None, 0
            if kind == "row" and state.columns is not None and not state.blocked:
                table, header, width = state.section, state.columns, len(state.columns)
            if table not in TABLES or len(set(header or ())) < width:
                continue
            for shape in row_shapes.shapes(self.layout, start, kind, width):
                plan = row_plan(shape, table, header)
                if plan is not None:
                    yield plan

    def may_be_empty(self, start: Start, plan: RowPlan, cells: int) -> bool:
        """Whether a row may leave these of its cells empty (bit i for the i-th), and is proved to
        be read as that. A rule of the layout's own leaves none empty."""
        if not cells:
            return True
        if plan.own:
            return False
        width = len(plan.shape.taken)
        key = (start.rule, width, cells)
        if key not in self._empties:
            if len(self._empties) > _EMPTIES_KEPT:
                return False
            empty: Sequence[int] = [i for i in range(width) if cells >> i & 1]
            self._empties[key] = row_shapes.without(self.layout, start, width, empty)
        return self._empties[key]
