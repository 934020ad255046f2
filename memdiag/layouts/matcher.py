"""A compiled layout: matches one line at a time by the rules of its grammar."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from memdiag.layouts import line_rules

if TYPE_CHECKING:
    import lark


@dataclass(frozen=True, slots=True)
class Start:
    """One start symbol of the grammar: the line rules it can yield, a regular expression that its
    first token has to match (a cheap look before the parser is asked), and the terminals that
    token can be."""

    rule: str
    kinds: tuple[str, ...]
    first: str
    opening: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A filled cell: the text under a column, and where it stood (1-based). `text` is None for a
    place that was left empty."""

    column: str
    text: str | None
    at: int


@dataclass(frozen=True, slots=True)
class Match:
    """A line that one of the line rules matched. `parts` are what a `rows` line is made of."""

    kind: str
    cells: tuple[Cell, ...]
    parts: tuple[Match, ...] = ()


@dataclass(frozen=True, slots=True)
class Miss:
    """A line that no rule matched: how far the best one came, and what it wanted there."""

    at: int
    expected: tuple[str, ...]


Attempts = list[tuple[Start, Callable[[str], object]]]
"""The start symbols that are tried on a line, in file order, each with its cheap look."""


@dataclass(frozen=True)
class Layout:
    """A compiled layout. `origin` is the file it came from, `source` the grammar's text."""

    name: str
    about: str
    recognise: str | None
    origin: str
    source: str
    starts: tuple[Start, ...]
    lark: lark.Lark = field(repr=False, compare=False)
    feeds_newline: bool = False  # some of its rules end with the line end
    skips: tuple[str, ...] = ()  # terminals that may stand anywhere and say nothing
    columns_open: bool = False  # a header line says itself which section it opens
    _attempts_at: dict[frozenset[str], Attempts] = field(
        default_factory=dict, repr=False, compare=False
    )

    @cached_property
    def kinds(self) -> frozenset[str]:
        """The line rules that this layout has."""
        return frozenset(kind for start in self.starts for kind in start.kinds)

    def _attempts(self, wanted: frozenset[str]) -> Attempts:
        """The start symbols that can yield one of the wanted rules, in file order."""
        found = self._attempts_at.get(wanted)
        if found is None:
            skip = "|".join(f"(?:{self._patterns[name].to_regexp()})" for name in self.skips)
            # Possessive: tried again with less skipped, a line of blanks would take for ever.
            skip = f"(?:{skip})*+" if skip else ""
            found = [
                (s, re.compile(skip + s.first).match) for s in self.starts if wanted & set(s.kinds)
            ]
            self._attempts_at[wanted] = found
        return found

    def match(self, text: str, wanted: frozenset[str]) -> Match | Miss:
        """Read one line with the rules that are `wanted`, in file order."""
        from lark.exceptions import UnexpectedInput

        best = Miss(1, ())
        for start, peek in self._attempts(wanted):
            if peek(text) is None:
                if best.at == 1:
                    best = Miss(1, best.expected + start.opening)
                continue
            for whole in (text, text + "\n") if self.feeds_newline else (text,):
                try:
                    tree = self.lark.parse(whole, start=start.rule)
                except UnexpectedInput as stop:
                    at, expected = _where(text, stop)
                    if at > best.at:
                        best = Miss(at, expected)
                    elif at == best.at:
                        best = Miss(at, best.expected + expected)
                    continue
                found = harvest(tree)
                if found is not None and found.kind in wanted:
                    return found
        return Miss(best.at, tuple(dict.fromkeys(map(self.describe, best.expected))))

    def describe(self, terminal: str) -> str:
        """A terminal in a technician's words: its literal text, or the column it fills."""
        if terminal == "$END":
            return "the end of the line"
        pattern = self._patterns.get(terminal)
        if pattern is not None and pattern.type == "str":
            return repr(str(pattern.value))
        column, value = line_rules.filled(terminal.lstrip("_"))
        return f"{column} {value}" if value else column.replace("_", " ")

    @cached_property
    def _patterns(self) -> dict[str, Any]:
        return {t.name: t.pattern for t in self.lark.terminals}


def _where(text: str, stop: Exception) -> tuple[int, tuple[str, ...]]:
    """The column where the parser stopped, and the terminals it wanted there."""
    names = getattr(stop, "accepts", None) or getattr(stop, "allowed", None)
    names = names or getattr(stop, "expected", None) or ()
    column = getattr(stop, "column", None)
    token = getattr(stop, "token", None)
    at_end = token is not None and token.type == "$END"
    if at_end or not isinstance(column, int) or column < 1:
        column = len(text.rstrip()) + 1
    return column, tuple(sorted(map(str, names)))


def harvest(tree: Any) -> Match | None:
    """The outermost node of a parse that the law names, and its tokens in order."""
    from lark import Tree

    kind = str(tree.data)
    if kind == "rows":
        parts = [harvest(node) for node in tree.children if isinstance(node, Tree)]
        return Match(kind, (), tuple(_flat(parts)))
    if kind in line_rules.LINE_RULES:
        cells: list[Cell] = []
        _gather(tree, cells)
        return Match(kind, tuple(cells))
    found = _flat([harvest(node) for node in tree.children if isinstance(node, Tree)])
    return found[0] if len(found) == 1 else Match("rows", (), tuple(found)) if found else None


def _flat(parts: list[Match | None]) -> list[Match]:
    return [one for part in parts if part is not None for one in (part.parts or (part,))]


def _gather(node: Any, cells: list[Cell]) -> None:
    from lark import Token

    for child in node.children:
        if isinstance(child, Token):
            column, value = line_rules.filled(child.type)
            cells.append(Cell(column, str(child) if value is None else value, child.column or 1))
        elif child is None:
            cells.append(Cell("", None, 0))
        else:
            _gather(child, cells)
