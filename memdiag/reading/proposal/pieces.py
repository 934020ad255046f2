"""A line of a strange dump -> its pieces: words, values (what changes from line to line), marks."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from enum import StrEnum, auto
from itertools import pairwise
from typing import NamedTuple

from memdiag.model.vocabulary import Vocabulary


class Kind(StrEnum):
    """What a piece is."""

    WORD = auto()
    VALUE = auto()
    MARK = auto()


class Piece(NamedTuple):
    """One piece of a line, and the column, from 0, where it begins."""

    kind: Kind
    text: str
    at: int

    @property
    def end(self) -> int:
        return self.at + len(self.text)


UNITS = r"UI|mV|uV|V|ps|ns|taps?|mA|A|mm|K|C|%|[kM]?ohms?|[MG]bit/s|[MG]Hz"
TAPS = "01oOxX_.#*+=~-"
"""What windows of taps, and rulers, are drawn with."""
LEAST_WINDOW = 6
"""So many characters at least."""
SHORT = {"B": "lane", "L": "lane"}
"""Letters that name a column where a number is glued to them, beside the words for columns."""
NUMBER = r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?"
MIXED = r"[A-Za-z0-9_]+(?:[-.][A-Za-z0-9_]+)*"
WORD = r"[A-Za-z_]+(?:[-\/][A-Za-z_]+)*"
ODD = r"[^\x20-\x7e]+"

# A run of one character, or of two, of those that windows are drawn with.
_RUN = rf"(?P<a>[{TAPS}])(?P=a)*+(?:(?P<b>[{TAPS}])(?:(?P=a)|(?P=b))*+)?"
_PIECE = re.compile(
    "|".join(
        (
            r"(?P<hex>0[xX][0-9a-fA-F]+(?!\w))",
            rf"(?P<number>(?<![\w)])[+-]?{NUMBER}(?:{UNITS})?(?![A-Za-z0-9_%]))",
            r"(?P<unsaid>(?<!\S)-{1,3}(?!\S))",
            rf"(?P<run>(?<!\w){_RUN}(?!\w))",
            r"(?P<glued>(?P<label>[A-Za-z]{1,12})[0-9]{1,4}(?![\w.]))",
            rf"(?P<mixed>(?=[A-Za-z_.-]*[0-9]){MIXED})",
            rf"(?P<word>{WORD})",
            rf"(?P<odd>{ODD})",
            r"(?P<mark>(?P<m>[!-~])(?P=m)*+)",
        )
    )
)
_BARE_HEX = re.compile(r"[0-9a-fA-F]{2,}")
_LEAST_WORKING = 2  # in a window of 1 and 0 that does not begin with 0: 1000000 is a number


def pieces(text: str, words: Vocabulary) -> tuple[Piece, ...]:
    """The pieces of a line, in order. Nothing but blanks stands between them."""
    found = [piece for match in _PIECE.finditer(text) for piece in _of(match, words)]
    hexed = [_hex_word(piece, before) for before, piece in pairwise([None, *found])]
    return tuple(_joined(hexed, text, words))


def _of(found: re.Match[str], words: Vocabulary) -> Iterator[Piece]:
    text, at = found.group(), found.start()
    if found["glued"] and (SHORT.get(found["label"]) or words.meant("column", found["label"])):
        label = found["label"]
        yield Piece(Kind.WORD, label, at)
        yield Piece(Kind.VALUE, text[len(label) :], at + len(label))
    elif (
        found["word"]
        or found["unsaid"]
        or (found["run"] and len(text) < LEAST_WINDOW and text[0].isalpha())
    ):
        yield Piece(Kind.WORD, text, at)
    elif found["mark"] or (found["run"] and len(text) < LEAST_WINDOW):
        yield Piece(Kind.MARK, text, at)
    else:
        yield Piece(Kind.VALUE, text, at)


def _hex_word(piece: Piece | None, before: Piece | None) -> Piece:
    """`ff` behind `W=` is a number."""
    assert piece is not None
    behind = before is not None and before.text == "=" and before.end == piece.at
    if behind and piece.kind is Kind.WORD and _BARE_HEX.fullmatch(piece.text):
        return piece._replace(kind=Kind.VALUE)
    return piece


def _joined(found: Sequence[Piece], text: str, words: Vocabulary) -> Iterator[Piece]:
    """Two words that mean one step or result (`read eye`, `not found`) are one piece."""
    skip = False
    for first, second in pairwise([*found, None]):
        assert first is not None
        if skip:
            skip = False
        elif second is not None and _mean_one_thing(first, second, text, words):
            yield Piece(Kind.WORD, text[first.at : second.end], first.at)
            skip = True
        else:
            yield first


def _mean_one_thing(first: Piece, second: Piece, text: str, words: Vocabulary) -> bool:
    if not first.kind is second.kind is Kind.WORD or text[first.end : second.at] != " ":
        return False
    both = text[first.at : second.end]
    return any(words.meant(kind, both) for kind in ("step", "result"))


def is_window(text: str) -> bool:
    """Whether a run can be a window of taps, and no number."""
    if len(text) < LEAST_WINDOW or not set(text) <= set(TAPS) or len(set(text)) > 2:
        return False
    if set(text) <= {"0", "1"}:
        return text[0] == "0" or text.count("1") >= _LEAST_WORKING
    return True
