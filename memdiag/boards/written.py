"""How names, ranges and counts may be written in a profile: `U1-U12`, `0-1`, `from 0, 2 each`.

In text a dash makes a range and a comma parts; in a list each entry stands for itself, so that a
name with a dash in it can be said too.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, TypeVar

from msgspec import Struct

from memdiag.model.patterns import later

T = TypeVar("T")

MOST = 1024
"""Values of one range at most: no board has more packages."""

_DASH = r"[ \t]*[-\u2010-\u2015\u2212][ \t]*"
_NUMBERED = later(rf"(.*?)([0-9]{{1,9}}){_DASH}(.*?)([0-9]{{1,9}})")
_LETTERS = later(rf"([A-Z]){_DASH}([A-Z])|([a-z]){_DASH}([a-z])")
_LAST_NUMBER = later(r"(.*?)([0-9]{1,9})")
_FROM = later(
    r"from[ \t]+(\S+?)[ \t]*,[ \t]*([0-9]{1,9})[ \t]+each"
    r"(?:[ \t]*,[ \t]*([0-9]{1,9})[ \t]+apart)?",
    re.IGNORECASE,
)
_APART = later(r"from[ \t]+(\S+?)[ \t]*,[ \t]*(\S+)[ \t]+apart", re.IGNORECASE)
_LONGEST = 200
"""Characters of a name at most; what is longer is looked at no closer."""


class Unclear(ValueError):
    """A text that cannot be counted out; the text of the error says why."""


class Count(Struct, frozen=True):
    """`from START, EACH each, APART apart`: the values of the n-th, n from 0."""

    start: str
    each: int
    apart: int

    def of(self, n: int) -> list[str]:
        """Raises Unclear where there is nothing to count on with."""
        return [following(self.start, self.apart * n + k) for k in range(self.each)]


def as_name(value: Any) -> Any:
    """A name written as a whole number is that number's text; all else stays as it is."""
    is_number = isinstance(value, int) and not isinstance(value, bool)
    return str(value) if is_number and 0 <= value < 10**9 else value


def as_each_name(value: Any) -> Any:
    """A name, or each of a list of them; text stays text, for it may be a range."""
    return [as_name(each) for each in value] if isinstance(value, list) else as_name(value)


def as_names(value: Any) -> Any:
    """A list of names, where one alone may stand without its list."""
    each = as_each_name(value)
    return [each] if isinstance(each, str) else each


def as_lists_of_names(value: Any) -> Any:
    """As `as_names`; where one entry is a list, each is one."""
    if isinstance(value, list) and any(isinstance(each, list) for each in value):
        return [as_names(each) for each in value]
    return as_names(value)


def as_word(value: Any) -> Any:
    """A word whose case does not matter."""
    return value.strip().casefold() if isinstance(value, str) else value


def as_words(value: Any) -> Any:
    return [as_word(each) for each in value] if isinstance(value, list) else as_word(value)


def as_numbers(value: Any) -> Any:
    """The whole numbers that a text such as `0-1` or `0, 2` stands for, or one number; what cannot
    be read as such stays as it is."""
    if isinstance(value, int) and not isinstance(value, bool):
        return [value]
    if not isinstance(value, str):
        return value
    try:
        return [int(each) for each in listed(value)]
    except ValueError:  # Unclear is one too
        return value


def as_tables(value: Any) -> Any:
    """A list of tables, where one alone may stand without its list."""
    return [value] if isinstance(value, dict) else value


def listed(text: str) -> list[str]:
    """The names of a text, ranges counted out: `U1-U3, U9` is U1, U2, U3, U9. Raises Unclear."""
    found: list[str] = []
    for part in text.split(","):
        if not part.strip():
            raise Unclear("a name is missing beside a comma" if text.strip() else "it is empty")
        found += _range(part.strip())
        if len(found) > MOST:
            raise Unclear(f"it stands for more than {MOST} names")
    return found


def _range(text: str) -> list[str]:
    if len(text) > _LONGEST:
        return [text]
    letters = _LETTERS.fullmatch(text)
    if letters:
        start, end = (ord(each) for each in letters.groups() if each)
        return [chr(each) for each in _from_to(start, end)]
    hit = _NUMBERED.fullmatch(text)
    if hit is None:
        return [text]
    stem, first, again, last = hit.groups()
    if again not in ("", stem):
        raise Unclear(
            f"the two ends of {text} begin differently; a name with a dash in it stands in a list"
        )
    low, high = int(first), int(last)
    if abs(high - low) >= MOST:
        raise Unclear(f"{text} stands for more than {MOST} names")
    width = len(first) if len(first) == len(last) or first.startswith("0") else 0
    return [f"{stem}{each:0{width}}" for each in _from_to(low, high)]


def _from_to(low: int, high: int) -> range:
    """Both ends, downwards too."""
    step = 1 if low <= high else -1
    return range(low, high + step, step)


def following(name: str, by: int) -> str:
    """The name that many places on: a number, a name that ends in one, or a letter. Raises
    Unclear."""
    hit = _LAST_NUMBER.fullmatch(name)
    if hit:
        width = len(hit[2]) if hit[2].startswith("0") else 0
        return f"{hit[1]}{int(hit[2]) + by:0{width}}"
    if len(name) == 1 and name.isascii() and name.isalpha():
        code = ord(name.casefold()) + by
        if code > ord("z"):
            raise Unclear(f"there is no letter {by} places behind {name}")
        return chr(code) if name.islower() else chr(code).upper()
    if by == 0:
        return name
    raise Unclear(f"{name} does not end in a number and is no letter: what follows it?")


def count(text: str) -> Count | None:
    """What `from 0, 2 each` or `from 0, 1 each, 2 apart` says; None of a text that does not begin
    with `from`. Raises Unclear."""
    if not is_count(text):
        return None
    hit = _FROM.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    if hit is None:
        raise Unclear('it is not as in "from 0, 2 each" or "from 0, 1 each, 2 apart"')
    each, apart = int(hit[2]), int(hit[2] if hit[3] is None else hit[3])
    if not (1 <= each <= MOST and apart <= MOST):
        raise Unclear(f"it counts on by more than {MOST}, or by none")
    return Count(hit[1], each, apart)


def is_countable(name: str) -> bool:
    """Whether a name can stand behind `from`."""
    return len(name) <= _LONGEST // 2 and not re.search(r"[\s,]", name)


def is_count(text: str) -> bool:
    return text.strip()[:5].casefold() in ("from ", "from\t")


def steps(text: str) -> tuple[float, float]:
    """Start and step of `from 46, 13 apart`. Raises Unclear."""
    hit = _APART.fullmatch(text.strip()) if len(text) <= _LONGEST else None
    try:
        if hit is not None:
            return float(hit[1]), float(hit[2])
    except ValueError:
        pass
    raise Unclear('it is not as in "from 46, 13 apart"')


def shared(values: Sequence[T], n: int) -> list[T]:
    """As many values as there are sites: each for an equal share of the row, in order. Raises
    Unclear."""
    if not values or n % len(values):
        raise Unclear(
            f"{len(values)} values cannot be shared out evenly to {n} sites"
            if values
            else "the list is empty"
        )
    return [value for value in values for _ in range(n // len(values))]
