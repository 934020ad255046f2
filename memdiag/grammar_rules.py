"""What a layout grammar may and may not do, and how one is compiled."""

from __future__ import annotations

import io
import re
from typing import Any

from memdiag import law
from memdiag.grammars import _PACK, LayoutError, head_comments
from memdiag.problems import Position, problem

LINE_RULES = (*law.RULES, *law.STRUCTURE)

_RULE = re.compile(r"^[ \t]*[?!]*(?P<rule>[a-z_][a-z_0-9]*)(?:\.-?\d+)?[ \t]*:", re.MULTILINE)
_ALIAS = re.compile(r"->[ \t]*(?P<alias>[a-z_][a-z_0-9]*)")
_QUIET = re.compile(r'//[^\n]*|"(?:\\.|[^"\\\n])*"|(?<![/\w])/(?!/)(?:\\.|[^/\\\n])+/')


def compile_pack(source: str, origin: str) -> dict[str, Any]:
    """Compile a grammar to what can be kept on disk. Raises LayoutError."""
    from lark import Lark
    from lark.exceptions import LarkError

    head = head_comments(source)
    starts = _starts(source)
    if not starts:
        raise LayoutError((problem("layout-empty", file=origin),))
    try:
        parser = Lark(source, parser="lalr", start=list(starts), maybe_placeholders=True)
    except LarkError as wrong:
        raise LayoutError((_syntax(source, origin, wrong),)) from None
    buffer = io.BytesIO()
    parser.save(buffer)
    return {
        "pack": _PACK,
        "name": head.get("name"),
        "about": head.get("about", ""),
        "recognise": head.get("recognise"),
        "source": source,
        "starts": [(rule, kinds, *_first(parser, rule)) for rule, kinds in starts.items()],
        "feeds_newline": any(
            re.search(t.pattern.to_regexp(), "\n") is not None
            and t.name not in parser.ignore_tokens
            for t in parser.terminals
        ),
        "lark": buffer.getvalue(),
    }


def blank_out(source: str) -> str:
    """The source with comments, strings and patterns replaced by blanks: same length, same
    lines, only names and operators left."""
    return _QUIET.sub(lambda m: " " * len(m.group()), source)


def _starts(source: str) -> dict[str, tuple[str, ...]]:
    """Each start symbol with the line rules it yields, in file order: the rules named by the law
    and the rules that use such a name as an alias."""
    plain = blank_out(source)
    marks = list(_RULE.finditer(plain))
    found: dict[str, tuple[str, ...]] = {}
    for mark, after in zip(marks, [*marks[1:], None], strict=True):
        rule = mark.group("rule")
        body = plain[mark.end() : after.start() if after else None]
        aliases = [a for a in _ALIAS.findall(body) if a in LINE_RULES]
        kinds = [rule] if rule in LINE_RULES else []
        if kinds or aliases:
            found[rule] = tuple(dict.fromkeys(kinds + aliases))
    return found


def _first(parser: Any, rule: str) -> tuple[str, tuple[str, ...]]:
    """A regular expression that the opening of every line of this rule matches, and the terminals
    that it may open with."""
    terms = {t.name: t.pattern.to_regexp() for t in parser.terminals}
    names = sorted(n for n in parser.parse_interactive("", start=rule).accepts() if n in terms)
    skip = "|".join(f"(?:{terms[name]})" for name in parser.ignore_tokens)
    opening = "|".join(f"(?:{terms[name]})" for name in names)
    return (f"(?:{skip})*" if skip else "") + f"(?:{opening})", tuple(names)


def _syntax(source: str, origin: str, wrong: Exception) -> Any:
    line = getattr(wrong, "line", None)
    column = getattr(wrong, "column", None)
    reason = str(wrong).strip().splitlines()[0]
    if not isinstance(line, int) or line < 1:
        return problem("layout-syntax", None, file=origin, reason=reason, quote="")
    lines = source.splitlines()
    at = column if isinstance(column, int) and column > 0 else 1
    text = lines[line - 1] if line <= len(lines) else ""
    quote = f"\n  {text}\n  {' ' * (at - 1)}^"
    return problem("layout-syntax", Position(line, at), file=origin, reason=reason, quote=quote)
