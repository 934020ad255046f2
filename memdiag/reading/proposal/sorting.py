"""The lines of a strange dump, sorted in blocks: each becomes one rule of the proposal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.layouts.line_rules import RULES
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.proposal.guesses import Guess, guess
from memdiag.reading.proposal.headed import Headed, headed
from memdiag.reading.proposal.pieces import Piece, pieces
from memdiag.reading.proposal.run_lines import RunLine, run_line
from memdiag.reading.proposal.shapes import Key, Shape, shapes


class Heads(Struct, frozen=True):
    """Lines of the run's head that look alike."""

    form: RunLine
    lines: tuple[tuple[int, str], ...]

    @property
    def numbers(self) -> Sequence[int]:
        """The numbers of its lines."""
        return [number for number, _ in self.lines]


Block = Heads | Guess | Headed


class Sorter(Struct):
    """Sorts lines, given with their numbers from 1. What was tried and did not serve is given up:
    a head or a table becomes lines like others, other lines are skipped."""

    lines: Sequence[tuple[int, str]]
    words: Vocabulary
    _given_up: set[RunLine | int | Key] = field(default_factory=set)
    _pieces: dict[int, tuple[Piece, ...]] = field(default_factory=dict)

    def blocks(self) -> list[Block]:
        """The blocks, in the order in which their rules are to be tried: those of skipped lines
        last, and last of all those that skip what follows a first word."""
        heads, rest = self._heads()
        tables = [t for t in headed(rest, self.words) if t.heading[0] not in self._given_up]
        taken = {number for table in tables for number in table.numbers}
        guesses = self._guesses([line for line in rest if line[0] not in taken])
        rows = any(g.rule in RULES for g in guesses) or bool(tables)
        guesses = self._settled(guesses) if rows else list(map(_nothing, guesses))
        return [
            *heads,
            *(g for g in guesses if g.rule != "noise"),
            *tables,
            *(g for g in guesses if g.rule == "noise" and not g.cut),
            *(g for g in guesses if g.cut),
        ]

    def give_up(self, block: Block) -> None:
        """This block was not read as hoped."""
        if isinstance(block, Heads):
            self._given_up.add(block.form)
        elif isinstance(block, Headed):
            self._given_up.add(block.heading[0])
        else:
            self._given_up.add(block.shape.key)

    def _heads(self) -> tuple[list[Heads], list[tuple[int, str]]]:
        found: dict[RunLine, list[tuple[int, str]]] = {}
        rest = []
        for line in self.lines:
            form = run_line(line[1], self.words)
            if form is None or form in self._given_up:
                rest.append(line)
            else:
                found.setdefault(form, []).append(line)
        return [Heads(form, tuple(lines)) for form, lines in found.items()], rest

    def _guesses(self, lines: Sequence[tuple[int, str]]) -> list[Guess]:
        cut = []
        for number, text in lines:
            if number not in self._pieces:
                self._pieces[number] = pieces(text, self.words)
            cut.append((number, text, self._pieces[number]))
        return [self._guess(shape) for shape in shapes(cut, self.words)]

    def _guess(self, shape: Shape) -> Guess:
        found = guess(shape, self.words)
        if shape.key not in self._given_up:
            return found
        looked_like = "" if found.rule == "noise" else f"they looked like a {found.rule}"
        return replace(_nothing(found), cut=True, remark=looked_like and f"skipped: {looked_like}")

    def _settled(self, guesses: list[Guess]) -> list[Guess]:
        """With the step that a row needs, from a heading before it or from a word of its own; lines
        that tell of failure and are skipped are remarked on."""
        found = []
        for each in guesses:
            settled = each
            if each.rule == "training_row" and "step" not in each.columns.values():
                if not step_is_known(each.numbers[0], guesses):
                    at = _standing_word(each)
                    settled = replace(each, step_at=at)
                    if at is None:
                        remark = "no word of them can stand for the step: skipped"
                        settled = replace(_nothing(each), remark=remark)
            elif each.rule == "noise":
                settled = self._flagged(each)
            found.append(settled)
        return found

    def _flagged(self, each: Guess) -> Guess:
        said = {p.text for _, _, found in each.shape.lines for p in found}
        bad = sorted(text for text in said if self.words.says_failure(text))
        if not bad or each.remark:
            return each
        return replace(each, remark=f"skipped, though it says {', '.join(bad)}")


def step_is_known(number: int, blocks: Sequence[Block]) -> bool:
    """Whether a heading before this line names the step."""
    return any(
        each.numbers[0] < number
        for each in blocks
        if isinstance(each, Guess) and each.rule == "context" and "step" in each.columns.values()
    )


def _nothing(each: Guess) -> Guess:
    return replace(each, rule="noise", columns={}, why={}, step_at=None)


def _standing_word(each: Guess) -> int | None:
    """A word that stands in all lines, for the step that none of them names."""
    places = (at for at in range(len(each.shape.key)) if at not in each.columns)
    return next((at for at in places if each.shape.word(at)), None)


def by_line(blocks: Sequence[Block]) -> Mapping[int, Block]:
    """The block of each line."""
    return {number: block for block in blocks for number in block.numbers}


def kinds(blocks: Sequence[Block]) -> Iterator[str]:
    """The line rule of each block."""
    for block in blocks:
        yield "run_line" if isinstance(block, Heads) else block.rule
