"""What stands before the first dump of a text, between two, or after the last."""

from __future__ import annotations

import re
from collections.abc import Sequence

from msgspec import Struct, field

from memdiag.model import STEPS, Lost, LostKind, schema
from memdiag.model.problems import Position, Problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.lost_list import LostList
from memdiag.reading.problem_list import ProblemList
from memdiag.reading.section import count

_DESIGNATOR = re.compile(r"[A-Z]{1,3}\d{1,4}")
_MARKS = str.maketrans(dict.fromkeys("|,;:=()[]<>", " "))


class Outside(Struct):
    """Lines that belong to no dump; those between two dumps are told of together. Those that look
    like rows are counted as lost of the dump before them, or of the next where there is none."""

    words: Vocabulary
    _problems: ProblemList = field(default_factory=ProblemList)
    _lost: LostList = field(default_factory=LostList)
    _first: int = 0
    _n: int = 0

    def add_line(self, where: Position, text: str, *, like_a_row: bool) -> None:
        """A line that no rule takes. `like_a_row`: it could be a row of the dump before it."""
        self._first = self._first or where.line
        self._n += 1
        if like_a_row or self._tells_of_failure(text.translate(_MARKS).split()):
            self._problems.add("outside-row", where)
            says = "a line outside of the dump that looks like a row of it"
            self._lost.add((Lost(where, LostKind.LINE, says),))

    def _tells_of_failure(self, words: Sequence[str]) -> bool:
        """Whether a line says that something failed, and what: a console says `error` of much that
        is no memory."""
        named = any(_DESIGNATOR.fullmatch(word) or self._is_of_tables(word) for word in words)
        return named and any(map(self.words.says_failure, words))

    def _is_of_tables(self, word: str) -> bool:
        """Whether it is a training step or the name of a scope."""
        step, column = self.words.meant("step", word), self.words.meant("column", word)
        return (step or word.lower()) in STEPS or (column or word.lower()) in schema.SCOPE

    def add_end(self, where: Position) -> None:
        """An end line, where no dump is open."""
        self._problems.add("stray-end", where)

    def lost(self) -> LostList:
        """What was lost since this was last asked."""
        lost, self._lost = self._lost, LostList()
        return lost

    def dump_begins(self) -> None:
        """The lines so far stand by themselves."""
        if self._n:
            self._problems.add("outside", Position(self._first), lines=count(self._n, "line"))
        self._first = self._n = 0

    def closed(self) -> tuple[Problem, ...]:
        """All there is to say; no more lines follow."""
        self.dump_begins()
        return self._problems.closed()
