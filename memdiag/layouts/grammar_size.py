"""How large a grammar becomes when it is compiled, told from its text before that is tried.

A rule is written out in every way in which its optional parts may be there or not, and a terminal
with all the terminals that it names: twenty optional words are a million rules, and thirty
terminals that each name the next one twice are a pattern of a gigabyte.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from memdiag.layouts.grammar_text import Definition, Source
from memdiag.model.problems import Problem

MOST_DEFINITIONS = 400
"""Rules and terminals of a grammar."""
MOST_WAYS = 2_000
"""Ways to write out its rules, all together: Lark takes about a second for them."""
MOST_PATTERN = 20_000
"""Characters of the pattern of a terminal, with all that it names."""
_DEEPEST = 50  # brackets in each other

_PIECE = re.compile(
    r'//[^\n]*|"(?:\\.|[^"\\\n])*"i?|/(?!/)(?:\\.|[^/\\\n])+/[imslux]*'
    r"|->\s*\w+|\w+|[()\[\]|?*+]|~\s*(\d+)(?:\s*\.\.\s*(\d+))?"
)
_MADE_OF = re.compile(r"(\w+)\s*\{([\w\s,]*)(\}?)")
MOST_MADE = 400
"""Rules that are made of templates."""


def excess(source: Source) -> Iterator[Problem]:
    """What of a grammar is beyond these bounds; the first of each kind."""
    definitions = source.definitions
    if len(definitions) > MOST_DEFINITIONS:
        at = definitions[MOST_DEFINITIONS].offset
        what = f"more than {MOST_DEFINITIONS} rules and terminals"
        yield source.problem_at("layout-too-large", at, what=what)
        return
    total = 0
    for definition in source.rules.values():
        end = definition.body_at + len(definition.body)
        total += _Ways(source.text[definition.body_at : end]).count()
        if total > MOST_WAYS:
            what = f"optional parts and repeats that can be written out in over {MOST_WAYS} ways"
            yield source.problem_at("layout-too-large", definition.offset, what=what)
            break
    made: dict[str, int] = {}
    if sum(_made(d, source.rules, made, ()) for d in source.rules.values()) > MOST_MADE:
        what = f"templates that make more than {MOST_MADE} rules"
        yield source.problem_at("layout-too-large", None, what=what)
    sizes: dict[str, int] = {}
    named = {d.name: d for d in definitions if not d.is_rule}
    for definition in named.values():
        if _size(definition, named, sizes, ()) > MOST_PATTERN:
            what = f"a pattern that comes to over {MOST_PATTERN} characters"
            yield source.problem_at("layout-too-large", definition.offset, what=what)
            break


def _made(
    definition: Definition,
    rules: Mapping[str, Definition],
    made: dict[str, int],
    inside: tuple[str, ...],
) -> int:
    """Rules that the templates used here make."""
    if len(inside) > _DEEPEST:
        return MOST_MADE + 1
    if definition.name not in made:
        inside, total = (*inside, definition.name), 0
        for name, _, closed in _MADE_OF.findall(definition.body):
            if name not in inside:
                total += 1 + (_made(rules[name], rules, made, inside) if name in rules else 0)
            elif not closed:  # it is made of something new each time, and never done
                total = MOST_MADE + 1
        made[definition.name] = min(total, MOST_MADE + 1)
    return made[definition.name]


def _size(
    definition: Definition,
    named: Mapping[str, Definition],
    sizes: dict[str, int],
    inside: tuple[str, ...],
) -> int:
    """Characters of a terminal's pattern; beyond the bound where it names itself or goes deep."""
    if definition.name in inside or len(inside) > _DEEPEST:
        return MOST_PATTERN + 1
    if definition.name not in sizes:
        words = [w.group() for w in _PIECE.finditer(definition.body) if w.group() in named]
        inner = (_size(named[w], named, sizes, (*inside, definition.name)) for w in words)
        sizes[definition.name] = min(len(definition.body) + sum(inner), MOST_PATTERN + 1)
    return sizes[definition.name]


class _Ways:
    """Counts the ways to write out the body of a rule, up to a little beyond `MOST_WAYS`."""

    def __init__(self, body: str) -> None:
        self._pieces = list(_PIECE.finditer(body))
        self._at = 0

    def count(self) -> int:
        return self._choices(0)

    def _choices(self, depth: int) -> int:
        """Alternatives up to a closing bracket, or the end."""
        if depth > _DEEPEST:
            return MOST_WAYS + 1
        total, ways, last = 0, 1, 1
        while self._at < len(self._pieces):
            piece = self._pieces[self._at]
            word = piece.group()
            self._at += 1
            if word in (")", "]"):
                break
            if word == "|":
                total, ways, last = total + ways * last, 1, 1
            elif word in ("(", "["):
                ways, last = ways * last, self._choices(depth + 1) + (word == "[")
            else:
                ways, last = _after(piece, ways, last)
            ways, last = min(ways, MOST_WAYS + 1), min(last, MOST_WAYS + 1)
        return min(total + ways * last, MOST_WAYS + 1)


def _after(piece: re.Match[str], ways: int, last: int) -> tuple[int, int]:
    """The ways so far and those of the last item, after a word or a mark behind an item."""
    word = piece.group()
    if word.startswith("//"):
        return ways, last
    if word in ("?", "*"):
        return ways, last + 1
    if word == "+" or word.startswith("->"):
        return ways, last
    if word.startswith("~"):
        least = int(piece[1][:4])
        most = int((piece[2] or piece[1])[:4])
        return ways, min(last, 9) ** min(max(most, 1), 9) * (max(0, most - least) + 1)
    return ways * last, 1
