"""The names in capitals of a proposed grammar, and their patterns."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence, Set

from msgspec import Struct, field

from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.proposal.pieces import MIXED, NUMBER, ODD, TAPS, WORD
from memdiag.reading.proposal.shapes import is_unsaid

ANYTHING = "[^ ].*"
"""The rest of a line."""
_FORMS = (
    r"[0-9]+",
    r"[A-Z]{1,3}[0-9]{1,4}",
    rf"[+-]?{NUMBER}",
    r"0[xX][0-9a-fA-F]+",
    r"[0-9a-fA-F]+",
)
_UNIT = re.compile(rf"[+-]?{NUMBER}([A-Za-z%][A-Za-z\/]*)")


def pattern(texts: Iterable[str]) -> str:
    """The narrowest of the usual patterns that matches each of these values, and what stands where
    there is none."""
    every = {text for text in texts if not is_unsaid(text)}
    unsaid = sorted({text for text in texts if is_unsaid(text)}, key=len, reverse=True)
    return "|".join([*([_form(every)] if every else []), *map(re.escape, unsaid)])


def _form(every: Set[str]) -> str:
    for form in _FORMS:
        if all(re.fullmatch(form, text) for text in every):
            return form
    units = {found[1] for text in every if (found := _UNIT.fullmatch(text))}
    if len(units) == 1 and all(_UNIT.fullmatch(text) for text in every):
        unit = units.pop().replace("/", r"\/")
        return rf"[+-]?{NUMBER}{unit}"
    for form in (MIXED, WORD, rf"[{TAPS}]+", ODD, r"[^\s]+"):
        if all(re.fullmatch(form, text) for text in every):
            return form
    return ANYTHING


def literal(text: str) -> str:
    """A word or mark as a grammar writes it."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


class Terminals(Struct):
    """Names with their patterns, and words with what they stand for, as rules ask for them."""

    words: Vocabulary
    _patterns: dict[str, dict[str, str]] = field(default_factory=dict)
    _meanings: dict[str, dict[str, None]] = field(default_factory=dict)
    _helpers: dict[str, dict[str, None]] = field(default_factory=dict)

    def named(self, stem: str, pattern: str) -> str:
        """The name of a pattern: one stem has several, told apart by a number."""
        known = self._patterns.setdefault(stem, {})
        if pattern not in known:
            known[pattern] = stem if not known else f"{stem}_{len(known) + 1}"
        return known[pattern]

    def meant(self, column: str, texts: Sequence[str]) -> str:
        """What stands for words of a column (`step`, `result`): one name, or a helper of several.

        A word for a result that nobody knows is taken for a fail, a dash for not-found: no board is
        released for either."""
        names = dict.fromkeys(self._word(column, text) for text in texts)
        if len(names) == 1:
            return next(iter(names))
        self._helpers.setdefault(column, {}).update(names)
        return column

    def standing(self, word: str) -> str:
        """A word that always stands there, for a step that no line names. It is none that memdiag
        knows: what passes there measures nothing until somebody names it."""
        return self._meaning("STEP__UNNAMED", word)

    def taps(self, works: str, fails: str) -> str:
        """The helper for a window drawn with these two characters."""
        self._meaning("TAP__1", works)
        self._meaning("TAP__0", fails)
        self._helpers.setdefault("tap", {}).update({"TAP__1": None, "TAP__0": None})
        return "tap"

    def _word(self, column: str, text: str) -> str:
        otherwise = ("not-found" if is_unsaid(text) else "fail") if column == "result" else text
        meant = self.words.meant(column, text) or otherwise
        value = re.sub(r"[^A-Z0-9]+", "_", meant.upper())
        return self._meaning(f"{column.upper()}__{value}", text)

    def _meaning(self, name: str, text: str) -> str:
        self._meanings.setdefault(name, {})[text] = None
        return name

    def rules(self) -> Iterator[str]:
        """The helpers."""
        for helper, names in self._helpers.items():
            yield f"{helper}: {' | '.join(names)}"

    def definitions(self) -> Iterator[str]:
        """The names and their patterns."""
        for name, texts in self._meanings.items():
            yield f"{name}: {' | '.join(map(literal, texts))}"
        for patterns in self._patterns.values():
            for each, name in patterns.items():
                escaped = re.sub(r"(?<!\\)/", r"\/", each)
                yield f"{name}: /{escaped}/"
