"""What a layout grammar may and may not do.

Beside what Lark itself refuses (`grammar_compile`), refused are: rules and terminals outside the
law; rules that call themselves first, or that can be read in two ways; terminals that match
nothing, the empty text or everything; patterns that could keep the matcher busy for ever.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from memdiag.layouts import line_rules
from memdiag.layouts.grammar_text import Source
from memdiag.layouts.patterns import nature, takes_everything
from memdiag.model import spelling
from memdiag.model.problems import Problem


def refusals(source: Source, parser: Any) -> Iterator[Problem]:
    """What of a grammar that Lark accepts is outside the law."""
    yield from _terminals(source, parser)
    for kind, productions in _by_kind(parser).items():
        yield from _line_rule(source, parser, kind, productions)
    yield from _look_alikes(source, parser, list(source.starts()))
    yield from _recursion(source, parser)


def columns_open(parser: Any) -> bool:
    """Whether a header line says itself which section it opens."""
    carriers = _carriers(parser, _by_kind(parser).get("columns", []))
    return any(line_rules.filled(symbol.name)[0] == "section" for symbol in carriers)


# -- names --------------------------------------------------------------------------------------


def recognise_pattern(source: Source) -> Iterator[Problem]:
    pattern = source.head.get("recognise")
    if pattern is None:
        return
    at = source.head_place("recognise")
    try:
        compiled = re.compile(pattern)
        if compiled.search(""):
            yield source.problem_at("layout-recognise", at, why="it is found in an empty line")
        elif all(map(compiled.search, ("~ ~", "0 a", "# :", "Z-"))):
            yield source.problem_at("layout-recognise", at, why="it is found in any line")
        elif nature(pattern).hangs:
            yield source.problem_at("layout-pattern-hangs", at, what="the recognise pattern")
    except (re.error, RecursionError, OverflowError) as error:
        yield source.problem_at("layout-recognise", at, why=f"it is none: {error}")


def rule_names(source: Source) -> Iterator[Problem]:
    """Rules and aliases that the law does not know and no line rule uses."""
    starts = source.starts()
    used = source.reached(tuple(starts))
    for rule in source.rules.values():
        above = source.reached((rule.name,)) & set(starts)
        if rule.name not in used and not above:
            yield source.problem_at(
                "layout-rule-name",
                rule.offset,
                name=rule.name,
                hint=spelling.nearest(rule.name, line_rules.LINE_RULES),
            )
        for alias in rule.aliases:
            if alias not in line_rules.LINE_RULES:
                hint = spelling.nearest(alias, line_rules.LINE_RULES)
                yield source.problem_at(
                    "layout-rule-name", source.place(alias, rule.name), name=alias, hint=hint
                )


_OF_PARTS = (
    "it carries nothing itself: put the name in a part of the line that has an alias, such as "
    'place: "ch" CH -> context'
)


# -- terminals ----------------------------------------------------------------------------------


def _terminals(source: Source, parser: Any) -> Iterator[Problem]:
    for term in parser.terminals:
        pattern = term.pattern.to_regexp()
        found = nature(pattern)
        what, where = _called(source, term)
        if found.never:
            yield source.problem_at("layout-dead-terminal", where, what=what)
        if found.hangs:
            yield source.problem_at("layout-pattern-hangs", where, what=what)


def _called(source: Source, term: Any) -> tuple[str, int | None]:
    """What a terminal of Lark's is called, and where it stands."""
    value = str(term.pattern.value)
    return source.called(term.name, value, literal=term.pattern.type == "str")


Productions = list[Any]


def _kind(rule: Any) -> str | None:
    """The line rule that a production of Lark's makes, None for a helper's."""
    name = rule.alias if rule.alias is not None else rule.origin.name
    return name if name in line_rules.LINE_RULES else None


def _by_kind(parser: Any) -> dict[str, Productions]:
    """The productions of each line rule: those of the rule, or those with the alias."""
    found: dict[str, Productions] = {}
    for rule in parser.rules:
        kind = _kind(rule)
        if kind is not None:
            found.setdefault(kind, []).append(rule)
    return found


def _line_rule(source: Source, parser: Any, kind: str, rules: Productions) -> Iterator[Problem]:
    """The terminals of one line rule: their names, and whether they leave room for others."""
    terms = {t.name: t for t in parser.terminals}
    everything = {name for name, t in terms.items() if takes_everything(t.pattern.to_regexp())}
    home = {name: d.name for d in source.rules.values() for name in d.uses}
    known = line_rules.terminal_names(kind)
    for symbol in _carriers(parser, rules):
        if kind == "noise":
            break
        name = symbol.name
        column, value = line_rules.filled(name)
        where = source.place(name, kind if kind in source.rules else home.get(name))
        if name.startswith("__ANON"):
            _, where = _called(source, terms[name])
            yield source.problem_at("layout-nameless", where, kind=kind)
        elif column not in known:
            yield source.problem_at(
                "layout-terminal-name",
                where,
                name=name,
                kind=kind,
                hint=spelling.nearest(column, known) if known else _OF_PARTS,
            )
        elif value is not None and value not in line_rules.VALUES.get(column, (value,)):
            yield source.problem_at(
                "layout-terminal-name",
                where,
                name=name,
                kind=kind,
                hint=spelling.nearest(value, line_rules.VALUES[column]),
            )
    for rule in rules:
        for index, symbol in enumerate(rule.expansion):
            alone = index == 0 or index < len(rule.expansion) - 1
            if symbol.is_term and symbol.name in everything and alone:
                what, where = _called(source, terms[symbol.name])
                yield source.problem_at("layout-takes-everything", where, what=what, kind=kind)


def _carriers(parser: Any, rules: Productions) -> list[Any]:
    """The terminals of these productions that stay in the tree, helper rules included."""
    found: dict[str, Any] = {}
    seen: set[str] = set()
    todo = list(rules)
    while todo:
        rule = todo.pop(0)
        for symbol in rule.expansion:
            if symbol.is_term:
                nameless = symbol.name.startswith("__ANON")
                if not symbol.filter_out and (nameless or not symbol.name.startswith("_")):
                    found.setdefault(symbol.name, symbol)
            elif symbol.name not in seen:
                seen.add(symbol.name)
                todo.extend(
                    r for r in parser.rules if r.origin.name == symbol.name and not _kind(r)
                )
    return list(found.values())


def _look_alikes(source: Source, parser: Any, starts: list[str]) -> Iterator[Problem]:
    """Two terminals of one pattern that may stand at the same place: which is meant?"""
    terms = {t.name: t for t in parser.terminals}
    patterns = {name: t.pattern.to_regexp() for name, t in terms.items()}
    table = parser.parse_interactive("", start=starts[0]).parser_state.parse_conf.parse_table
    told: set[tuple[str, str]] = set()
    for actions in table.states.values():
        seen: dict[str, str] = {}
        for name in sorted(n for n in actions if n in patterns):
            other = seen.setdefault(patterns[name], name)
            if other != name and (other, name) not in told:
                told.add((other, name))
                what, where = _called(source, terms[name])
                other, _ = _called(source, terms[other])
                yield source.problem_at("layout-look-alike", where, what=what, other=other)


def carried(parser: Any) -> dict[str, tuple[str, ...]]:
    """What each line rule of a compiled grammar fills: columns, and `column=value`."""
    found: dict[str, tuple[str, ...]] = {}
    for kind, rules in _by_kind(parser).items():
        names = []
        for symbol in _carriers(parser, rules) if kind != "noise" else ():
            column, value = line_rules.filled(symbol.name)
            names.append(column if value is None else f"{column}={value}")
        found[kind] = tuple(dict.fromkeys(names))
    return found


# -- recursion and openings ---------------------------------------------------------------------


def _recursion(source: Source, parser: Any) -> Iterator[Problem]:
    """Rules that call themselves before they have read anything, and lines of nothing."""
    nullable = _nullable(parser)
    leads = _leads(parser, nullable)
    for name in source.rules:
        if name in _reached(name, leads):
            yield source.problem_at("layout-left-recursive", source.place(name), rule=name)
    for start in source.starts():
        if start in nullable:
            yield source.problem_at("layout-empty-rule", source.place(start), rule=start)


def _nullable(parser: Any) -> set[str]:
    """The rules that can match nothing at all."""
    found: set[str] = set()
    before = -1
    while len(found) > before:
        before = len(found)
        found.update(
            rule.origin.name
            for rule in parser.rules
            if all(symbol.name in found for symbol in rule.expansion)
        )
    return found


def _leads(parser: Any, nullable: set[str]) -> dict[str, set[str]]:
    """For each rule, the rules it can begin with."""
    leads: dict[str, set[str]] = {}
    for rule in parser.rules:
        for symbol in rule.expansion:
            if symbol.is_term:
                break
            leads.setdefault(rule.origin.name, set()).add(symbol.name)
            if symbol.name not in nullable:
                break
    return leads


def _reached(start: str, leads: Mapping[str, set[str]]) -> set[str]:
    """What can be reached from `start`, itself only where it is led back to."""
    seen: set[str] = set()
    todo = list(leads.get(start, ()))
    while todo:
        at = todo.pop()
        if at not in seen:
            seen.add(at)
            todo.extend(leads.get(at, ()))
    return seen
