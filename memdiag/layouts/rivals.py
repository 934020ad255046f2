"""Which lines an earlier rule may take: those are not read in columns by a later one."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from memdiag.layouts.matcher import Layout, Start
from memdiag.layouts.patterns import nature
from memdiag.layouts.row_shapes import Terms, Unsure
from memdiag.layouts.tables import Production


class Guard(Struct, frozen=True):
    """Lines that are not for columns: those in which `pattern` is found. `first` are the
    characters with which such a line can begin, after blanks."""

    pattern: str
    first: frozenset[int]


def guard(layout: Layout, start: Start, before: Sequence[Start]) -> Guard | None:
    """The lines that a start symbol tried before this one may take; None where none may."""
    first = opening(layout, start)
    rivals = [s for s in before if opening(layout, s) & first]
    if not rivals:
        return None
    return Guard(
        "|".join(f"(?:{may_take(layout, s)})" for s in rivals),
        frozenset().union(*(opening(layout, s) for s in rivals)),
    )


def may_take(layout: Layout, start: Start) -> str:
    """A pattern that finds at least every line which this start symbol can read; more, where the
    grammar is no regular one."""
    terms = Terms.of(layout)
    skip = f"(?:{terms.skipped})*" if terms.skipped else ""
    by_name: dict[str, list[Production]] = {}
    for rule in layout.tables.productions:
        by_name.setdefault(rule.origin, []).append(rule)

    def one(name: str, inside: tuple[str, ...]) -> str:
        if name in inside or len(inside) > 20:
            raise Unsure
        heads: list[str] = []
        tails: list[str] = []
        for rule in by_name.get(name, ()):
            symbols = list(rule.expansion)
            again = bool(symbols) and symbols[0] == name
            text = skip.join(
                f"(?:{terms.patterns[s]})" if s in terms.patterns else one(s, (*inside, name))
                for s in symbols[again:]
            )
            (tails if again else heads).append(text)
        loop = f"(?:{skip}(?:{'|'.join(tails)}))*" if tails else ""
        return f"(?:{'|'.join(heads)}){loop}"

    try:
        whole = f"^{skip}{one(start.rule, ())}{skip}$"
        if len(whole) < 4000:
            return whole
    except Unsure:
        pass
    return f"^{skip}{layout.first(start)}"


def opening(layout: Layout, start: Start) -> frozenset[int]:
    """The characters that a line read by this start symbol can begin with, after blanks."""
    patterns = layout.tables.patterns
    return frozenset().union(*(nature(patterns[name]).first for name in start.opening))
