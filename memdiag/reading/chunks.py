"""A large text cut in parts of whole lines, each cleaned, and what of them may be quoted."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

from msgspec import Struct, field

from memdiag.model.problems import Problem
from memdiag.reading.account import Account, LineClass
from memdiag.reading.cleaning import clean, decode
from memdiag.reading.cleaning.prefixes import ANCHOR, chain
from memdiag.reading.cleaning.terminal import Tally

BLOCK = 8 << 20
"""Bytes that are read from a file at once."""
MOST_LINE = 1 << 16
"""Characters of a line that are looked at; of a line longer than a block no more are read."""
FIRST_KEPT = 20_000
"""Lines of a dump that are kept from its start on."""
LATER_KEPT = 50_000
"""Lines beyond those that are kept by their numbers."""
CHARACTERS_KEPT = 16 << 20
"""Characters that are kept of one dump."""


class Kept(Struct):
    """Pasted lines by number, within bounds."""

    lines: dict[int, str] = field(default_factory=dict)
    since: int = 1  # the first line that may still be asked for
    later: int = 0
    size: int = 0

    def add(self, number: int, text: str) -> None:
        early = number < self.since + FIRST_KEPT
        if (early or self.later < LATER_KEPT) and self.size < CHARACTERS_KEPT:
            self.lines[number] = text
            self.later += not early
            self.size += len(text)

    def room(self, number: int) -> int:
        """How many more lines from this one on belong to those kept from the start."""
        return max(0, self.since + FIRST_KEPT - number)

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


class KeptWhole(Struct, frozen=True):
    """All lines of a text that is one chunk."""

    lines: tuple[str, ...]

    def between(self, first: int, last: int) -> tuple[tuple[str, ...], Mapping[int, str]]:
        return self.lines[first - 1 : last], {}


class Chunk(Struct, frozen=True):
    """Cleaned lines that follow each other, and the width of the terminal that cut some of them
    (None where none looks cut). `first` is the number of the first pasted line."""

    lines: Sequence[clean.Line]
    width: int | None
    first: int = 1


class Chunks:
    """Cleans a text part by part: UTF-8, without a mark. `anchor` is as in `clean.tidy`."""

    def __init__(self, anchor: re.Pattern[str] = ANCHOR) -> None:
        self.kept = Kept()
        self.next_line = 1
        self.prefixes: tuple[tuple[str, str], ...] = ()
        """What stands in front of the dump's own lines: see `prefixes.chain`."""
        self._anchor = anchor
        self._not_text = decode.NotText()
        self._tally = Tally()
        self._widest = 0  # columns of the widest line so far: only such a line can have been cut
        self._example = ""  # a line of the dump's own: it shows what stands in front

    def next_chunk(self, data: bytes) -> Chunk:
        """The next lines of the text."""
        text, not_text = decode.part(data)
        self._not_text = self._not_text.and_later(not_text, self.next_line - 1)
        pasted = clean.split(text)
        for number, raw in enumerate(pasted, self.next_line):
            self.kept.add(number, raw)
        lines = self._cleaned(text, pasted)
        first, self.next_line = self.next_line, self.next_line + len(pasted)
        width = clean.wrap_width(lines)
        self._widest = max(self._widest, *(line.width for line in lines), 0)
        return Chunk(lines, width if width == self._widest else None, first)

    def skip(self, n: int, start: bytes, widest: int) -> None:
        """The next n lines were read in columns. `start` is the text of those for which there is
        `room`, `widest` the width of the widest."""
        for number, text in enumerate(start.decode("ascii").splitlines(), self.next_line):
            self.kept.add(number, text)
        for kind, _ in self.prefixes:
            self._tally.add(kind, self.next_line, 1, n)
        self._widest = max(self._widest, widest)
        self.next_line += n

    def room(self, n: int) -> int:
        """How many of the next n lines are kept."""
        return min(n, self.kept.room(self.next_line))

    def learn(self, chunk: Chunk, account: Account) -> None:
        """Remember the last line of a chunk that is surely the dump's own, as its account says,
        and what stood in front of it."""
        for extent in reversed(account.latest(4)):
            if extent.line_class in _OWN and extent.last >= chunk.first:
                own = [line for line in chunk.lines if line.number == extent.last]
                if len(own) == 1 and self._anchor.match(own[0].text):
                    self._example = own[0].shown
                    self.prefixes = chain(self._example, len(self._example) - len(own[0].text))
                    return

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What the cleaning of all parts had to say."""
        return (*self._not_text.said(), *clean.said(self._tally))

    def _cleaned(self, text: str, pasted: tuple[str, ...]) -> tuple[clean.Line, ...]:
        """The lines with their numbers in the whole text. What stands in front of a line is judged
        with an example line of the dump before it: a few lines alone tell too little."""
        before = (self._example,) if self._example else ()
        tally = Tally()
        lines = clean.lines_of("\n".join((*before, text)), (*before, *pasted), tally, self._anchor)
        shift = self.next_line - 1 - len(before)
        if tally.counts:
            own = Tally()
            if before:
                clean.lines_of(self._example, before, own, self._anchor)
            for kind, n in tally.counts.items():
                line, column = tally.first[kind]
                if n > own.counts[kind]:
                    line = max(line + shift, self.next_line)
                    self._tally.add(kind, line, column, n - own.counts[kind])
        kept = lines[len([line for line in lines if line.number <= len(before)]) :]
        return tuple(line._replace(number=line.number + shift) for line in kept)


_OWN = (LineClass.HEAD, LineClass.SECTION, LineClass.COLUMNS)


class Readable(Protocol):
    def read(self, size: int, /) -> bytes: ...


# -- cutting ------------------------------------------------------------------------------------


def blocks(file: Readable, size: int = BLOCK) -> Iterator[bytes]:
    """A file in blocks of whole lines of about `size` bytes. A line longer than a block loses its
    end: it is no row, and the reader will say so."""
    rest = b""
    dropping = False
    while True:
        data = file.read(size)
        if not data:
            break
        if dropping:
            end = data.find(b"\n")
            if end < 0:
                continue
            data, dropping = data[end:], False
        data = rest + data if rest else data
        end = before_a_cut_row(data, data.rfind(b"\n") + 1)
        rest = data[end:]
        if len(rest) >= max(size, MOST_LINE):
            rest, dropping = rest[:MOST_LINE], True
        if end:
            yield data[:end]
    if rest:
        yield rest


def after_lines(data: bytes, at: int, n: int) -> int:
    """The place after n more lines."""
    for _ in range(n):
        at = data.find(b"\n", at) + 1
        if at == 0:
            return len(data)
    return at


def after_bytes(data: bytes, at: int, n: int) -> int:
    """The place after the lines that fit in n bytes; after one line at least."""
    return data.rfind(b"\n", at, at + n) + 1 or data.find(b"\n", at) + 1 or len(data)


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
