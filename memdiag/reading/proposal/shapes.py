"""Lines that are alike: the same pieces, but for values and a few words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from msgspec import Struct, field

from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.converters import ALSO_UNSAID
from memdiag.reading.proposal.pieces import Kind, Piece
from memdiag.reading.row_builder import UNSAID

VALUE, VARYING = "V", "W"
"""How a key writes a value, and a word that differs from line to line; it writes other words with
`w` and marks with `m` in front."""
_MANY_WORDS = 4  # so many words at one place, of lines that are alike otherwise, vary
_MOST_SHAPES = 600  # of so many no layout is made, and to compare them all takes long
_MOST_MERGES = _MOST_SHAPES
_MOST_PLACES = 200  # a longer line is no row, and to leave out each place in turn takes its square
_HEX = re.compile(r"[0-9a-fA-F]{2,}")

Key = tuple[str, ...]


class Shape(Struct):
    """Lines of one key, each with its number from 1 and its pieces."""

    key: Key
    lines: list[tuple[int, str, tuple[Piece, ...]]] = field(default_factory=list)

    def texts(self, at: int) -> list[str]:
        """What stands at a place, in each line."""
        return [found[at].text for _, _, found in self.lines]

    def word(self, at: int) -> str:
        """The word that stands at a place in all lines, "" where none does."""
        return self.key[at][1:] if 0 <= at < len(self.key) and self.key[at][0] == "w" else ""

    def mark(self, at: int) -> str:
        """The same of a mark."""
        return self.key[at][1:] if 0 <= at < len(self.key) and self.key[at][0] == "m" else ""

    def is_value(self, at: int) -> bool:
        return 0 <= at < len(self.key) and self.key[at] == VALUE


def key_of(found: Sequence[Piece]) -> Key:
    """The key of a line."""
    return tuple(VALUE if p.kind is Kind.VALUE else p.kind[0] + p.text for p in found)


def shapes(lines: Sequence[tuple[int, str, tuple[Piece, ...]]], words: Vocabulary) -> list[Shape]:
    """The shapes of these lines, in the order of their first lines."""
    found: dict[Key, Shape] = {}
    for line in lines:
        key = key_of(line[2])
        found.setdefault(key, Shape(key)).lines.append(line)
    for _ in range(_MOST_MERGES if len(found) <= _MOST_SHAPES else 0):
        merged = _merged(found, words) or _filled_in(found)
        if merged is None:
            break
        found = merged
    for shape in found.values():
        shape.lines.sort(key=lambda line: line[0])
    return sorted(found.values(), key=lambda shape: shape.lines[0][0])


def _merged(found: dict[Key, Shape], words: Vocabulary) -> dict[Key, Shape] | None:
    """With the shapes that differ at one place put together there; None where there are none."""
    buckets: dict[tuple[int, Key], list[Key]] = {}
    for key in found:
        for at in _open_places(key, words):
            buckets.setdefault((at, (*key[:at], "", *key[at + 1 :])), []).append(key)
    for (at, rest), keys in buckets.items():
        joint = _joint({key[at] for key in keys}, rest, words) if len(keys) > 1 else None
        if joint is not None:
            key = (*rest[:at], joint, *rest[at + 1 :])
            made = found.pop(key, None) or Shape(key)
            for each in keys:
                if each != key:
                    made.lines += found.pop(each).lines
            return {**found, key: made}
    return None


def _filled_in(found: dict[Key, Shape]) -> dict[Key, Shape] | None:
    """With lines that print a dash for a word or a value put to those that print one; None where
    there are none."""
    for key, shape in found.items():
        empty = [at for at, part in enumerate(key) if part[0] == "w" and is_unsaid(part[1:])]
        for other in found if empty else ():
            if other != key and _agree(key, other, empty):
                words = {at: VARYING for at in empty if other[at] != VALUE}
                joint = tuple(words.get(at, part) for at, part in enumerate(other))
                rest = {k: s for k, s in found.items() if k not in (key, other, joint)}
                lines = [*shape.lines, *found[other].lines]
                lines += found[joint].lines if joint in found and joint != other else []
                return {**rest, joint: Shape(joint, lines)}
    return None


def _agree(key: Key, other: Key, empty: Sequence[int]) -> bool:
    """Whether lines are alike but for places that are `empty` in one of them, where the other has
    words or values."""
    alike = len(key) == len(other) and all(
        at in empty or part == other[at] for at, part in enumerate(key)
    )
    said = any(part[0] == "w" for at, part in enumerate(key) if at not in empty)
    return alike and said and VALUE in other and all(other[at][0] != "m" for at in empty)


def _open_places(key: Key, words: Vocabulary) -> Iterator[int]:
    """The places at which a key may be one of several: values, and words that name no column."""
    if (VALUE not in key and len(key) > 1) or len(key) > _MOST_PLACES:
        return
    for at, part in enumerate(key):
        if (part[0] == "w" and not is_label(key, at, words)) or part[0] in (VALUE, VARYING):
            yield at


def is_label(key: Key, at: int, words: Vocabulary) -> bool:
    """Whether the word at a place names the column of the value behind it or before it."""
    behind = at + 1 + (at + 1 < len(key) and key[at + 1] in ("m:", "m="))
    beside = (behind < len(key) and key[behind] == VALUE) or (at > 0 and key[at - 1] == VALUE)
    word = key[at][1:]
    tells = words.meant("result", word) or words.meant("step", word)
    return beside and words.meant("column", word) is not None and not tells


def is_unsaid(text: str) -> bool:
    """Whether it is what people print where they have no value."""
    return text in UNSAID or text.casefold() in ALSO_UNSAID


def _joint(parts: set[str], rest: Key, words: Vocabulary) -> str | None:
    """What stands at the one place where lines differ; None where they are not alike."""
    texts = [part[1:] for part in parts if part[0] == "w"]
    if VALUE in parts:
        values = all(_HEX.fullmatch(text) or is_unsaid(text) for text in texts)
        return VALUE if texts and VARYING not in parts and values else None
    if VARYING in parts or len(texts) >= _MANY_WORDS:
        return VARYING
    tell = VALUE in rest and any(words.meant("result", text) for text in texts)
    steps = all(words.meant("step", text) for text in texts)
    return VARYING if tell or steps else None
