"""What a line of a console is to the dumps in it: whether one begins, goes on or ends there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum

from msgspec import Struct

from memdiag.layouts import registry
from memdiag.layouts.matcher import Layout, Match
from memdiag.layouts.patterns import nature
from memdiag.reading import recognition
from memdiag.reading.chunks import MOST_LINE
from memdiag.reading.cleaning import clean, decode
from memdiag.reading.cleaning.terminal import Tally
from memdiag.reading.line_rows import ROW_KINDS

_TURNS = frozenset({"head", "end"})


class Turn(StrEnum):
    """What a line is: the start of a dump, its end, or a row of its tables."""

    HEAD = "head"
    END = "end"
    ROW = "row"


class Known(Struct, frozen=True):
    """A layout, and the pattern that its texts are recognised by; None where it has none."""

    layout: Layout
    pattern: re.Pattern[str] | None
    anchor: re.Pattern[str]

    def is_own(self, line: bytes) -> bool:
        """Whether the line is surely one of this layout's."""
        texts = [found.text.rstrip() for found in self._cleaned(line)]
        if self.pattern is None:
            wanted = frozenset({"head"}) & self.layout.kinds or ROW_KINDS
            return any(isinstance(self.layout.match(text, wanted), Match) for text in texts)
        return any(self.pattern.search(text.strip()[: clean.LONGEST_UNSTEADY]) for text in texts)

    def turns(self, line: bytes, example: bytes = b"", *, rows: bool = False) -> set[Turn]:
        """What the line is; more than one where lone carriage returns part it. `example` is a line
        of the dump: it shows what a logger puts in front. `rows`: they are asked for too."""
        wanted = _TURNS | ROW_KINDS if rows else _TURNS
        texts = [found.text.rstrip() for found in self._cleaned(line, example)]
        matches = [self.layout.match(text, wanted) for text in texts]
        kinds = {found.kind for found in matches if isinstance(found, Match)}
        return {Turn(kind) if kind in _TURNS else Turn.ROW for kind in kinds}

    @property
    def has_end(self) -> bool:
        """Whether its dumps say where they end."""
        return "end" in self.layout.kinds

    @property
    def has_head(self) -> bool:
        """Whether its dumps say where they begin."""
        return "head" in self.layout.kinds

    def is_prefixed(self, line: bytes) -> bool:
        """Whether something stands in front that is not the dump's own."""
        return any(found.shift for found in self._cleaned(line))

    def _cleaned(self, line: bytes, example: bytes = b"") -> Iterator[clean.Line]:
        """The line as it is read: without the terminal's codes, and what stands in front."""
        before = example[:MOST_LINE].rstrip(b"\r\n") + b"\n" if example else b""
        text, _ = decode.part(before + line[:MOST_LINE])
        number = 2 if example else 1
        for found in clean.lines_of(text, clean.split(text), Tally(), self.anchor):
            if found.number == number and 0 < len(found.text) <= clean.LONGEST:
                yield found


def known(grammar: str | None = None) -> tuple[Known, ...]:
    """The layouts that dumps are listened for in, those nearest to the user first; or the one that
    is named. Raises registry.LayoutError where that cannot be used; others are left out."""
    if grammar is not None:
        layout = registry.find(grammar)
        told = layout.recognise
        pattern = re.compile(told) if told and not nature(told).hangs else None
        return (Known(layout, pattern, recognition.anchor(layout)),)
    found = []
    for entry, pattern in recognition.patterns([]):
        try:
            layout = registry.load(entry.path)
        except (registry.LayoutError, OSError):
            continue  # told when a dump is read
        found.append(Known(layout, pattern, recognition.anchor(layout)))
    return tuple(found)


def is_blank(data: bytes) -> bool:
    return not data.strip(b" \t\r\n\0")
