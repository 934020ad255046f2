"""How the rows of a layout can be read in columns, in each state of the reader."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from memdiag.layouts import line_rules, row_shapes
from memdiag.layouts.matcher import Layout, Start
from memdiag.layouts.rivals import may_take, opening
from memdiag.reading.columnar import bulk
from memdiag.reading.columnar.bulk import Plan
from memdiag.reading.columnar.cell_match import linear
from memdiag.reading.columnar.cutting import Guard

_MOST_LACKS = 500


@dataclass(frozen=True, slots=True)
class Ways:
    """How rows can be read in columns in one state of the reader: plans in the order in which
    their rules are tried, each with a guard for the lines that an earlier rule may take."""

    plans: tuple[tuple[Start, Plan, Guard | None], ...]


class Finder:
    """Finds the ways of one layout."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self._lacks: dict[tuple[str, int, int], bool] = {}

    def find(
        self, table: str | None, header: tuple[str, ...] | None, wanted: frozenset[str]
    ) -> Ways | None:
        if self.layout.feeds_newline:
            return None
        plans: list[tuple[Start, Plan, Guard | None]] = []
        before: list[Start] = []
        for start in self.layout.starts:
            kinds = wanted & set(start.kinds)
            if not kinds:
                continue
            for plan in self._plans(start, set(kinds), table, header):
                first = opening(self.layout, start)
                rivals = [s for s in before if opening(self.layout, s) & first]
                if not rivals:
                    plans.append((start, plan, None))
                    continue
                guard = Guard(
                    "|".join(f"(?:{may_take(self.layout, s)})" for s in rivals),
                    frozenset().union(*(opening(self.layout, s) for s in rivals)),
                )
                if linear(guard.pattern):
                    plans.append((start, plan, guard))
            before.append(start)
        return Ways(tuple(plans)) if plans else None

    def _plans(
        self, start: Start, kinds: set[str], table: str | None, header: tuple[str, ...] | None
    ) -> Iterator[Plan]:
        for kind in kinds:
            if kind == "row" and table in bulk.TABLES and header is not None:
                if len(set(header)) < len(header):
                    continue
                found = row_shapes.shapes(self.layout, start, kind, len(header))
                made = [bulk.plan(shape, table, header) for shape in found]
            elif kind in line_rules.RULES and line_rules.RULES[kind] in bulk.TABLES:
                found = row_shapes.shapes(self.layout, start, kind)
                made = [bulk.plan(shape, line_rules.RULES[kind], None) for shape in found]
            else:
                continue
            yield from (plan for plan in made if plan is not None)

    def may_lack(self, start: Start, width: int, mask: int) -> bool:
        key = (start.rule, width, mask)
        if key not in self._lacks:
            if len(self._lacks) > _MOST_LACKS:
                return False
            empty = [i for i in range(width) if mask >> i & 1]
            self._lacks[key] = row_shapes.without(self.layout, start, width, empty)
        return self._lacks[key]
