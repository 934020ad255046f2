"""Reads one line by the tables of a grammar: in time that grows with the line's length.

What a line is made of, and where a line that is none stops being one, is what Lark would say of it;
the tests hold every answer to Lark's own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from memdiag.layouts import line_rules
from memdiag.layouts.tables import END, Production, Scanner, Tables

MOST_PIECES = 2_000
"""Pieces (cells, marks) of a line at most: no row has as many."""
TOO_MANY = "TOO_MANY"
"""What was wanted, in the place of a terminal, where a line has more."""


class Cell(NamedTuple):
    """A filled cell: the text under a column, and where it stood (1-based). `text` is None for a
    place that was left empty."""

    column: str
    text: str | None
    at: int


class Node(NamedTuple):
    """A rule that was read, and what it is made of."""

    name: str
    children: list[Node | Cell]


class Stop(NamedTuple):
    """Where a line stops being one (its column; 0: at its end), and the terminals wanted there."""

    at: int
    wanted: tuple[str, ...]


_EMPTY = Cell("", None, 0)
_Found = Callable[[str, int], re.Match[str] | None]


class _Ready(NamedTuple):
    """A scanner that can be used: what finds the next terminal, and what tells literals among the
    texts of others."""

    find: _Found
    renamed: Mapping[str, Callable[[str], re.Match[str] | None]]


class LineParser:
    """Reads lines by these tables; `skips` are terminals that say nothing."""

    def __init__(self, tables: Tables, skips: Sequence[str]) -> None:
        self.tables, self._skips = tables, frozenset(skips)
        self._finals = frozenset(tables.ends.values())
        self._ready = [self._made_ready(scanner) for scanner in tables.scanners]
        self._filled = {t.name: line_rules.filled(t.name) for t in tables.terminals}

    def read(self, text: str, start: str) -> Node | Cell | Stop:
        """The tree of a line, or where it stops being one."""
        states, values = [self.tables.begins[start]], []  # type: list[int], list[Node | Cell]
        at, pieces, skips, filled = 0, 0, self._skips, self._filled
        ready, numbers = self._ready, self.tables.scanner_of
        while at < len(text):
            scanner = ready[numbers[states[-1]]]
            found = scanner.find(text, at)
            if found is None:
                return Stop(at + 1, self._wanted(states))
            name = found.lastgroup or ""
            begun, at = at, found.end()
            if name in skips:
                continue
            word = found.group()
            if name in scanner.renamed:
                literal = scanner.renamed[name](word)
                name = name if literal is None else literal.lastgroup or name
            column, value = filled[name]
            cell = Cell(column, word if value is None else value, begun + 1)
            if not self._take(states, values, name, cell):
                return Stop(begun + 1, self._wanted(states))
            pieces += 1
            if pieces > MOST_PIECES:
                return Stop(begun + 1, (TOO_MANY,))
        return self._closed(states, values, start)

    def arranged(
        self, order: Sequence[str], start: str
    ) -> tuple[list[frozenset[str]], Node | Cell] | None:
        """What may come before each of these terminals, and the tree they make, where each stands
        in the column of its number, from 1. None where they make none."""
        states, values = [self.tables.begins[start]], []  # type: list[int], list[Node | Cell]
        accepted = []
        for number, name in enumerate(order, 1):
            accepted.append(frozenset(self.tables.states[states[-1]]))
            column, value = self._filled[name]
            cell = Cell(column, str(number) if value is None else value, number)
            if not self._take(states, values, name, cell):
                return None
        tree = self._closed(states, values, start)
        return None if isinstance(tree, Stop) else (accepted, tree)

    def _take(self, states: list[int], values: list[Node | Cell], name: str, cell: Cell) -> bool:
        """Takes a terminal, where it may come."""
        actions, productions = self.tables.states, self.tables.productions
        while True:
            to = actions[states[-1]].get(name)
            if to is None:
                return False
            if to >= 0:
                states.append(to)
                values.append(cell)
                return True
            self._reduce(states, values, productions[-1 - to])

    def _closed(
        self, states: list[int], values: list[Node | Cell], start: str
    ) -> Node | Cell | Stop:
        """The tree, where the line may end here."""
        table, end = self.tables, self.tables.ends[start]
        while states[-1] != end:
            to = table.states[states[-1]].get(END)
            if to is None or to >= 0:
                return Stop(0, self._wanted(states))
            self._reduce(states, values, table.productions[-1 - to])
        return values[-1]

    def _wanted(self, states: Sequence[int]) -> tuple[str, ...]:
        """The terminals that may come. That a state has an action for one is not enough: what it
        makes first may lead where the terminal may not stand."""
        named = (name for name in self.tables.states[states[-1]] if name.isupper())
        return tuple(sorted(name for name in named if self._may_come(list(states), name)))

    def _may_come(self, states: list[int], name: str) -> bool:
        table = self.tables
        while True:
            to = table.states[states[-1]].get(name)
            if to is None or to >= 0:
                return to is not None
            production = table.productions[-1 - to]
            del states[len(states) - len(production.expansion) :]
            states.append(table.states[states[-1]][production.origin])
            if name == END and states[-1] in self._finals:
                return True

    def _reduce(self, states: list[int], values: list[Node | Cell], production: Production) -> None:
        size = len(production.expansion)
        parts: Sequence[Node | Cell] = ()
        if size:
            parts = values[-size:]
            del states[-size:], values[-size:]
        states.append(self.tables.states[states[-1]][production.origin])
        values.append(_made(production, parts))

    def _made_ready(self, scanner: Scanner) -> _Ready:
        renamed = {
            name: self._one_of(literals).fullmatch for name, literals in scanner.renamed.items()
        }
        return _Ready(self._one_of(scanner.names).match, renamed)

    def _one_of(self, names: Sequence[str]) -> re.Pattern[str]:
        patterns = self.tables.patterns
        return re.compile("|".join(f"(?P<{name}>{patterns[name]})" for name in names))


def _made(production: Production, parts: Sequence[Node | Cell]) -> Node | Cell:
    """The node of a production. The list of a helper's children that come first is taken over, so
    that a long list costs no more than its length."""
    children: list[Node | Cell] = []
    for number, inside, gaps in production.takes:
        if gaps:
            children += [_EMPTY] * gaps
        part = parts[number]
        if not inside or isinstance(part, Cell):
            children.append(part)
        elif children:
            children += part.children
        else:
            children = part.children
    if production.gaps:
        children += [_EMPTY] * production.gaps
    if production.lone and len(children) == 1:
        return children[0]
    return Node(production.name, children)
