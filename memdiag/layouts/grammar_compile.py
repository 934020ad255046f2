"""How a layout grammar is compiled, and how what Lark refuses is told."""

from __future__ import annotations

import ast
import logging
import re
import warnings
from collections.abc import Iterator
from typing import Any

from memdiag.layouts import tables
from memdiag.layouts.grammar_rules import (
    carried,
    columns_open,
    recognise_pattern,
    refusals,
    rule_names,
)
from memdiag.layouts.grammar_size import excess
from memdiag.layouts.grammar_text import LayoutError, Source
from memdiag.layouts.line_rules import LINE_RULES
from memdiag.layouts.matcher import Start
from memdiag.layouts.pack import Pack
from memdiag.model import spelling
from memdiag.model.problems import Problem


def compile_pack(text: str, origin: str) -> Pack:
    """Compile a grammar to what can be kept on disk. Raises LayoutError."""
    source = Source(text, origin)
    with warnings.catch_warnings():
        # A set with `[` or `--` in it, which Python may read otherwise one day: refused, so that
        # no warning stands between the rows of a verdict.
        warnings.simplefilter("error", FutureWarning)
        try:
            return _compiled(source)
        except FutureWarning as unsure:
            why = f"a pattern has a {str(unsure).lower()}"
            reason = f"{why}: put a \\ before each sign meant as such"
            raise LayoutError((source.problem_at("layout-syntax", None, reason=reason),)) from None


def _compiled(source: Source) -> Pack:
    large = tuple(excess(source))
    if large:
        raise LayoutError(large)
    wrong = [*recognise_pattern(source), *rule_names(source)]
    wrong += _twice(source)
    starts = source.starts()
    if not starts:
        wrong.append(source.problem_at("layout-empty", None))
        raise LayoutError(tuple(wrong))
    if any(p.code == "layout-twice" for p in wrong):
        raise LayoutError(tuple(wrong))  # Lark would say no more of it
    try:
        parser, conflicts = _lark(source, list(starts))
    except LayoutError as error:
        raise LayoutError((*wrong, *error.problems)) from None
    wrong += conflicts
    wrong += refusals(source, parser)
    if wrong:
        raise LayoutError(tuple(dict.fromkeys(wrong)))
    feeds = any(
        re.fullmatch(t.pattern.to_regexp(), "\n") and not re.fullmatch(t.pattern.to_regexp(), "x")
        for t in parser.terminals
        if t.name not in parser.ignore_tokens
    )
    return Pack(
        name=source.head.get("name"),
        about=source.head.get("about", ""),
        recognise=source.head.get("recognise"),
        source=source.text,
        starts=tuple(Start(rule, kinds, _opening(parser, rule)) for rule, kinds in starts.items()),
        feeds_newline=feeds,
        skips=tuple(map(str, parser.ignore_tokens)),
        columns_open=columns_open(parser),
        carried=carried(parser),
        tables=tables.of(parser),
    )


def _twice(source: Source) -> Iterator[Problem]:
    """Names that are defined a second time, each with what to write instead."""
    for first, second in source.twice():
        name = second.name
        if not second.is_rule:
            hint = f"put both in one with |, or number the second one: {name}_2"
        elif name in LINE_RULES:
            hint = (
                "give this one a name of its own and the line rule as its alias: "
                f"other: ... -> {name}; or put both in one rule with |"
            )
        else:
            hint = "put both in one rule with |, or give this one a name of its own"
        line = source.line_of(first.offset)
        yield source.problem_at("layout-twice", second.offset, name=name, first=line, hint=hint)


# -- Lark itself --------------------------------------------------------------------------------


class _Listener(logging.Handler):
    """Hears which terminals Lark could have read in two ways: it says so only to its log."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.rules: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if "conflict" in text.lower() or text.lstrip().startswith("*"):
            self.rules.append(text)


def _lark(source: Source, starts: list[str]) -> tuple[Any, list[Problem]]:
    """The compiled parser, and the places where it could read a line in two ways."""
    from lark import Lark, logger
    from lark.exceptions import LarkError

    listener = _Listener()
    level, handlers = logger.level, list(logger.handlers)
    for handler in handlers:
        logger.removeHandler(handler)
    logger.addHandler(listener)
    logger.setLevel(logging.DEBUG)
    options = {"parser": "lalr", "start": starts, "maybe_placeholders": True}
    try:
        Lark(source.text, debug=True, **options)
        parser = Lark(source.text, **options)
    except (LarkError, re.error, RecursionError) as error:
        raise LayoutError((_refusal(source, error),)) from None
    except TypeError as slip:
        # Where Lark looks for the mistake's like, a log line of its own fails over some mistakes.
        raise LayoutError((_refusal(source, _handled(slip)),)) from None
    finally:
        logger.setLevel(level)
        logger.removeHandler(listener)
        for handler in handlers:
            logger.addHandler(handler)
    conflicts = []
    for text in listener.rules:
        rule = re.search(r"<\s*_*([a-z][a-z_0-9]*?)(?:_(?:star|plus)_\d+)?\s*:", text)
        if rule:
            conflicts.append(_ambiguous(source, rule.group(1)))
    return parser, conflicts


def _handled(slip: Exception) -> Exception:
    """The mistake in the grammar that was being looked into when this was raised: the first one.

    Raises `slip` where there is none."""
    from lark.exceptions import UnexpectedInput

    first, at = None, slip.__context__
    while at is not None:
        first = at if isinstance(at, UnexpectedInput) else first
        at = at.__context__
    if first is None:
        raise slip
    return first


def _ambiguous(source: Source, rule: str) -> Problem:
    return source.problem_at("layout-ambiguous", source.place(rule), rule=rule)


def _refusal(source: Source, error: Exception) -> Problem:
    """What Lark refused, at its place."""
    text = str(error)
    reason = text.strip().splitlines()[0].rstrip(":").strip() if text.strip() else "no grammar"
    at = re.search(r"at line (\d+),? col(?:umn)? (\d+)", text)
    if at:
        reason = re.sub(r",? at line \d+,? col.*", "", reason)
        if "Token('_NL'" in reason:
            reason = "the definition ends too early"
        return source.problem_in("layout-syntax", int(at[1]), int(at[2]), reason=reason)
    zero = re.search(r"zero-width terminals?\. \((\w+): (.*)\)", text, re.DOTALL)
    if zero:
        what, offset = source.called(zero[1], ast.literal_eval(zero[2]), literal=False)
        return source.problem_at("layout-empty-terminal", offset, what=what)
    if "Reduce/Reduce" in text or "Shift/Reduce" in text:
        rules = re.findall(r"<\s*_*([a-z][a-z_0-9]*?)(?:_(?:star|plus)_\d+)?\s*:", text)
        return _ambiguous(source, rules[0] if rules else next(iter(source.starts())))
    undefined = re.search(r"['\"]?(\w+)['\"]? used but not defined \(in rule (\w+)\)", text)
    if undefined:
        offset = source.place(undefined[1], undefined[2])
        names = [d.name for d in source.definitions]
        return source.problem_at(
            "layout-undefined",
            offset,
            name=undefined[1],
            hint=spelling.nearest(undefined[1], names),
        )
    named = next(
        (w for w in re.findall(r"\w+", reason) if any(w == d.name for d in source.definitions)),
        None,
    )
    offset = source.place(named) if named else None
    return source.problem_at("layout-syntax", offset, reason=reason)


def _opening(parser: Any, rule: str) -> tuple[str, ...]:
    """The terminals that a line of this rule may open with, after what is skipped."""
    names = {t.name for t in parser.terminals}
    return tuple(sorted(names & set(parser.parse_interactive("", start=rule).accepts())))
