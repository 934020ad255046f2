"""Lines of a paste put right by hand: the text as it was meant, line for line."""

from __future__ import annotations

from collections.abc import Mapping

from memdiag.reading import sources
from memdiag.reading.cleaning import clean, decode, unpack


def pasted_lines(raw: bytes) -> tuple[str, ...]:
    """The lines of a paste by their numbers in every message: line n is item n - 1.

    Raises Unreadable where it is packed in a way that is not known, or holds too much.
    """
    try:
        with sources.opened(raw, whole=True) as text:
            return clean.split(decode.decode(text.file.read()).text)
    except unpack.TooLarge as beyond:
        raise sources.Unreadable((beyond.problem,)) from None


def corrected(raw: bytes, lines: Mapping[int, str]) -> bytes:
    """The paste with some of its lines replaced, by their 1-based numbers, in UTF-8; every other
    line keeps its number and its text. What is put in place of a line is one line.

    Without corrections the paste itself. Raises Unreadable as `pasted_lines` does.
    """
    if not lines:
        return raw
    found = list(pasted_lines(raw))
    for number, text in lines.items():
        if 1 <= number <= len(found):
            found[number - 1] = " ".join(text.splitlines())
    return "".join(f"{line}\n" for line in found).encode("utf-8", "surrogatepass")
