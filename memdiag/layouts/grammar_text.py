"""The text of a layout grammar: its head comments, and where each name in it stands."""

from __future__ import annotations

import re
from collections.abc import Iterator

from msgspec import Struct

from memdiag.layouts import line_rules
from memdiag.model.patterns import later
from memdiag.model.problems import Position, Problem, problem

_HEAD = later(r"//[ \t]*(name|about|recognise)[ \t]*:[ \t]*(.*?)[ \t]*$")
_NAME = r"[?!]*(?P<name>_*(?:[a-z][a-z_0-9]*|[A-Z][A-Z_0-9]*))"
_DEFINITION = later(rf"^[ \t]*{_NAME}(?:\{{[^}}\n]*\}})?(?:\.-?\d+)?[ \t]*:", re.MULTILINE)
_ALIAS = later(r"->[ \t]*(?P<name>[a-z_][a-z_0-9]*)")
_WORD = later(r"(?<![\w])_*[A-Za-z][A-Za-z_0-9]*")
# Comments, strings and patterns: what stands in them is no name.
_QUIET = later(r'//[^\n]*|"(?:\\.|[^"\\\n])*"i?|(?<![/\w])/(?!/)(?:\\.|[^/\\\n])+/[imslux]*')
_DIRECTIVE = later(r"^[ \t]*%[^\n]*", re.MULTILINE)


class LayoutError(ValueError):
    """A grammar that cannot be used. `problems` says what is wrong with it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


def head_comments(source: str) -> dict[str, str]:
    """`name`, `about` and `recognise` from the comment lines that open the file."""
    found: dict[str, str] = {}
    for line in source.splitlines():
        if not line.strip():
            continue
        if not line.startswith("//"):
            break
        at = _HEAD.match(line)
        if at:
            found.setdefault(at.group(1), at.group(2))
    return found


class Definition(Struct, frozen=True):
    """A rule or terminal: its name, where it is defined, and its body (strings blanked out)."""

    name: str
    offset: int
    body_at: int
    body: str

    @property
    def is_rule(self) -> bool:
        return self.name.strip("_")[:1].islower()

    @property
    def aliases(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(_ALIAS.findall(self.body)))

    @property
    def uses(self) -> frozenset[str]:
        return frozenset(_WORD.findall(_ALIAS.sub(lambda m: " " * len(m.group()), self.body)))


class Source:
    """A grammar's text with the places of its names. `file` is what it is called in problems."""

    def __init__(self, text: str, file: str) -> None:
        self.text, self.file = text, file
        self.plain = _DIRECTIVE.sub(_blank, _QUIET.sub(_blank, text))
        self.head = head_comments(text)
        self.definitions = tuple(self._scan())
        self.rules = {d.name: d for d in self.definitions if d.is_rule}

    def _scan(self) -> Iterator[Definition]:
        marks = list(_DEFINITION.finditer(self.plain))
        ends = [mark.start() for mark in marks[1:]] + [len(self.plain)]
        for mark, end in zip(marks, ends[: len(marks)], strict=True):
            yield Definition(
                mark["name"], mark.start("name"), mark.end(), self.plain[mark.end() : end]
            )

    # -- problems at a place --------------------------------------------------------------------

    def problem_at(self, code: str, offset: int | None, **fields: object) -> Problem:
        """A problem at an offset of the text, with the line and a caret under the place."""
        if offset is None:
            return problem(code, None, file=self.file, quote="", **fields)
        line = self.line_of(offset)
        start = self.text.rfind("\n", 0, offset) + 1
        return self.problem_in(code, line, offset - start + 1, **fields)

    def problem_in(self, code: str, line: int, column: int, **fields: object) -> Problem:
        """The same at a 1-based line and column."""
        lines = self.text.split("\n")
        text = lines[line - 1].rstrip("\r") if 0 < line <= len(lines) else ""
        shown = text[:100].replace("\t", " ")
        caret = " " * (min(column, len(shown) + 1) - 1) + "^"
        quote = f"\n    {shown}\n    {caret}"
        return problem(code, Position(line, column), file=self.file, quote=quote, **fields)

    def place(self, name: str, within: str | None = None) -> int | None:
        """Where a name is used in the definition of `within`; else where it is defined; else
        where it stands first; None where it does not stand at all."""
        word = re.compile(rf"(?<!\w){re.escape(name)}(?!\w)")
        if within is not None and within in self.rules:
            definition = self.rules[within]
            found = word.search(definition.body)
            if found:
                return definition.body_at + found.start()
        for definition in self.definitions:
            if definition.name == name:
                return definition.offset
        found = word.search(self.plain) or word.search(self.text)
        return found.start() if found else None

    def called(self, name: str, pattern: str, *, literal: bool) -> tuple[str, int | None]:
        """What a terminal is called, and where it stands: by its name where this file gives it one,
        else as it is written."""
        if any(definition.name == name for definition in self.definitions):
            return f"terminal {name}", self.place(name)
        mark = '"' if literal else "/"
        for found in _QUIET.finditer(self.text):
            written = found.group()
            inner = written[1 : written.rindex(written[0])]
            if written[0] == mark and _without_escapes(inner) == _without_escapes(pattern):
                return f"the {'word' if literal else 'pattern'} {written}", found.start()
        return f"terminal {name}", self.place(name)

    def twice(self) -> Iterator[tuple[Definition, Definition]]:
        """Each definition of a name that has one already, behind that one."""
        first: dict[str, Definition] = {}
        for definition in self.definitions:
            before = first.setdefault(definition.name, definition)
            if before is not definition:
                yield before, definition

    def line_of(self, offset: int) -> int:
        """The line, from 1, of an offset."""
        return self.text.count("\n", 0, offset) + 1

    def head_place(self, key: str) -> int | None:
        """Where the value of a head comment stands."""
        offset = 0
        for line in self.text.splitlines(keepends=True):
            at = _HEAD.match(line.rstrip("\r\n"))
            if at and at.group(1) == key:
                return offset + at.start(2)
            offset += len(line)
        return None

    # -- what the rules are for -----------------------------------------------------------------

    def kinds_of(self, rule: str) -> tuple[str, ...]:
        """The line rules that a rule yields: its own name and its aliases, where the law has
        them."""
        found = self.rules[rule]
        names = (rule, *found.aliases)
        return tuple(dict.fromkeys(n for n in names if n in line_rules.LINE_RULES))

    def starts(self) -> dict[str, tuple[str, ...]]:
        """Each start symbol with the line rules it yields, in file order. What a `rows` rule is
        made of is none by itself."""
        yielding = {rule: kinds for rule in self.rules if (kinds := self.kinds_of(rule))}
        parts: set[str] = set()
        for rule, kinds in yielding.items():
            if "rows" in kinds:
                parts |= self.reached((rule,)) - {rule}
        return {rule: kinds for rule, kinds in yielding.items() if rule not in parts}

    def reached(self, names: Iterator[str] | tuple[str, ...]) -> set[str]:
        """The rules that can be reached from these, themselves included."""
        seen: set[str] = set()
        todo = [name for name in names if name in self.rules]
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo.extend(use for use in self.rules[name].uses if use in self.rules)
        return seen


def _without_escapes(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


def _blank(found: re.Match[str]) -> str:
    return re.sub(r"[^\n]", " ", found.group())
