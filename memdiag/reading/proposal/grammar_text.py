"""A proposal as the text of a grammar, with a word on each guess."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.proposal.guesses import Guess
from memdiag.reading.proposal.headed import Headed
from memdiag.reading.proposal.pieces import TAPS
from memdiag.reading.proposal.shapes import is_unsaid
from memdiag.reading.proposal.sorting import Block, Heads, step_is_known
from memdiag.reading.proposal.terminals import ANYTHING, Terminals, literal, pattern

_LONGEST_NOISE = 6
"""Pieces of a line that is skipped, as far as they are written out."""
_SHOWN = 76  # characters of a line of the dump in a comment
_LONGEST_REMARK = 300


class Writer:
    """Writes one grammar: rules first, then the names they use."""

    def __init__(self, words: Vocabulary) -> None:
        self._names = Terminals(words)
        self._words = words
        self._helpers: list[str] = []

    def text(self, source: str, lines: Sequence[tuple[int, str]], blocks: Sequence[Block]) -> str:
        """The grammar of these blocks. `lines` are those of the dump, which comes from the file
        `source`."""
        out = [*_head(source, lines), ""]
        for number, block in enumerate(blocks, 1):
            out += [*self._block(number, block, blocks), ""]
        for part in ([*self._names.rules(), *self._helpers], list(self._names.definitions())):
            out += [*part, ""] if part else []
        return "\n".join([*out, "%ignore /[ \\t]+/", ""])

    def _block(self, number: int, block: Block, blocks: Sequence[Block]) -> list[str]:
        if isinstance(block, Heads):
            return self._run_line(number, block)
        if isinstance(block, Guess):
            return self._rule(number, block)
        return self._table(number, block, known=step_is_known(block.heading[0], blocks))

    def _run_line(self, number: int, block: Heads) -> list[str]:
        form = block.form
        parts = [literal(form.marks)] if form.marks else []
        for at, key in enumerate(form.keys, 1):
            value = r"[^\s]+" if at < len(form.keys) else ANYTHING
            sign = [literal(form.sign)] if form.sign else []
            parts += [literal(key), *sign, self._names.named(key.upper(), value)]
        out = _comment(_where(block.numbers), block.lines[0][1])
        return [*out, f"r{number}: {' '.join(parts)} -> run_line"]

    # -- lines of pieces ------------------------------------------------------------------------

    def _rule(self, number: int, guess: Guess) -> list[str]:
        """The comments and the rule of a guess."""
        shape = guess.shape
        out = _comment(_where(guess.numbers), shape.lines[0][1])
        for at in sorted(guess.columns):
            out.append(f"//   {guess.columns[at].upper():<9} {guess.why[at]}")
        if guess.step_at is not None:
            out.append(_unnamed(shape.word(guess.step_at)))
        if guess.remark:
            out.append(f"// LOOK: {_printed(guess.remark, _LONGEST_REMARK)}")
        out += self._unknown(guess)
        body = " ".join(self._noise(guess) if guess.rule == "noise" else self._row(guess))
        return [*out, f"r{number}: {body} -> {guess.rule}"]

    def _unknown(self, guess: Guess) -> Iterator[str]:
        """A word on each word that is taken for a fail because nobody knows it."""
        for at, column in guess.columns.items():
            texts = sorted(set(guess.shape.texts(at))) if column == "result" else []
            bad = [text for text in texts if self._words.meant("result", text) is None]
            dashes = [text for text in bad if is_unsaid(text)]
            unknown = [text for text in bad if not is_unsaid(text)]
            if unknown:
                shown = _printed(", ".join(unknown), _LONGEST_REMARK)
                yield f"// LOOK: not known, and taken for fail: {shown}"
            if dashes:
                yield f"// LOOK: taken for not-found where a result stands: {', '.join(dashes)}"

    def _row(self, guess: Guess) -> Iterator[str]:
        for at, part in enumerate(guess.shape.key):
            column = guess.columns.get(at)
            if at == guess.step_at:
                yield self._names.standing(guess.shape.word(at))
            elif column in ("step", "result"):
                yield self._names.meant(column, guess.shape.texts(at))
            elif column is not None:
                yield self._filled(column, guess.shape.texts(at))
            else:
                yield self._skipped(part, guess.shape.texts(at))

    def _filled(self, column: str, texts: Sequence[str]) -> str:
        if column == "window":
            return self._window([text for text in texts if not is_unsaid(text)])
        return self._names.named(column.upper(), pattern(texts))

    def _window(self, texts: Sequence[str]) -> str:
        chars = sorted(set("".join(texts)))
        if chars == ["0", "1"]:
            return self._names.named("WINDOW", "[01]+")
        return self._names.taps(*_taps(chars, texts)) + "+"

    def _skipped(self, part: str, texts: Sequence[str]) -> str:
        if part[0] in "wm":
            return literal(part[1:])
        return self._names.named("_VALUE" if part == "V" else "_WORD", pattern(texts))

    def _noise(self, guess: Guess) -> Iterator[str]:
        key = guess.shape.key
        whole = len(key) <= _LONGEST_NOISE and not guess.cut
        most = len(key) if whole else 1 if guess.cut else 1 + _first_word(guess)
        for at in range(most):
            yield self._skipped(key[at], guess.shape.texts(at))
        if not whole:
            yield f"[{self._names.named('_REST', ANYTHING)}]"

    # -- tables -----------------------------------------------------------------------------------

    def _table(self, number: int, table: Headed, *, known: bool) -> list[str]:
        """The comments and the two rules of a table: its headings, and its rows."""
        out = _comment(f"line {table.heading[0]}: the headings of a table", table.heading[1])
        needs_step = table.rule == "training_row" and "step" not in table.columns
        headings = table.cells(table.heading[1])
        names = [literal(heading) if heading else "" for heading in headings]
        if needs_step and not known:
            first = next(at for at, heading in enumerate(headings) if heading)
            names[first] = self._names.standing(headings[first])
            out.append(_unnamed(headings[first]))
        kind = "context" if needs_step and not known else "noise"
        out.append(f"r{number}_heads: {self._parted(table, names)} -> {kind}")
        out += ["", *_comment(_where(table.numbers[1:]), table.rows[0][1])]
        for column, why in zip(table.columns, table.why, strict=True):
            out.append(f"//   {(column or '-').upper():<9} {_printed(why)}")
        cells = [self._cell(number, table, at) for at in range(len(headings))]
        return [*out, f"r{number}: {self._parted(table, cells)} -> {table.rule}"]

    def _parted(self, table: Headed, cells: Sequence[str]) -> str:
        mark = "" if table.separator == " " else literal(table.separator)
        inner = f" {mark} ".join(cells)
        return f"{mark} {inner} {mark}" if table.edges else inner

    def _cell(self, number: int, table: Headed, at: int) -> str:
        column, texts = table.columns[at], table.texts(at)
        said = [text for text in texts if text and not is_unsaid(text)]
        if column == "result" and said:
            name = self._result(number, texts, said)
        else:
            stem = (column or "_cell").upper()
            name = self._names.named(
                stem, _cell_pattern(list(filter(None, texts)), table.separator)
            )
        if "" not in texts:
            return name
        helper = f"cell_{number}_{at + 1}"
        self._helpers.append(f"{helper}: [{name}]")
        return helper

    def _result(self, number: int, texts: Sequence[str], said: Sequence[str]) -> str:
        name = self._names.meant("result", said)
        if all(text in ("", *said) for text in texts):
            return name
        unsaid = pattern(text for text in texts if is_unsaid(text))
        self._helpers.append(f"result_{number}: {name} | {self._names.named('_NONE', unsaid)}")
        return f"result_{number}"


def _cell_pattern(texts: Sequence[str], separator: str) -> str:
    if not texts:
        return "-"
    narrow = pattern(texts)
    return rf"[^\s{separator}]+( +[^\s{separator}]+)*" if ANYTHING in narrow else narrow


def _taps(chars: Sequence[str], texts: Sequence[str]) -> tuple[str, str]:
    """Which of two characters works: the one that windows do not begin and end with."""
    ends = "".join(text[0] + text[-1] for text in texts)
    first, second = chars
    if ends.count(first) == ends.count(second):  # letters and stars work, dots and bars do not
        return (first, second) if TAPS.index(first) in _WORKING else (second, first)
    return (second, first) if ends.count(first) > ends.count(second) else (first, second)


_WORKING: Mapping[int, None] = dict.fromkeys(TAPS.index(c) for c in "1oOxX#*+")


def _head(source: str, lines: Sequence[tuple[int, str]]) -> Iterator[str]:
    """The comments in front."""
    stem = re.sub(r"[^A-Za-z0-9-]+", "-", Path(source).stem).strip("-") or "mine"
    yield f"// name: {stem}"
    yield f"// about: proposed from {_printed(Path(source).name)}, to be corrected by hand"
    first = next((text for _, text in lines if len(re.findall("[A-Za-z]{2,}", text)) > 1), "")
    if first:
        yield "// Take the # away where no other layout has such a line:"
        yield f"//# recognise: ^{_recognised(first)}"
    yield "//"
    yield "// Above each rule: the first line that it reads, and what its names were guessed by."
    yield "// Look first at the remarks that begin with LOOK. docs/layouts.md tells the law;"
    yield "// `memdiag grammar check THIS_FILE DUMP` shows what each line of a dump is taken for."


def _recognised(text: str) -> str:
    """A pattern for lines like this one, whatever numbers they hold."""
    said = " +".join(re.escape(word) for word in text[:_SHOWN].split())
    return re.sub(r"[0-9]+", "[0-9]+", said)


def _where(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    return f"lines {numbers[0]} to {numbers[-1]}, {len(numbers)} of them"


def _comment(where: str, text: str) -> list[str]:
    return [f"// {where}", f"//     {_printed(text)}"]


def _printed(text: str, most: int = _SHOWN) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text.strip())
    return shown if len(shown) <= most else shown[: most - 3] + "..."


def _unnamed(word: str) -> str:
    return f'// LOOK: no line names the step; "{word}" stands for it: name it STEP__READ or another'


def _first_word(guess: Guess) -> int:
    """The place of the first word, the first place where there is none."""
    key = guess.shape.key
    return next((at for at in range(len(key)) if guess.shape.word(at)), 0)
