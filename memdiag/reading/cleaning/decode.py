"""Bytes of a paste -> text. Nothing is dropped: what is no text stays visible and is reported.

Byte-order marks and the encoding forms are those of the Unicode Standard, section 3.10 (D95 to
D101) and section 23.8 (U+FEFF).
"""

from __future__ import annotations

import re

from msgspec import Struct

from memdiag.model.patterns import later
from memdiag.model.problems import Position, Problem, problem

# The four-byte marks stand first: UTF-32 LE begins with the mark of UTF-16 LE.
_MARKS = (
    (b"\xff\xfe\0\0", "utf-32-le"),
    (b"\0\0\xfe\xff", "utf-32-be"),
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)

_PROBE = 4096  # bytes looked at to tell UTF-16 without a mark, and to tell text from rubbish

# Python's "surrogateescape" parks each byte that is no UTF-8 at U+DC00 + byte; "surrogatepass"
# lets lone halves of UTF-16 pairs through. Neither may leave this module: they cannot be printed.
_PARKED = later("[\ud800-\udfff]")
_PARKED_CSI = later("\udc9b([0-?]*+[ -/]*+[@-~])")
_STRANGE = later("[\x00-\x06\x0e-\x1a\x1c-\x1f\x7f-\x9f\ud800-\udfff]")
_TOO_STRANGE = 0.2
_FEW = 3


class Decoded(Struct, frozen=True):
    """A text with LF or CRLF line ends, the encoding it came in, and what was odd about it."""

    text: str
    encoding: str
    problems: tuple[Problem, ...]
    rubbish: bool = False  # no text at all: what else is odd about it is not worth telling


def decode(data: bytes) -> Decoded:
    """Decode a paste: UTF-8, or UTF-16 or UTF-32 by their mark, or UTF-16 by its zero bytes.

    Bytes that are no text become `\\xNN` (UTF-16 halves `\\uNNNN`), so they stay visible.
    """
    problems: list[Problem] = []
    encoding, body = "utf-8", data
    for mark, name in _MARKS:
        if data.startswith(mark):
            encoding, body = name, data[len(mark) :]
            problems.append(problem("byte-order-mark", Position(1), encoding=_shown(name)))
            break
    else:
        wide = _unmarked_utf16(data)
        if wide is not None:
            encoding = wide
            problems.append(problem("wide-encoding", Position(1), encoding=_shown(wide)))
    text, tail, parked = _text(body, encoding)
    rubbish = _rubbish(text, encoding)
    if "\r" in text and "\n" not in text:
        text = text.replace("\r", "\n")
        if text.count("\n") > 1:
            problems.append(problem("old-line-ends", Position(1)))
    if parked:
        text, found = _visible(text, tail)
        problems.extend(() if rubbish else found.said(encoding))
    return Decoded(text, encoding, (*problems, *rubbish), bool(rubbish))


def _shown(encoding: str) -> str:
    return encoding.upper()


def _unmarked_utf16(data: bytes) -> str | None:
    """Which UTF-16 a text without a mark is in: ASCII text has every other byte zero there."""
    probe = data[: min(_PROBE, len(data) // 2 * 2)]
    pairs = len(probe) // 2
    if pairs < 4:
        return None
    first, second = probe[0::2].count(0) / pairs, probe[1::2].count(0) / pairs
    if second >= 0.7 and first <= 0.05:
        return "utf-16-le"
    if first >= 0.7 and second <= 0.05:
        return "utf-16-be"
    return None


def _text(body: bytes, encoding: str) -> tuple[str, bytes, bool]:
    """The text, bytes at its end that are no whole character, and whether there are either those
    or parked surrogates."""
    try:
        return body.decode(encoding), b"", False
    except UnicodeDecodeError:
        pass
    if encoding == "utf-8":
        return body.decode(encoding, "surrogateescape"), b"", True
    unit = 4 if "32" in encoding else 2
    whole = len(body) // unit * unit
    if unit == 2:
        text = body[:whole].decode(encoding, "surrogatepass")
    else:  # a word above U+10FFFF has no character at all
        text = body[:whole].decode(encoding, "replace")
    return text, body[whole:], True


class NotText(Struct, frozen=True):
    """Bytes that are no text: how many, where the first of them stands, and how it is shown."""

    count: int = 0
    first: Position | None = None
    shown: str = ""

    def said(self, encoding: str = "utf-8") -> tuple[Problem, ...]:
        """The one problem that tells of them; none where there are none."""
        if not self.count:
            return ()
        what = "1 byte is" if self.count == 1 else f"{self.count:,} bytes are"
        return (
            problem(
                "bytes-not-text",
                self.first,
                count=what,
                first=self.shown,
                encoding=_shown(encoding),
            ),
        )

    def and_later(self, more: NotText, lines: int) -> NotText:
        """With those of a part that begins `lines` lines further down."""
        if self.count or more.first is None:
            return NotText(self.count + more.count, self.first, self.shown)
        first = Position(more.first.line + lines, more.first.column)
        return NotText(more.count, first, more.shown)


def part(data: bytes) -> tuple[str, NotText]:
    """A part of a longer text in UTF-8, whole lines without a byte-order mark."""
    text, tail, parked = _text(data, "utf-8")
    return _visible(text, tail) if parked else (text, NotText())


def _visible(text: str, tail: bytes) -> tuple[str, NotText]:
    # An 8-bit control sequence introducer (ECMA-48, 8.3.16) is a lone byte 9B: where the rest
    # of a sequence follows, it is the terminal's, and is cleaned with the others.
    text = _PARKED_CSI.sub("\x9b\\1", text)
    found = _PARKED.search(text)
    at = found.start() if found else len(text)
    line = text.count("\n", 0, at) + 1
    column = at - (text.rfind("\n", 0, at) + 1) + 1
    spelled_tail = "".join(f"\\x{byte:02x}" for byte in tail)
    shown, count = _PARKED.subn(_spell, text)
    count += len(tail)
    if not count:
        return shown, NotText()  # only 8-bit control sequences
    first = _spell(found) if found else spelled_tail[:4]
    return shown + spelled_tail, NotText(count, Position(line, column), first)


def _spell(found: re.Match[str]) -> str:
    code = ord(found.group())
    return f"\\x{code - 0xDC00:02x}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04x}"


def _rubbish(text: str, encoding: str) -> list[Problem]:
    """A program, picture or archive: too much of it is no text, and of its beginning already (a
    serial line at the wrong speed prints rubbish too, but then a dump follows)."""
    share = min(_strange(text[:_PROBE]), _TOO_STRANGE)
    if share == _TOO_STRANGE:
        share = _strange(text)
    if share < _TOO_STRANGE:
        return []
    shown = "all" if share == 1 else f"{share:.0%}"
    return [problem("not-a-text", Position(1), share=shown, encoding=_shown(encoding))]


def _strange(text: str) -> float:
    """The share of a text's characters that are none. Padding NULs of a serial line say nothing
    against it, as long as there is something else."""
    nuls = text.count("\0")
    signs = len(text) - nuls
    if not signs:
        return 1.0 if text else 0.0
    strange = len(_STRANGE.findall(text)) - nuls
    return strange / signs if strange > _FEW else 0.0
