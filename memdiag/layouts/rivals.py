"""Which lines an earlier rule may take: those are not read in columns by a later one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memdiag.layouts.matcher import Layout, Start
from memdiag.layouts.patterns import nature
from memdiag.layouts.row_shapes import Terms, Unsure


@dataclass(frozen=True, slots=True)
class Guard:
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
    by_name: dict[str, list[Any]] = {}
    for rule in layout.lark.rules:
        by_name.setdefault(rule.origin.name, []).append(rule)

    def one(name: str, inside: tuple[str, ...]) -> str:
        if name in inside or len(inside) > 20:
            raise Unsure
        heads: list[str] = []
        tails: list[str] = []
        for rule in by_name.get(name, ()):
            symbols = list(rule.expansion)
            again = bool(symbols) and not symbols[0].is_term and symbols[0].name == name
            text = skip.join(
                f"(?:{terms.patterns[s.name]})" if s.is_term else one(s.name, (*inside, name))
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
    return f"^{skip}{start.first}"


def opening(layout: Layout, start: Start) -> frozenset[int]:
    """The characters that a line read by this start symbol can begin with, after blanks."""
    patterns = {t.name: t.pattern.to_regexp() for t in layout.lark.terminals}
    return frozenset().union(*(nature(patterns[name]).first for name in start.opening))
