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


def one_off(word: str, known: Iterable[str]) -> str | None:
    """The only known word that is one letter away: one put in, left out, changed, or two of them
    exchanged. None where there is none, or several. Case does not matter."""
    folded = word.casefold()
    near = [name for name in dict.fromkeys(known) if _is_one_off(folded, name.casefold())]
    return near[0] if len(near) == 1 else None


def _is_one_off(a: str, b: str) -> bool:
    if abs(len(a) - len(b)) > 1 or a == b:
        return False
    same = 0
    while same < min(len(a), len(b)) and a[same] == b[same]:
        same += 1
    a, b = a[same:], b[same:]
    return a[1:] == b[1:] or a[1:] == b or a == b[1:] or (a[:2] == b[1::-1] and a[2:] == b[2:])
