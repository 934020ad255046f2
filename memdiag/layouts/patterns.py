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
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

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


class Nature(Struct, frozen=True):
    """What a pattern can match.

    `first`: characters its match can begin with. `alphabet`: those it can hold. `nullable`: it can
    match nothing at all. `sure`: whether each next character leaves one way to go on, and the
    longer way is tried first. `hangs`: two ways to go on inside a repeat without a bound, which
    can take exponential time, or several such places after each other, or a part that depends on
    what another one matched. `steady`: at most one such place at a repeat without a bound, so
    that a match takes time in proportion to the text. `opaque`: it looks around
    itself or back, so that what it matches depends on more than its own text. `never`: nothing
    matches it.
    """

    first: frozenset[int]
    alphabet: frozenset[int]
    nullable: bool
    sure: bool
    hangs: bool
    steady: bool
    opaque: bool
    never: bool


@lru_cache(maxsize=1024)
def nature(pattern: str) -> Nature:
    """The nature of a pattern. Raises re.error where it is none."""
    tree = _parser.parse(pattern)
    walk = _Walk()
    flags = tree.state.flags
    part = walk.sequence(tree, _Stand(_NONE, bool(flags & re.IGNORECASE), bool(flags & re.DOTALL)))
    return Nature(
        part.first,
        part.alphabet,
        part.nullable,
        walk.sure and not walk.opaque,
        walk.hangs,
        walk.stretches <= 1 and not walk.hangs,
        walk.opaque,
        part.never,
    )


class _Stand(Struct, frozen=True):
    """Where a piece of a pattern stands. `follow`: characters that may come after it within the
    pattern; `fold`, `dotall`: the flags in force; `loops`: how many repeats without a bound it
    stands in; `times`: how often the others that it stands in may go round, all together."""

    follow: frozenset[int]
    fold: bool
    dotall: bool
    loops: int = 0
    times: int = 1


class _Part(Struct, frozen=True):
    first: frozenset[int]
    alphabet: frozenset[int]
    nullable: bool
    never: bool = False


_EMPTY = _Part(_NONE, _NONE, True)
_NEVER = _Part(_NONE, _NONE, False, True)


class _Walk:
    """Goes through a parsed pattern from right to left: what may follow a piece is known before
    the piece is looked at."""

    def __init__(self, probed: dict[int, _Part] | None = None) -> None:
        self.sure = True
        self.hangs = False
        self.opaque = False
        self.clashes = 0
        self.stretches = 0  # those of repeats without a bound
        self._probed: dict[int, _Part] = {} if probed is None else probed

    def sequence(self, items: Iterable[Any], at: _Stand) -> _Part:
        whole = _EMPTY
        for op, value in reversed(list(items)):
            after = whole.first | at.follow if whole.nullable else whole.first
            part = _READ.get(op, _Walk._beyond)(self, op, value, replace(at, follow=after))
            whole = _Part(
                part.first | whole.first if part.nullable else part.first,
                part.alphabet | whole.alphabet,
                part.nullable and whole.nullable,
                part.never or whole.never,
            )
        return whole

    def _clash(self, one: frozenset[int], two: frozenset[int], at: _Stand) -> None:
        if one & two:
            self.sure = False
            self.clashes += at.times
            if at.loops or self.clashes > _MOST_CLASHES:
                self.hangs = True

    def _character(self, op: Any, value: Any, at: _Stand) -> _Part:
        chars = _chars(op, value, at.fold, at.dotall)
        return _Part(chars, chars, False, not chars)

    def _group(self, op: Any, value: Any, at: _Stand) -> _Part:
        _, more, less, inner = value
        fold = (at.fold or bool(more & re.IGNORECASE)) and not less & re.IGNORECASE
        dotall = (at.dotall or bool(more & re.DOTALL)) and not less & re.DOTALL
        return self.sequence(inner, replace(at, fold=fold, dotall=dotall))

    def _atomic(self, op: Any, value: Any, at: _Stand) -> _Part:
        self.sure = False
        return self.sequence(value, at)

    def _failure(self, op: Any, value: Any, at: _Stand) -> _Part:
        return _NEVER

    def _beyond(self, op: Any, value: Any, at: _Stand) -> _Part:
        """Anchors, looks around, back-references: what they match is more than their own text."""
        self.opaque = True
        if op in (sre.GROUPREF, sre.GROUPREF_EXISTS):
            self.hangs = True  # no automaton can follow it, and no bound to its time is known
            return _Part(ALL, ALL, True)
        if op is sre.ASSERT_NOT and not list(value[1]):
            return _NEVER  # (?!) forbids everything
        if op in (sre.ASSERT, sre.ASSERT_NOT):
            self.sequence(value[1], replace(at, follow=_NONE))
        return _EMPTY

    def _branch(self, op: Any, value: Any, at: _Stand) -> _Part:
        parts = [self.sequence(way, at) for way in value[1]]
        seen: frozenset[int] = _NONE
        for index, part in enumerate(parts):
            self._clash(seen, part.first, at)
            seen |= part.first
            if part.nullable and index < len(parts) - 1:
                self.sure = False  # nothing at all is tried before something
        if any(part.nullable for part in parts):
            self._clash(seen, at.follow, at)
        if sum(part.nullable for part in parts) > 1:
            # Two ways to match nothing: so `(a|a)*` reads, its parser having put the a in front.
            self._clash(ALL, ALL, at)
        live = [part for part in parts if not part.never]
        return _Part(
            frozenset().union(*(p.first for p in live)),
            frozenset().union(*(p.alphabet for p in live)),
            any(p.nullable for p in live),
            not live,
        )

    def _repeat(self, op: Any, value: Any, at: _Stand) -> _Part:
        least, most, inner = value
        endless = most is sre.MAXREPEAT or most * at.times >= _MANY
        again = at.follow
        if most is sre.MAXREPEAT or most > 1:
            again |= self._probe(inner, at).first
        inside = 0 if op is sre.POSSESSIVE_REPEAT else at.loops + endless
        times = at.times if endless else at.times * max(1, most)
        part = self.sequence(inner, replace(at, follow=again, loops=inside, times=times))
        if op is not sre.MAX_REPEAT:
            self.sure = False
        if most is sre.MAXREPEAT or most != least:
            self._clash(part.first, at.follow, at)
            self.stretches += at.times * (endless and bool(part.first & at.follow))
        if part.nullable and (most is sre.MAXREPEAT or most > 1):
            self.sure = False
            self.hangs = self.hangs or (endless and bool(at.loops))
        if least == 0:
            return _Part(part.first, part.alphabet, True)
        return _Part(part.first, part.alphabet, part.nullable, part.never)

    def _probe(self, inner: Any, at: _Stand) -> _Part:
        """What the body of a repeat can begin with, found once."""
        found = self._probed.get(id(inner))
        if found is None:
            alone = _Stand(_NONE, at.fold, at.dotall)
            found = self._probed[id(inner)] = _Walk(self._probed).sequence(inner, alone)
        return found


_READ = {
    **dict.fromkeys((sre.LITERAL, sre.NOT_LITERAL, sre.IN, sre.ANY), _Walk._character),
    **dict.fromkeys((sre.MAX_REPEAT, sre.MIN_REPEAT, sre.POSSESSIVE_REPEAT), _Walk._repeat),
    sre.SUBPATTERN: _Walk._group,
    sre.ATOMIC_GROUP: _Walk._atomic,
    sre.BRANCH: _Walk._branch,
    sre.FAILURE: _Walk._failure,
}
"""What reads each kind of piece; the others look beyond their own text."""


def _chars(op: Any, value: Any, fold: bool, dotall: bool) -> frozenset[int]:
    """The characters that a dot, a single character or a class stands for."""
    if op is sre.ANY:
        return ALL if dotall else ALL - {10}
    items = value if op is sre.IN else [(sre.LITERAL, value)]
    found: set[int] = set().union(*(_members(kind, arg) for kind, arg in items))
    if fold:
        found = _folded(found)
    if op is not sre.NOT_LITERAL and (sre.NEGATE, None) not in items:
        return frozenset(found)
    kinds = {_CATEGORY[arg] for kind, arg in items if kind is sre.CATEGORY}
    if any(kind.swapcase() in kinds for kind in kinds):
        return _NONE  # neither a digit nor no digit
    return ALL - found | {OTHER}


def _members(kind: Any, arg: Any) -> set[int]:
    """The characters of one entry of a class."""
    if kind is sre.LITERAL:
        return {min(arg, OTHER)}
    if kind is sre.RANGE:
        return set(range(min(arg[0], OTHER), min(arg[1], OTHER) + 1))
    if kind is sre.CATEGORY:
        matches = re.compile(_CATEGORY[arg]).match
        return {OTHER, *(c for c in range(OTHER) if matches(chr(c)))}
    return set()


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
