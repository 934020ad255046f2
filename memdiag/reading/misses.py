"""A line that no rule reads: where it stops being understood, and what there is to say of it."""

from __future__ import annotations

from collections.abc import Sequence

from memdiag.layouts.matcher import Miss
from memdiag.model import spelling
from memdiag.reading import converters


def told(text: str, miss: Miss) -> tuple[int, dict[str, str]]:
    """Where a line stops being understood (a column, from 1), and the fields of the problem that
    tells it: what was found there, what was expected, what to do."""
    rest = text[miss.at - 1 :]
    word = rest.split(maxsplit=1)
    at = miss.at + (len(rest) - len(rest.lstrip()) if word else 0)
    found = repr(converters.shorten(word[0])) if word else "the end of the line"
    return at, {"found": found, "expected": _either(miss.expected), "hint": _hint(word, miss)}


def _hint(word: Sequence[str], miss: Miss) -> str:
    literals = [e.strip("'") for e in miss.expected if e.startswith("'")]
    near = spelling.did_you_mean(word[0], literals) if word else ""
    return near or "mend the line, or teach the layout to know it"


def _either(words: Sequence[str]) -> str:
    """`a, b or c`, at most six of them."""
    shown = list(words[:6]) + ([f"{len(words) - 6} more"] if len(words) > 6 else [])
    if not shown:
        return "a line of the layout"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"
