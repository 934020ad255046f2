"""Where each key of a TOML text stands: tomllib reads values and forgets their lines.

The text is one that tomllib has read, so only what tells keys from values is looked at. Nothing
calls itself: a text may be nested as deep as it likes.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping

from msgspec import Struct, field

from memdiag.model.patterns import later
from memdiag.model.problems import Position

Path = tuple[str | int, ...]
"""Keys and, in lists, numbers from 0: `("site", 2, "links", 0, "lanes")`."""

_BLANK = later(r"(?:[ \t\r\n]|#[^\n]*)+")
_HEADER = later(r"\[\[?[ \t]*")
_HEADER_END = later(r"[ \t]*\]\]?")
_EQUALS = later(r"[ \t]*=[ \t]*")
_DOT = later(r"[ \t]*\.[ \t]*")
_KEY = later(r'"(?:[^"\\\n]|\\.)*+"|\'[^\'\n]*\'|[A-Za-z0-9_-]+')
_SCALAR = later(
    r'"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*+"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*+'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*+"'
    r"|'[^'\n]*'"
    r"|\d{4}-\d\d-\d\d \d\d:[^\s,\[\]{}#]+"  # a date and a time, a blank between them
    r"|[^\s,\[\]{}#]+"
)


def places(text: str) -> Mapping[Path, Position]:
    """Where each key, each entry of a list and each header of a table stands, by its path. A table
    that only a dotted key or a longer header names is where it is named first. Of a text that is
    no TOML: those before it goes wrong."""
    scanner = _Scanner(text.replace("\r\n", " \n"))
    while scanner.step():
        pass
    return scanner.found


class _Open(Struct):
    """A list or a table in braces that is not closed yet; `number` counts a list's entries."""

    path: Path
    number: int | None


class _Scanner(Struct):
    text: str
    at: int = 0
    table: Path = ()
    found: dict[Path, Position] = field(default_factory=dict)

    _starts: list[int] = field(default_factory=list)
    _open: list[_Open] = field(default_factory=list)
    _entries: dict[Path, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._starts = [0, *(hit.end() for hit in re.finditer("\n", self.text))]

    def step(self) -> bool:
        """One header, one key with what stands behind it, or one entry; False at the end."""
        self._skip(_BLANK)
        if self.at >= len(self.text):
            return False
        now, char = self.at, self.text[self.at]
        if not self._open:
            taken = self._header() if char == "[" else self._assignment(self.table)
        elif char in ",]}":
            self.at += 1
            taken = True
            if char != ",":
                self._open.pop()
            elif (number := self._open[-1].number) is not None:
                self._open[-1].number = number + 1
        elif (number := self._open[-1].number) is not None:
            path = (*self._open[-1].path, number)
            self._note(path, now)
            taken = self._value(path)
        else:
            taken = self._assignment(self._open[-1].path)
        return taken and self.at > now

    def _skip(self, pattern: re.Pattern[str]) -> str | None:
        hit = pattern.match(self.text, self.at)
        if hit is None:
            return None
        self.at = hit.end()
        return hit.group()

    def _note(self, path: Path, start: int) -> None:
        line = bisect_right(self._starts, start)
        self.found.setdefault(path, Position(line, start - self._starts[line - 1] + 1))

    def _keys(self) -> list[str]:
        keys = []
        while (quoted := self._skip(_KEY)) is not None:
            key = _meant(quoted)
            if key is None:
                self.at -= len(quoted)  # nothing that may follow a key starts with a quote
                break
            keys.append(key)
            if self._skip(_DOT) is None:
                break
        return keys

    def _header(self) -> bool:
        start = self.at
        is_entry = (self._skip(_HEADER) or "").startswith("[[")
        keys = self._keys()
        path: Path = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if is_entry and number == len(keys) - 1:
                self._note(path, start)
                self._entries[path] = self._entries.get(path, -1) + 1
            if path in self._entries:
                path = (*path, self._entries[path])
            self._note(path, start)
        self.table = path
        return bool(keys) and self._skip(_HEADER_END) is not None

    def _assignment(self, path: Path) -> bool:
        start = self.at
        keys = self._keys()
        for key in keys:
            path = (*path, key)
            self._note(path, start)
        return bool(keys) and self._skip(_EQUALS) is not None and self._value(path)

    def _value(self, path: Path) -> bool:
        opening = self.text[self.at : self.at + 1]
        if opening in ("[", "{"):
            self.at += 1
            self._open.append(_Open(path, 0 if opening == "[" else None))
            return True
        return self._skip(_SCALAR) is not None


def _meant(key: str) -> str | None:
    """A key without its quotes, and what its escapes stand for; None with one that TOML has not."""
    if key[0] == "'":
        return key[1:-1]
    if key[0] != '"':
        return key
    import tomllib

    if "\\" not in key:
        return key[1:-1]
    try:
        return str(tomllib.loads(f"k = {key}")["k"])
    except tomllib.TOMLDecodeError:
        return None
