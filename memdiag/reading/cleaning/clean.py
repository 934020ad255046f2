"""A dirty paste -> its lines, each with the number and the columns of the pasted text.

Cleaned are: byte-order marks and UTF-16, bytes that are no text, NULs, line ends, the terminal's
escape sequences and backspaces, odd blanks, prefixes of logs and shells, and messages of the
operating system between the rows. What was cleaned is said once each, with a count. Characters
that were lost or doubled on the way are never guessed: the reader reports those rows.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import NamedTuple

from msgspec import Struct

from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.cleaning.decode import decode
from memdiag.reading.cleaning.interleaved import head_missing, interleaved
from memdiag.reading.cleaning.prefixes import ANCHOR, MARKED, Piece, strip
from memdiag.reading.cleaning.terminal import DIRT, Tally, shown

_LEAST_WIDTH = 20  # no terminal is narrower
MOST_PIECES = 12  # a row of more screen lines is no row
LONGEST = 10_000
"""Characters in a line at most: no row is as long."""
LONGEST_UNSTEADY = 1_000
"""The same in a layout with patterns that take more time than in proportion to the line."""

# Said once each; the words are for one and for several.
_WORDS = {
    "nul-characters": ("NUL character", "NUL characters"),
    "control-characters": ("control character", "control characters"),
    "escape-sequences": ("escape sequence", "escape sequences"),
    "backspaces": ("backspace", "backspaces"),
    "odd-blanks": ("odd blank", "odd blanks"),
    "overprinted-text": ("piece", "pieces"),
    "rows-in-one-line": ("line", "lines"),
    "time-stamps": ("line", "lines"),
    "log-prefixes": ("line", "lines"),
    "shell-prompts": ("line", "lines"),
    "command-lines": ("line", "lines"),
    "kernel-messages": ("message", "messages"),
}
COUNTED = frozenset(_WORDS)
"""The codes of problems that say what was cleaned, with its count."""


class Line(NamedTuple):
    """A line to read. `number` is its 1-based line in the pasted text, `text` what is left of it,
    `raw` the pasted line (decoded, without its line end), `shift` the columns cut in front.

    Where `noise` names a kind of noise, `text` is empty. `took` is how many pasted lines a
    rejoined row took, from `number` on. `width` is the columns a terminal needed for the line.
    """

    number: int
    text: str
    raw: str
    shift: int = 0
    noise: str = ""
    took: int = 1
    width: int = 0
    at: Sequence[int] | None = None

    def column(self, column: int) -> int:
        """The column in the pasted line of a 1-based column of `text`. In a rejoined row,
        columns run on over the pasted lines it took."""
        if self.at is None:
            return column + self.shift
        index = column - 1 + len(self.at) - len(self.text)
        if not len(self.at):
            return 1
        return self.at[max(0, min(index, len(self.at) - 1))] + 1 + max(0, index - len(self.at) + 1)

    def position(self, column: int = 1) -> Position:
        return Position(self.number, self.column(column))

    @property
    def shown(self) -> str:
        """The pasted line as a terminal shows it: its prefixes, and `text` behind them."""
        return self.raw if self.at is None else "".join(self.raw[i] for i in self.at)


class Cleaned(Struct, frozen=True):
    """A paste, cleaned. `lines` are in order; a pasted line that held several rows (lone carriage
    returns) gives several lines of one number. `pasted[n - 1]` is pasted line n.

    `wrap_width` is the terminal's width where lines look cut at it, else None.
    """

    lines: tuple[Line, ...]
    pasted: tuple[str, ...]
    problems: tuple[Problem, ...]
    encoding: str
    wrap_width: int | None = None


def plain(data: bytes) -> bool:
    """True where `data` is ASCII with LF or CRLF line ends and no other control character than
    tabs: then only prefixes could need cleaning. Cheap: about a nanosecond a byte."""
    left = data.translate(None, _PLAIN)
    return not left or (left.count(b"\r") == len(left) == data.count(b"\r\n"))


_PLAIN = bytes([9, 10, *range(32, 127)])


def tidy(data: bytes, anchor: re.Pattern[str] = ANCHOR) -> Cleaned:
    """Clean a paste. `anchor` matches whole lines that are the dump's own beyond doubt (head,
    section or end); prefixes are judged by them.

    Linear in time and memory whatever the input. Raises nothing.
    """
    decoded = decode(data)
    pasted = split(decoded.text)
    tally = Tally()
    lines = lines_of(decoded.text, pasted, tally, anchor)
    problems = [
        *decoded.problems,
        *(() if decoded.rubbish else said(tally)),
        *interleaved(lines),
        *head_missing(lines),
    ]
    return Cleaned(lines, pasted, tuple(problems), decoded.encoding, wrap_width(lines))


def lines_of(
    text: str, pasted: Sequence[str], tally: Tally, anchor: re.Pattern[str] = ANCHOR
) -> tuple[Line, ...]:
    """The cleaned lines of a text, or of a part of one; what was met is added to `tally`.
    `pasted` are the lines of `text`."""
    dirty = bool(DIRT.search(text.replace("\r\n", "\n")))
    if dirty or any(map(MARKED.match, pasted)):
        return _clean_lines(pasted, tally, anchor)
    tabs = "\t" in text
    return tuple(
        Line(
            i,
            raw.replace("\t", " ") if tabs else raw,
            raw,
            0,
            "",
            1,
            len(raw.expandtabs()) if tabs else len(raw),
        )
        for i, raw in enumerate(pasted, 1)
    )


def said(tally: Tally) -> tuple[Problem, ...]:
    """What was cleaned, once each with its count."""
    return tuple(_said(kind, tally) for kind in _WORDS if tally.counts[kind])


def split(text: str) -> tuple[str, ...]:
    """The pasted lines of a text, without their line ends."""
    lines = text.split("\n")
    if lines and not lines[-1]:
        lines.pop()
    if "\r" in text:
        # CR LF, CR CR LF and LF CR are all line ends that somebody's terminal makes.
        lines = [line.strip("\r") for line in lines]
    return tuple(lines)


def _said(kind: str, tally: Tally) -> Problem:
    n = tally.counts[kind]
    return problem(kind, Position(*tally.first[kind]), count=f"{n:,} {_WORDS[kind][n > 1]}")


def _clean_lines(pasted: Sequence[str], tally: Tally, anchor: re.Pattern[str]) -> tuple[Line, ...]:
    pieces: list[Piece] = []
    origins: list[Sequence[int] | None] = []
    for number, raw in enumerate(pasted, 1):
        if not DIRT.search(raw):
            pieces.append(Piece(number, raw))
            origins.append(None)
            continue
        for part in shown(raw, number, tally):
            noise = "overprinted-text" if part.printed_over else ""
            pieces.append(Piece(number, part.text, 0, noise))
            origins.append(part.at)
    strip(pieces, tally, anchor)
    return tuple(
        _line(piece, pasted[piece.number - 1], at)
        for piece, at in zip(pieces, origins, strict=True)
    )


def _line(piece: Piece, raw: str, at: Sequence[int] | None) -> Line:
    width = len(piece.text.expandtabs())
    shift = piece.cut
    if at is not None and len(at):
        shift = at[min(piece.cut, len(at) - 1)]
    text = piece.rest.replace("\t", " ")
    at = None if at is None or piece.noise else at[: len(piece.text)]
    return Line(piece.number, text, raw, shift, piece.noise, 1, width, at)


def wrap_width(lines: Sequence[Line]) -> int | None:
    """The width of a terminal that cut lines: no line is wider, and one that wide goes on."""
    widest = max((line.width for line in lines), default=0)
    if widest < _LEAST_WIDTH:
        return None
    for line, following in pairwise(lines):
        if line.width == widest and following.width > 0 and following.text.strip():
            return widest
    return None


def rejoin(
    lines: Sequence[Line],
    width: int,
    fits: Callable[[str], bool],
    start: int = 0,
    stands: Callable[[str], bool] = lambda text: False,
) -> Line | None:
    """The line that begins at `lines[start]` and was cut at `width` columns, put together again:
    the longest one for which `fits` is true, else None.

    `fits` says whether a text is a whole line: a row with as many cells as the header, each of
    its kind. `stands` says whether a line is whole by itself: none is added to what fits. Only
    full lines are gone on from, so nothing is joined that a terminal had not parted.
    """
    text, best = "", None
    for took, line in enumerate(lines[start : start + MOST_PIECES], 1):
        if line.noise or (took > 1 and line.shift) or (best and stands(line.text)):
            break
        text += line.text
        if took > 1 and len(text) > LONGEST:
            break
        if took > 1 and fits(text):
            best = lines[start]._replace(text=text, took=took, at=None)
        if line.width != width:
            break
    return best


def rejoined(rows: Sequence[Line], width: int) -> tuple[Problem, ...]:
    """The one problem that says which rows were put together."""
    if not rows:
        return ()
    n = len(rows)
    first = Position(rows[0].number)
    return (problem("rows-rejoined", first, count=f"{n:,} row{'s' if n > 1 else ''}", width=width),)
