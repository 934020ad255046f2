"""The known word that an unknown one is nearest to, and how that is said."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def closest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The nearest known word, as it is known; None where none is near. Case does not matter."""
    names = {name.casefold(): name for name in known}
    near = get_close_matches(word.casefold(), names, n=1, cutoff=cutoff)
    return names[near[0]] if near else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`did you mean 'step'?`, nothing where no known word is near."""
    near = closest(word, known)
    return "" if near is None else f"did you mean {near!r}?"


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean 'step'?`, or the list of known words where none is near."""
    names = tuple(dict.fromkeys(known))
    return did_you_mean(word, names) or "known are " + ", ".join(names)
