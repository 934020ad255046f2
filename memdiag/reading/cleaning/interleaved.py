"""Signs that a paste is not one capture after another: two at once, or one without its start."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Protocol

from memdiag.model.patterns import later
from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.cleaning.prefixes import PORT

_STARTS = later(r"\s*(bench-dump\s+\d+|\[[a-z-]{1,32}\](?:\s+\d+)?)\s*(?:#.*)?$", re.IGNORECASE)

_LEAST_TAGGED = 6


class _Text(Protocol):
    @property
    def number(self) -> int: ...
    @property
    def text(self) -> str: ...


def interleaved(lines: Sequence[_Text]) -> Iterable[Problem]:
    """Two captures run through each other, by the ports in front or by heads and ends crossed."""
    ports = ((line.number, PORT.match(line.text)) for line in lines)
    tags = [(number, found[1] or found[2]) for number, found in ports if found]
    names = dict.fromkeys(tag for _, tag in tags)
    if len(tags) >= _LEAST_TAGGED and len(names) > 1 and 2 * len(tags) >= _spoken(lines):
        turns = sum(a != b for (_, a), (_, b) in pairwise(tags))
        if turns > len(names):
            first, second = list(names)[:2]
            yield problem(
                "captures-interleaved",
                Position(tags[0][0]),
                sign=f"lines of {first} and {second} take turns",
            )
            return
    open_heads: list[int] = []
    ends = 0
    for line in lines:
        found = _STARTS.match(line.text)
        if not found:
            continue
        word = found[1].lower()
        if word.startswith("bench-dump"):
            open_heads = [*open_heads[-3:], line.number] if not ends else [line.number]
            ends = 0
        elif word.startswith("[end]"):
            ends += 1
            if ends > 1 and len(open_heads) > 1:
                yield problem(
                    "captures-interleaved",
                    Position(open_heads[-1]),
                    sign=f"the dump of line {open_heads[-2]} is still open where another starts, "
                    "and both end after that",
                )
                return


def head_missing(lines: Sequence[_Text]) -> Iterable[Problem]:
    """A section before the first head: the terminal was attached late."""
    for line in lines:
        found = _STARTS.match(line.text)
        if found:
            word = found[1].split()[0].lower()
            if word in (
                "[run]",
                "[training]",
                "[counts]",
                "[errors]",
                "[rails]",
                "[heat]",
                "[values]",
            ):
                yield problem("head-missing", Position(line.number), section=word)
            return


def _spoken(lines: Sequence[_Text]) -> int:
    return sum(1 for line in lines if line.text.strip())
