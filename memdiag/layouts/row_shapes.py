"""Row rules as regular expressions: which lines of millions can be taken in columns.

A *shape* is one order of terminals that a row rule allows. Its lines are found by a matcher that
takes linear time, or are cut at a separator. A shape is used only where it is proved, by looking
at the grammar, that Lark would read every such line the same way:

- each terminal is *sure* (see `patterns`): the matcher takes all of a text that the terminal can
  match as a whole;
- what follows a terminal begins with a character that the terminal does not hold, so that it ends
  at one place only;
- wherever the parser accepts several terminals, they begin with different characters, so that the
  first one tells which it is;
- the line is plain ASCII.

Other lines and other rules are read one by one. So a shape may miss a row that Lark reads, and
then the row is read the slow way; it never takes a row that Lark would not, or takes differently.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Cell, Layout, Start, harvest
from memdiag.layouts.patterns import nature

MOST_SHAPES = 64
MOST_TERMINALS = 64


class Field(Struct, frozen=True):
    """One terminal of a shape: its pattern, and whether it may be left empty."""

    pattern: str
    literal: bool


class Taken(Struct, frozen=True):
    """What a shape fills: `column` from field number `field`, or with `value`."""

    column: str
    field: int | None
    value: str | None


class Shape(Struct, frozen=True):
    """One order of terminals. `pattern` matches whole lines, with a group `f<n>` for each field
    that fills something. Where `separator` is not None, lines can also be cut at it: at runs of
    blanks where it is a blank, else at every one."""

    kind: str
    fields: tuple[Field, ...]
    taken: tuple[Taken, ...]
    pattern: str
    separator: str | None


class Unsure(ValueError):
    """A rule that is no regular one, or not proved to be read the same way."""


class Terms(Struct, frozen=True):
    """The terminals of a grammar, and what it skips between them."""

    patterns: dict[str, str]
    fixed: frozenset[str]
    skipped: str  # a pattern for one piece of what is skipped, "" where nothing is
    skips: frozenset[int]  # characters it begins with

    @classmethod
    def of(cls, layout: Layout) -> Terms:
        patterns = layout.tables.patterns
        skipped = "|".join(f"(?:{patterns[name]})" for name in layout.skips)
        skips = nature(skipped).first if skipped else frozenset()
        fixed = frozenset(t.name for t in layout.tables.terminals if t.literal is not None)
        return cls(patterns, fixed, skipped, skips)


def shapes(layout: Layout, start: Start, kind: str, width: int = 0) -> tuple[Shape, ...]:
    """The shapes of a row rule. For kind `row`, `width` is the number of its columns.

    Empty where the rule is not regular, or not proved to be read the same way.
    """
    terms = Terms.of(layout)
    found: list[Shape] = []
    try:
        if kind == "row":
            orders: Iterable[Order] = _row_orders(layout, start, width)
        else:
            orders = _orders(layout, start, kind)
        for order in orders:
            found.append(_shape(layout, terms, start, kind, order))
    except Unsure:
        return ()
    return tuple(found)


# -- orders of terminals ------------------------------------------------------------------------


Order = tuple[str, ...]
"""Terminals in the order in which they stand in a line."""


def _orders(layout: Layout, start: Start, kind: str) -> list[Order]:
    """Every order of terminals of a rule without repeats."""
    found: dict[Order, None] = {}
    for rule in layout.tables.productions:
        if rule.origin != start.rule or (rule.alias or rule.origin) != kind:
            continue
        for order in _grown(layout, rule.expansion, (start.rule,)):
            found[order] = None
            if len(found) > MOST_SHAPES:
                raise Unsure
    return list(found)


def _grown(layout: Layout, symbols: Sequence[str], inside: tuple[str, ...]) -> Iterator[Order]:
    """Every order of terminals of these symbols, which stand inside the rules named."""
    if not symbols:
        yield ()
        return
    for head in _heads(layout, symbols[0], inside):
        for tail in _grown(layout, symbols[1:], inside):
            if len(head) + len(tail) > MOST_TERMINALS:
                raise Unsure
            yield head + tail


def _heads(layout: Layout, symbol: str, inside: tuple[str, ...]) -> Iterator[Order]:
    if symbol in layout.tables.patterns:
        yield (symbol,)
        return
    if symbol in inside:
        raise Unsure  # it repeats: no bound to the number of its terminals
    for rule in layout.tables.productions:
        if rule.origin == symbol:
            yield from _grown(layout, rule.expansion, (*inside, symbol))


def _row_orders(layout: Layout, start: Start, width: int) -> list[Order]:
    """A row under `width` columns, every cell of it filled: cells alone, or one literal between
    them."""
    names = sorted(layout.tables.patterns)
    cells = [name for name in names if line_rules.filled(name) == ("cell", None)]
    for cell in cells:
        for between in (None, *(n for n in names if n not in cells)):
            gap = () if between is None else (between,)
            order = ((cell, *gap) * width)[: (1 + len(gap)) * width - len(gap)]
            if layout.arranged(order, start) is not None:
                return [order]
    return []


def without(layout: Layout, start: Start, width: int, empty: Sequence[int]) -> bool:
    """Whether a row under `width` columns may leave these cells (numbers from 0) empty, and is
    proved to be read as that."""
    terms = Terms.of(layout)
    left = set(range(width)) - set(empty)
    for order in _row_orders(layout, start, width):
        step = 2 if len(order) > width else 1
        kept = [n for i, n in enumerate(order) if i % step or i // step in left]
        try:
            shape = _shape(layout, terms, start, "row", tuple(kept))
        except (Unsure, IndexError):
            return False
        return {int(t.column) for t in shape.taken} == left
    return False


# -- one shape ----------------------------------------------------------------------------------


def _shape(layout: Layout, terms: Terms, start: Start, kind: str, order: tuple[str, ...]) -> Shape:
    parsed = layout.arranged(order, start)
    if parsed is None:
        raise Unsure
    accepted, tree = parsed
    match = harvest(tree)
    if match is None or match.kind != kind or match.parts:
        raise Unsure
    for name, others in zip(order, accepted, strict=True):
        _one_way(terms, name, others)
    taken = tuple(_taken(match.cells, order, kind))
    groups = {t.field for t in taken if t.field is not None}
    pieces = [_gap(terms, None, order[0])]
    for number, name in enumerate(order):
        text = terms.patterns[name]
        pieces.append(f"(?P<f{number}>{text})" if number in groups else f"(?:{text})")
        pieces.append(_gap(terms, name, order[number + 1] if number + 1 < len(order) else None))
    fields = tuple(Field(terms.patterns[n], n in terms.fixed) for n in order)
    return Shape(kind, fields, taken, "".join(pieces), _separator(terms, order))


def _taken(cells: Sequence[Cell], order: Sequence[str], kind: str) -> Iterator[Taken]:
    """What the cells of a parsed order fill; a cell's place is its field's number, from 1."""
    seen: set[str] = set()
    for number, cell in enumerate(cells):
        if cell.text is None:
            continue
        column, value = line_rules.filled(order[cell.at - 1])
        if kind == "row":
            column = str(number)
        if column in seen:
            raise Unsure  # two of one column are joined: not done in columns
        seen.add(column)
        yield Taken(column, cell.at - 1 if value is None else None, value)


def _one_way(terms: Terms, name: str, others: frozenset[str]) -> None:
    """Raises where another terminal could be taken instead of this one."""
    mine = nature(terms.patterns[name])
    if not mine.sure or mine.first & terms.skips:
        raise Unsure
    for other in others:
        if other != name and other in terms.patterns:
            yours = nature(terms.patterns[other])
            if yours.first & mine.first or yours.opaque:
                raise Unsure


def _gap(terms: Terms, before: str | None, after: str | None) -> str:
    """What may stand between two terminals: nothing, or what the grammar skips. Raises where the
    first one could go on into it."""
    if before is None:
        return f"(?:{terms.skipped})*" if terms.skipped else ""
    if before in terms.fixed:
        return f"(?:{terms.skipped})*" if terms.skipped else ""
    held = nature(terms.patterns[before]).alphabet
    if held & terms.skips:
        raise Unsure
    if after is None or not held & nature(terms.patterns[after]).first:
        return f"(?:{terms.skipped})*" if terms.skipped else ""
    if not terms.skipped:
        raise Unsure
    return f"(?:{terms.skipped})+"


_BLANKS = frozenset((9, 32))


def _separator(terms: Terms, order: Sequence[str]) -> str | None:
    """The character at which the lines of a shape can be cut in its fields, None where there is
    none: a literal that stands between all others, or the blank where blanks are skipped and no
    terminal holds one."""
    if len(order) < 2 or not terms.skips <= _BLANKS:
        return None
    if len(order) % 2 == 1 and len(set(order[1::2])) == 1 and order[1] in terms.fixed:
        char = _literal(terms.patterns[order[1]])
        rest = order[0::2]
        if char is not None and all(
            ord(char) not in nature(terms.patterns[n]).alphabet for n in rest
        ):
            return char
    if terms.skips and not any(nature(terms.patterns[n]).alphabet & _BLANKS for n in order):
        return " "
    return None


def _literal(pattern: str) -> str | None:
    """The one character that a pattern stands for, if it does."""
    plain = re.sub(r"\\(.)", r"\1", pattern)
    return plain if len(plain) == 1 and re.fullmatch(pattern, plain) else None
