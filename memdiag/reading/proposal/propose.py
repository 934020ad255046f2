"""A strange dump -> a grammar that reads it, to be corrected by hand.

Lines that are alike become one line rule each, whose parts stand one after the other, so that no
rule can be read in two ways. What is proposed is tried on the dump before it is given out: lines
that it does not read as hoped are skipped instead, and that is said. No rule skips any line
whatever it holds.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence

from msgspec import Struct

from memdiag.layouts import registry
from memdiag.layouts.grammar_compile import compile_pack
from memdiag.layouts.line_rules import RULES
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import stream
from memdiag.reading.account import LineClass
from memdiag.reading.cleaning import clean
from memdiag.reading.proposal.grammar_text import Writer
from memdiag.reading.proposal.sorting import Block, Sorter, by_line, kinds

MOST_BLOCKS = 120
"""Kinds of lines that a grammar is proposed for: no console prints as many."""
MOST_LINES = 100_000
"""Lines that are looked at. Kinds of lines repeat: a part of the dump serves as well."""
_MOST_TRIES = 12
_NOT_READ = frozenset({LineClass.PROBLEM, LineClass.OUTSIDE})


class NoProposal(ValueError):
    """A text that no grammar is proposed for. `problem` says why."""

    def __init__(self, said: Problem) -> None:
        self.problem = said
        super().__init__(said.sentence())


class Proposal(Struct, frozen=True):
    """A grammar; how many kinds of lines it takes for rows, for headings, for lines of the head and
    for nothing; and how many remarks stand in it that are to be looked at."""

    text: str
    rows: int
    headings: int
    heads: int
    skipped: int
    remarks: int


def propose(data: bytes, source: str, words: Vocabulary) -> Proposal:
    """A grammar that reads every line of this text, which comes from the file `source`.

    Raises NoProposal where there is none, bounds.Refused for a text beyond a bound.
    """
    cleaned = clean.tidy(data)
    kept = (line for line in cleaned.lines if line.text.strip() and not line.noise)
    lines = [(line.number, line.text.rstrip()) for line in kept]
    if len(lines) > MOST_LINES:
        raise NoProposal(problem("proposal-too-long", most=f"{MOST_LINES:,}"))
    sorter = Sorter(lines, words)
    wrong: Sequence[int] = ()
    for _ in range(_MOST_TRIES):
        blocks = sorter.blocks()
        _refuse(blocks)
        text = Writer(words).text(source, lines, blocks)
        wrong = _not_read(text, cleaned, blocks, words)
        if not wrong:
            return _counted(text, blocks)
        at = by_line(blocks)
        for block in {id(at[n]): at[n] for n in wrong if n in at}.values():
            sorter.give_up(block)
    raise NoProposal(problem("proposal-unread", Position(wrong[0])))


def _refuse(blocks: Sequence[Block]) -> None:
    if len(blocks) > MOST_BLOCKS:
        raise NoProposal(problem("proposal-too-many", n=len(blocks), most=MOST_BLOCKS))
    if all(kind in ("noise", "context") for kind in kinds(blocks)):
        raise NoProposal(problem("proposal-no-rows"))


def _counted(text: str, blocks: Sequence[Block]) -> Proposal:
    n = Counter(kinds(blocks))
    rows = sum(n[rule] for rule in RULES)
    return Proposal(text, rows, n["context"], n["run_line"], n["noise"], text.count("// LOOK: "))


def _not_read(
    text: str, cleaned: clean.Cleaned, blocks: Sequence[Block], words: Vocabulary
) -> Sequence[int]:
    """The lines that a proposal does not read, in order; where it cannot be used, those of the
    rules that are in the way."""
    try:
        layout = registry.unpack(compile_pack(text, "proposal.lark"), "proposal.lark")
    except registry.LayoutError as wrong:
        numbers = {n for p in wrong.problems for n in _in_the_way(text, p, blocks)}
        return sorted(numbers or {n for block in blocks for n in block.numbers})
    account = stream.read_whole(cleaned, layout, name="-", words=words).account
    return [number for number, taken in account.lines() if taken in _NOT_READ]


def _in_the_way(text: str, said: Problem, blocks: Sequence[Block]) -> Iterator[int]:
    """The lines whose rules, or a name in them, a problem of the grammar speaks of."""
    lines = text.split("\n")
    at = said.position.line if said.position is not None else 0
    name = re.match(r"\w+", lines[at - 1]) if at else None
    if name is None:
        return
    uses = re.compile(rf"\b{name[0]}\b")
    for number, block in enumerate(blocks, 1):
        own = re.compile(rf"(?:r|cell_|result_){number}\b|(?:cell_){number}_")
        if any(own.match(line) and uses.search(line) for line in lines):
            yield from block.numbers
