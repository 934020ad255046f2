"""A compiled layout: matches one line at a time by the rules of its grammar."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cached_property

from msgspec import Struct, field

from memdiag.layouts import line_rules
from memdiag.layouts.line_parser import MOST_PIECES, TOO_MANY, Cell, LineParser, Node, Stop
from memdiag.layouts.patterns import nature
from memdiag.layouts.tables import END, Tables

__all__ = ["Cell", "Layout", "Match", "Miss", "Start", "harvest"]


class Start(Struct, frozen=True):
    """One start symbol of the grammar: the line rules it can yield, and the terminals that its
    first token can be."""

    rule: str
    kinds: tuple[str, ...]
    opening: tuple[str, ...]


class Match(Struct, frozen=True):
    """A line that one of the line rules matched. `parts` are what a `rows` line is made of."""

    kind: str
    cells: tuple[Cell, ...]
    parts: tuple[Match, ...] = ()


class Miss(Struct, frozen=True):
    """A line that no rule matched: how far the best one came, and what it wanted there."""

    at: int
    expected: tuple[str, ...]


Attempts = list[tuple[Start, Callable[[str], object]]]
"""The start symbols that are tried on a line, in file order, each with its cheap look."""


class Layout(Struct, frozen=True, eq=False, dict=True):
    """A compiled layout. `origin` is the file it came from, `source` the grammar's text."""

    name: str
    about: str
    recognise: str | None
    origin: str
    source: str
    starts: tuple[Start, ...]
    tables: Tables
    carried: dict[str, tuple[str, ...]]  # what each line rule fills: columns, and `column=value`
    feeds_newline: bool = False  # some of its rules end with the line end
    skips: tuple[str, ...] = ()  # terminals that may stand anywhere and say nothing
    columns_open: bool = False  # a header line says itself which section it opens
    _attempts_at: dict[frozenset[str], Attempts] = field(default_factory=dict)

    @cached_property
    def kinds(self) -> frozenset[str]:
        """The line rules that this layout has."""
        return frozenset(kind for start in self.starts for kind in start.kinds)

    @cached_property
    def is_steady(self) -> bool:
        """Whether each of its patterns takes time in proportion to the line at most."""
        return all(nature(pattern).steady for pattern in self.tables.patterns.values())

    def _attempts(self, wanted: frozenset[str]) -> Attempts:
        """The start symbols that can yield one of the wanted rules, in file order."""
        found = self._attempts_at.get(wanted)
        if found is None:
            patterns = self.tables.patterns
            skip = "|".join(f"(?:{patterns[name]})" for name in self.skips)
            # Possessive: tried again with less skipped, a line of blanks would take for ever.
            skip = f"(?:{skip})*+" if skip else ""
            found = [
                (s, re.compile(skip + self.first(s)).match)
                for s in self.starts
                if wanted & set(s.kinds)
            ]
            self._attempts_at[wanted] = found
        return found

    def first(self, start: Start) -> str:
        """A regular expression that the opening of every line of this start symbol matches, after
        what is skipped: a cheap look before the parser is asked."""
        patterns = self.tables.patterns
        return "(?:" + "|".join(f"(?:{patterns[name]})" for name in start.opening) + ")"

    def match(self, text: str, wanted: frozenset[str]) -> Match | Miss:
        """Read one line with the rules that are `wanted`, in file order."""
        best = Miss(1, ())
        for start, peek in self._attempts(wanted):
            if peek(text) is None:
                if best.at == 1:
                    best = Miss(1, best.expected + start.opening)
                continue
            for whole in (text, text + "\n") if self.feeds_newline else (text,):
                tree = self._parser.read(whole, start.rule)
                if isinstance(tree, Stop):
                    best = _further(best, tree, text)
                    continue
                found = harvest(tree)
                if found is not None and found.kind in wanted:
                    return found
        return Miss(best.at, tuple(dict.fromkeys(map(self.describe, best.expected))))

    @cached_property
    def _parser(self) -> LineParser:
        return LineParser(self.tables, self.skips)

    def arranged(
        self, order: Sequence[str], start: Start
    ) -> tuple[list[frozenset[str]], Node | Cell] | None:
        """As `LineParser.arranged`."""
        return self._parser.arranged(order, start.rule)

    def describe(self, terminal: str) -> str:
        """A terminal in a technician's words: its literal text, or the column it fills."""
        if terminal == END:
            return "the end of the line"
        if terminal == TOO_MANY:
            return f"the end of the line, after at most {MOST_PIECES:,} pieces"
        literal = self._literals.get(terminal)
        if literal is not None:
            return repr(literal)
        column, value = line_rules.filled(terminal.lstrip("_"))
        return f"{column} {value}" if value else column.replace("_", " ")

    @cached_property
    def _literals(self) -> dict[str, str]:
        return {t.name: t.literal for t in self.tables.terminals if t.literal is not None}


def _further(best: Miss, stop: Stop, text: str) -> Miss:
    """The miss that came further, or both where they came as far."""
    end = len(text.rstrip()) + 1
    at = min(stop.at, end) or end
    if at == best.at:
        return Miss(at, best.expected + stop.wanted)
    return Miss(at, stop.wanted) if at > best.at else best


def harvest(tree: Node | Cell) -> Match | None:
    """The outermost nodes of a tree that the law names, and their cells in order; several of them
    are the parts of one line."""
    found: list[Match] = []
    todo: list[Node | Cell] = [tree]
    while todo:
        node = todo.pop()
        if isinstance(node, Cell):
            continue
        if node.name in line_rules.LINE_RULES and node.name != "rows":
            found.append(Match(node.name, _cells(node)))
        else:
            todo += reversed(node.children)
    if isinstance(tree, Node) and (tree.name == "rows" or len(found) > 1):
        return Match("rows", (), tuple(found))
    return found[0] if found else None


def _cells(tree: Node) -> tuple[Cell, ...]:
    """All cells under a node, in order."""
    cells: list[Cell] = []
    todo: list[Node | Cell] = [tree]
    while todo:
        node = todo.pop()
        if isinstance(node, Cell):
            cells.append(node)
        else:
            todo += reversed(node.children)
    return tuple(cells)
