"""What a regular expression can match, found by looking at it and not by running it.

Two questions are asked of the patterns in a layout grammar. Could one make a backtracking matcher
(Python's) run for ever? And is a text that the whole pattern matches also what the matcher takes
when more text follows, so that a row may be cut in cells first and looked at afterwards?

The answer to both follows from which characters can come next at each point: where every way on
begins with other characters ("deterministic", as Brueggemann-Klein and Wood 1998 call such
expressions one-unambiguous), a matcher never has to go back. Only ASCII is told apart; all other
characters are one, `OTHER`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from re import _constants as sre  # isort: skip
from re import _parser  # isort: skip

OTHER = 128
ALL = frozenset(range(OTHER + 1))
_NONE: frozenset[int] = frozenset()
_MOST_CLASHES = 2  # n of them cost the n-th power of a line's length
_MANY = 8  # a repeat that may go round so often counts as one without a bound

_CATEGORY = {
    sre.CATEGORY_DIGIT: r"\d",
    sre.CATEGORY_NOT_DIGIT: r"\D",
    sre.CATEGORY_SPACE: r"\s",
    sre.CATEGORY_NOT_SPACE: r"\S",
    sre.CATEGORY_WORD: r"\w",
    sre.CATEGORY_NOT_WORD: r"\W",
}


@dataclass(frozen=True, slots=True)
class Nature:
    """What a pattern can match.

    `first`: characters its match can begin with. `alphabet`: those it can hold. `nullable`: it can
    match nothing at all. `sure`: whether each next character leaves one way to go on, and the
    longer way is tried first. `hangs`: two ways to go on inside a repeat without a bound, which
    can take exponential time, or several such places after each other. `opaque`: it looks around
    itself or back, so that what it matches depends on more than its own text. `never`: nothing
    matches it.
    """

    first: frozenset[int]
    alphabet: frozenset[int]
    nullable: bool
    sure: bool
    hangs: bool
    opaque: bool
    never: bool


@lru_cache(maxsize=1024)
def nature(pattern: str) -> Nature:
    """The nature of a pattern. Raises re.error where it is none."""
    tree = _parser.parse(pattern)
    walk = _Walk()
    folded = bool(tree.state.flags & re.IGNORECASE)
    part = walk.sequence(list(tree), _NONE, folded, bool(tree.state.flags & re.DOTALL), 0)
    return Nature(
        part.first,
        part.alphabet,
        part.nullable,
        walk.sure and not walk.opaque,
        walk.hangs,
        walk.opaque,
        part.never,
    )


@dataclass(frozen=True, slots=True)
class _Part:
    first: frozenset[int]
    alphabet: frozenset[int]
    nullable: bool
    never: bool = False


_EMPTY = _Part(_NONE, _NONE, True)


class _Walk:
    """Goes through a parsed pattern from right to left: what may follow a piece is known before
    the piece is looked at."""

    def __init__(self, probed: dict[int, _Part] | None = None) -> None:
        self.sure = True
        self.hangs = False
        self.opaque = False
        self.clashes = 0
        self._probed: dict[int, _Part] = {} if probed is None else probed

    def sequence(
        self, items: Sequence[Any], follow: frozenset[int], fold: bool, dotall: bool, loops: int
    ) -> _Part:
        """`follow`: characters that may come after the sequence within the pattern; `loops`: how
        many repeats without a bound it stands in."""
        whole = _EMPTY
        for item in reversed(items):
            after = whole.first | follow if whole.nullable else whole.first
            part = self._item(item, after, fold, dotall, loops)
            whole = _Part(
                part.first | whole.first if part.nullable else part.first,
                part.alphabet | whole.alphabet,
                part.nullable and whole.nullable,
                part.never or whole.never,
            )
        return whole

    def _clash(self, one: frozenset[int], two: frozenset[int], loops: int) -> None:
        if one & two:
            self.sure = False
            self.clashes += 1
            if loops or self.clashes > _MOST_CLASHES:
                self.hangs = True

    def _item(
        self, item: Any, follow: frozenset[int], fold: bool, dotall: bool, loops: int
    ) -> _Part:
        op, value = item
        if op in (sre.LITERAL, sre.NOT_LITERAL, sre.IN, sre.ANY):
            chars = _chars(op, value, fold, dotall)
            return _Part(chars, chars, False, not chars)
        if op is sre.SUBPATTERN:
            _, more, less, inner = value
            fold = (fold or bool(more & re.IGNORECASE)) and not less & re.IGNORECASE
            dotall = (dotall or bool(more & re.DOTALL)) and not less & re.DOTALL
            return self.sequence(list(inner), follow, fold, dotall, loops)
        if op is sre.ATOMIC_GROUP:
            self.sure = False
            return self.sequence(list(value), follow, fold, dotall, loops)
        if op is sre.BRANCH:
            return self._branch(value[1], follow, fold, dotall, loops)
        if op in (sre.MAX_REPEAT, sre.MIN_REPEAT, sre.POSSESSIVE_REPEAT):
            return self._repeat(item, follow, fold, dotall, loops)
        if op is sre.FAILURE:
            return _Part(_NONE, _NONE, False, True)
        # Anchors, looks around, back-references: what they match is more than their own text.
        self.opaque = True
        if op is sre.GROUPREF:
            return _Part(ALL, ALL, True)
        if op is sre.ASSERT_NOT and not list(value[1]):
            return _Part(_NONE, _NONE, False, True)  # (?!) forbids everything
        if op in (sre.ASSERT, sre.ASSERT_NOT):
            self.sequence(list(value[1]), _NONE, fold, dotall, loops)
        return _EMPTY

    def _branch(
        self, ways: Sequence[Any], follow: frozenset[int], fold: bool, dotall: bool, loops: int
    ) -> _Part:
        parts = [self.sequence(list(way), follow, fold, dotall, loops) for way in ways]
        seen: frozenset[int] = _NONE
        for index, part in enumerate(parts):
            self._clash(seen, part.first, loops)
            seen |= part.first
            if part.nullable and index < len(parts) - 1:
                self.sure = False  # nothing at all is tried before something
        if any(part.nullable for part in parts):
            self._clash(seen, follow, loops)
        if sum(part.nullable for part in parts) > 1:
            # Two ways to match nothing: so `(a|a)*` reads, its parser having put the a in front.
            self._clash(ALL, ALL, loops)
        live = [part for part in parts if not part.never]
        return _Part(
            frozenset().union(*(p.first for p in live)),
            frozenset().union(*(p.alphabet for p in live)),
            any(p.nullable for p in live),
            not live,
        )

    def _repeat(
        self, item: Any, follow: frozenset[int], fold: bool, dotall: bool, loops: int
    ) -> _Part:
        op, (least, most, inner) = item
        endless = most is sre.MAXREPEAT or most >= _MANY
        probe = self._probe(inner, fold, dotall)
        again = follow | probe.first if most is sre.MAXREPEAT or most > 1 else follow
        inside = 0 if op is sre.POSSESSIVE_REPEAT else loops + endless
        part = self.sequence(list(inner), again, fold, dotall, inside)
        if op is not sre.MAX_REPEAT:
            self.sure = False
        if most is sre.MAXREPEAT or most != least:
            self._clash(part.first, follow, loops)
        if part.nullable and (most is sre.MAXREPEAT or most > 1):
            self.sure = False
            self.hangs = self.hangs or (endless and bool(loops))
        if least == 0:
            return _Part(part.first, part.alphabet, True)
        return _Part(part.first, part.alphabet, part.nullable, part.never)

    def _probe(self, inner: Any, fold: bool, dotall: bool) -> _Part:
        """What the body of a repeat can begin with, found once."""
        found = self._probed.get(id(inner))
        if found is None:
            found = _Walk(self._probed).sequence(list(inner), _NONE, fold, dotall, 0)
            self._probed[id(inner)] = found
        return found


def _chars(op: Any, value: Any, fold: bool, dotall: bool) -> frozenset[int]:
    if op is sre.ANY:
        return ALL if dotall else ALL - {10}
    if op is sre.LITERAL:
        found = {min(value, OTHER)}
    elif op is sre.NOT_LITERAL:
        found = set(ALL)
        if value < OTHER:
            found -= _folded({value}) if fold else {value}
        return frozenset(found)
    else:
        found, inverted, kinds = set(), False, set()
        for kind, arg in value:
            if kind is sre.NEGATE:
                inverted = True
            elif kind is sre.LITERAL:
                found.add(min(arg, OTHER))
            elif kind is sre.RANGE:
                found.update(range(arg[0], min(arg[1], OTHER - 1) + 1))
                if arg[1] >= OTHER:
                    found.add(OTHER)
            elif kind is sre.CATEGORY:
                kinds.add(_CATEGORY[arg])
                matches = re.compile(_CATEGORY[arg]).match
                found.update(c for c in range(OTHER) if matches(chr(c)))
                found.add(OTHER)
        if fold:
            found = _folded(found)
        if inverted and any(kind.swapcase() in kinds for kind in kinds):
            return _NONE  # neither a digit nor no digit
        return frozenset(ALL - found | {OTHER}) if inverted else frozenset(found)
    return frozenset(_folded(found) if fold else found)


def _folded(chars: set[int]) -> set[int]:
    """With both cases of every letter."""
    return chars | {ord(chr(c).swapcase()) for c in chars if c < OTHER}


PROBES = (
    "a b",
    "x # y",
    "0x1f [end]",
    "# - = ~",
    "U3: 0.4UI, ok",
    "(x) <y> {z} |",
    "?! ;\"'\\ /",
    "zZ9_@%&*+^$`",
)
"""Lines so unlike each other that what matches them all matches everything."""


def takes_everything(pattern: str) -> bool:
    """Whether the pattern matches any line as a whole."""
    whole = re.compile(pattern)
    return all(whole.fullmatch(line) for line in PROBES)


def simple(pattern: str) -> tuple[frozenset[int], ...] | None:
    """For a pattern of single characters and then a class any number of times (`0x[0-9a-f]+`,
    `[A-Z]\\w*`): the characters each place can hold, the last set for all further places. None
    for other patterns."""
    items: list[Any] = list(_parser.parse(pattern))
    while len(items) == 1 and items[0][0] is sre.SUBPATTERN and not any(items[0][1][1:3]):
        items = list(items[0][1][3])
    if not items or items[-1][0] is not sre.MAX_REPEAT:
        return None
    least, most, inner = items[-1][1]
    rest = _one_class(list(inner))
    places = [_one_class([item]) for item in items[:-1]] + [rest] * least
    if most is not sre.MAXREPEAT or rest is None or not places or None in places:
        return None
    return (*(p for p in places if p is not None), rest)


def _one_class(items: Sequence[Any]) -> frozenset[int] | None:
    if len(items) != 1 or items[0][0] not in (sre.LITERAL, sre.NOT_LITERAL, sre.IN):
        return None
    return _chars(items[0][0], items[0][1], False, False)
