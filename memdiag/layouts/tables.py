"""What is left of a grammar once it is compiled: plain tables, which hold no code and can be kept.

They are those of an LALR(1) parser (Aho, Lam, Sethi, Ullman, Compilers, 2nd ed., 4.7) whose scanner
knows, in each state, only the terminals that may come there.
"""

from __future__ import annotations

import re
from typing import Any

from msgspec import Struct

END = "$END"
"""What stands for the end of the line among the terminals."""


class Terminal(Struct, frozen=True):
    """A terminal: its regular expression, and the text where it is a literal."""

    name: str
    pattern: str
    literal: str | None


class Production(Struct, frozen=True):
    """One way to make a rule from `expansion`. The node it makes is called `name`; `alias` is that
    name where the grammar gives one beside the rule's. `takes` are the pieces that stay: their
    number in the expansion, whether their own children stand for them, and how many empty places
    come before; `gaps` are empty places at the end. `lone`: an only child stands for the node."""

    origin: str
    name: str
    alias: str | None
    expansion: tuple[str, ...]
    takes: tuple[tuple[int, bool, int], ...]
    gaps: int
    lone: bool


class Scanner(Struct, frozen=True):
    """The terminals that may come, in the order in which they are tried; `renamed`: what a text
    of one of them is called where it is one of these literals."""

    names: tuple[str, ...]
    renamed: dict[str, tuple[str, ...]]


class Tables(Struct, frozen=True):
    """A grammar. `states` say what to do with each symbol: go on to state n (n >= 0), or make
    production -1 - n. `scanner_of` is the number of each state's scanner; `begins` and `ends` are
    the states of each start symbol."""

    terminals: tuple[Terminal, ...]
    productions: tuple[Production, ...]
    states: tuple[dict[str, int], ...]
    scanners: tuple[Scanner, ...]
    scanner_of: tuple[int, ...]
    begins: dict[str, int]
    ends: dict[str, int]

    @property
    def patterns(self) -> dict[str, str]:
        """The regular expression of each terminal."""
        return {t.name: t.pattern for t in self.terminals}


def of(parser: Any) -> Tables:
    """The tables of a compiled `lark.Lark` for LALR."""
    inner, lexer = parser.parser.parser, parser.parser.lexer
    table = inner._parse_table  # Lark gives them out only in a file of its own kind
    numbers = {rule: n for n, rule in enumerate(parser.rules)}
    order = {state: n for n, state in enumerate(table.states)}
    scanners: dict[int, int] = {}
    made: list[Scanner] = []
    scanner_of = []
    for state in table.states:
        own = lexer.lexers[state]
        if id(own) not in scanners:
            scanners[id(own)] = len(made)
            made.append(_scanner(own))
        scanner_of.append(scanners[id(own)])
    return Tables(
        terminals=tuple(_terminal(t) for t in parser.terminals),
        productions=tuple(_production(rule) for rule in parser.rules),
        states=tuple(
            {
                name: order[to] if action.name == "Shift" else -1 - numbers[to]
                for name, (action, to) in actions.items()
            }
            for actions in table.states.values()
        ),
        scanners=tuple(made),
        scanner_of=tuple(scanner_of),
        begins={name: order[state] for name, state in table.start_states.items()},
        ends={name: order[state] for name, state in table.end_states.items()},
    )


def _terminal(term: Any) -> Terminal:
    literal = str(term.pattern.value) if term.pattern.type == "str" else None
    return Terminal(term.name, term.pattern.to_regexp(), literal)


def _scanner(lexer: Any) -> Scanner:
    names = tuple(t.name for t in lexer.scanner.terminals)
    renamed = {
        name: tuple(t.name for t in call.scanner.terminals) for name, call in lexer.callback.items()
    }
    return Scanner(names, renamed)


def _production(rule: Any) -> Production:
    origin = str(rule.origin.name)
    name = rule.alias or rule.options.template_source or origin
    empty = rule.options.empty_indices or (False,) * len(rule.expansion)
    runs = [len(run) for run in "".join("01"[bool(e)] for e in empty).split("0")]
    takes, waiting = [], 0
    for n, symbol in enumerate(rule.expansion):
        waiting += runs[n]
        if rule.options.keep_all_tokens or not (symbol.is_term and symbol.filter_out):
            inside = not symbol.is_term and symbol.name.startswith("_")
            takes.append((n, inside, waiting))
            waiting = 0
    return Production(
        origin,
        str(name),
        rule.alias,
        tuple(str(s.name) for s in rule.expansion),
        tuple(takes),
        waiting + runs[-1],
        bool(rule.options.expand1 and not rule.alias),
    )


def flaw(tables: Tables) -> str:
    """Why these tables cannot be used; "" where they can. Tables that were read from a file are
    asked before anything follows a number in them."""
    names = {t.name for t in tables.terminals}
    rules = {p.origin for p in tables.productions}
    n = len(tables.states)
    if len(tables.scanner_of) != n or not all(
        0 <= s < len(tables.scanners) for s in tables.scanner_of
    ):
        return "a state without a scanner"
    for actions in tables.states:
        for name, to in actions.items():
            if name not in names | rules | {END} or not -len(tables.productions) <= to < n:
                return "an action that leads nowhere"
    if not all(0 <= s < n for s in (*tables.begins.values(), *tables.ends.values())):
        return "a start that leads nowhere"
    if not all(_is_sound(p, names | rules) for p in tables.productions):
        return "a production of what there is not"
    told = [name for s in tables.scanners for name in (*s.names, *_all(s.renamed))]
    return "" if set(told) <= names and _compiles(tables) else "a terminal that is none"


def _all(renamed: dict[str, tuple[str, ...]]) -> list[str]:
    return [name for key, names in renamed.items() for name in (key, *names)]


def _is_sound(production: Production, symbols: set[str]) -> bool:
    pieces = production.expansion
    taken = all(0 <= n < len(pieces) and 0 <= gaps < 100 for n, _, gaps in production.takes)
    return taken and 0 <= production.gaps < 100 and set(pieces) <= symbols


def _compiles(tables: Tables) -> bool:
    try:
        return all(re.compile(t.pattern) and t.name.isidentifier() for t in tables.terminals)
    except (re.error, RecursionError, OverflowError):
        return False
