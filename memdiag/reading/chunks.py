"""Cleans a text in parts as it streams by, and keeps what of it may be quoted."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from memdiag.model.problems import Problem
from memdiag.reading.account import Fate
from memdiag.reading.cleaning import clean, decode
from memdiag.reading.cleaning.prefixes import ANCHOR, chain
from memdiag.reading.cleaning.terminal import Tally
from memdiag.reading.reader import Reader

MOST_FIRST = 20_000
"""Lines of a dump that are kept from its start on."""
MOST_LATER = 50_000
"""Lines beyond those that are kept by their numbers."""
MOST_CHARACTERS = 16 << 20
"""Characters that are kept of one dump."""


class _Lines(Protocol):
    def between(self, first: int, last: int) -> bytes: ...


@dataclass(slots=True)
class Kept:
    """Pasted lines by number, within bounds."""

    lines: dict[int, str] = field(default_factory=dict)
    since: int = 1  # the first line that may still be asked for
    later: int = 0
    size: int = 0

    def add(self, number: int, text: str) -> None:
        early = number < self.since + MOST_FIRST
        if (early or self.later < MOST_LATER) and self.size < MOST_CHARACTERS:
            self.lines[number] = text
            self.later += not early
            self.size += len(text)

    def room(self, number: int) -> int:
        """How many more lines from this one on belong to those kept from the start."""
        return max(0, self.since + MOST_FIRST - number)

    def between(self, first: int, last: int) -> tuple[tuple[str, ...], Mapping[int, str]]:
        text = []
        for number in range(first, last + 1):
            if number not in self.lines:
                break
            text.append(self.lines[number])
        after = first + len(text)
        later = {n: t for n, t in self.lines.items() if after <= n <= last}
        self.lines = {n: t for n, t in self.lines.items() if n > last}
        self.since, self.later, self.size = last + 1, 0, 0
        return tuple(text), later


class Tidier:
    """Cleans parts of a text and gives them to a reader. `anchor` is as in `clean.tidy`."""

    def __init__(self, anchor: re.Pattern[str] = ANCHOR) -> None:
        self.anchor = anchor
        self.next_line = 1
        self.kept = Kept()
        self._not_text = decode.NotText()
        self.tally = Tally()
        self.widest = 0  # columns of the widest line so far: only such a line can have been cut
        self.prefixes: tuple[tuple[str, str], ...] = ()
        """What stands in front of the dump's own lines: see `prefixes.chain`."""
        self._example = ""  # a line of the dump's own, as pasted: it shows what stands in front

    def read(self, reader: Reader, data: bytes) -> None:
        """Clean these lines and let the reader take them."""
        text = self._decoded(data)
        pasted = clean.split(text)
        for number, raw in enumerate(pasted, self.next_line):
            self.kept.add(number, raw)
        lines = self._cleaned(text, pasted)
        first, self.next_line = self.next_line, self.next_line + len(pasted)
        width = clean.wrap_width(lines)
        self.widest = max(self.widest, *(line.width for line in lines), 0)
        reader.feed(lines, width if width == self.widest else None)
        self._learn(reader, pasted, lines, first)

    def skip(self, n: int, block: _Lines, first: int, widest: int) -> None:
        """Lines were read in columns; some may be kept. `widest` is the width of the widest."""
        room = min(n, self.kept.room(self.next_line))
        if room:
            raw = block.between(first, first + room).decode("ascii", "replace")
            for number, text in enumerate(raw.splitlines(), self.next_line):
                self.kept.add(number, text)
        for kind, _ in self.prefixes:
            self.tally.add(kind, self.next_line, 1, n)
        self.widest = max(self.widest, widest)
        self.next_line += n

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What the decoding of all parts had to say."""
        return self._not_text.said()

    def _decoded(self, data: bytes) -> str:
        if self.next_line == 1:
            data = data.removeprefix(codecs.BOM_UTF8)  # told of with the sample
        text, not_text = decode.part(data)
        self._not_text = self._not_text.and_later(not_text, self.next_line - 1)
        return text

    def _cleaned(self, text: str, pasted: tuple[str, ...]) -> tuple[clean.Line, ...]:
        """The lines with their numbers in the whole text. What stands in front of a line is judged
        with an example line of the dump before it: a few lines alone tell too little."""
        before = (self._example,) if self._example else ()
        tally = Tally()
        lines = clean.lines_of("\n".join((*before, text)), (*before, *pasted), tally, self.anchor)
        shift = self.next_line - 1 - len(before)
        if tally.counts:
            own = Tally()
            if before:
                clean.lines_of(self._example, before, own, self.anchor)
            for kind, n in tally.counts.items():
                line, column = tally.first[kind]
                if n > own.counts[kind]:
                    self.tally.add(
                        kind, max(line + shift, self.next_line), column, n - own.counts[kind]
                    )
        kept = lines[len([line for line in lines if line.number <= len(before)]) :]
        return tuple(line._replace(number=line.number + shift) for line in kept)

    def _learn(
        self, reader: Reader, pasted: tuple[str, ...], lines: tuple[clean.Line, ...], first: int
    ) -> None:
        """Remember the last line that is surely the dump's own, and what stood in front of it."""
        for extent in reversed(reader.account.extents[-4:]):
            if extent.fate in _OWN and extent.last >= first:
                own = [line for line in lines if line.number == extent.last]
                if len(own) == 1 and own[0].at is None and self.anchor.match(own[0].text):
                    self._example = pasted[extent.last - first]
                    self.prefixes = chain(self._example, own[0].shift)
                    return


_OWN = (Fate.HEAD, Fate.SECTION, Fate.COLUMNS)


def after_lines(data: bytes, at: int, n: int) -> int:
    """The place after n more lines."""
    for _ in range(n):
        at = data.find(b"\n", at) + 1
        if at == 0:
            return len(data)
    return at


def with_its_rest(data: bytes, at: int, end: int) -> int:
    """The end of the lines from `at`, moved on past lines as wide as the widest of them: a
    terminal may have cut the last one, and its rest belongs to the same part."""
    widest = max(map(len, data[at:end].splitlines()), default=0)
    for _ in range(clean.MOST_PIECES):
        last = data[data.rfind(b"\n", at, end - 1) + 1 : end] if end > at else b""
        if len(last.rstrip(b"\r\n")) < widest or end >= len(data):
            break
        end = after_lines(data, end, 1)
    return end


def before_a_cut_row(data: bytes, end: int) -> int:
    """The end of the lines, moved back before the last ones if they are as wide as the widest
    near them: what was cut from those has yet to come. `end` where all are that wide."""
    near = data[max(0, end - (64 << 10)) : end].split(b"\n")[1:-1]
    widths = [len(line.rstrip(b"\r")) for line in near]
    widest, back = max(widths, default=0), 0
    for n, width in enumerate(reversed(widths[-clean.MOST_PIECES :]), 1):
        if width < widest:
            return end - back
        back += len(near[-n]) + 1
    return end
