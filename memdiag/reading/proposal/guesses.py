"""What the pieces of alike lines are taken for: each guess with its reason."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct, field

from memdiag.layouts.line_rules import RULES
from memdiag.model import schema
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import cell_values
from memdiag.reading.converters import Wrong
from memdiag.reading.proposal.pieces import NUMBER, SHORT, is_window
from memdiag.reading.proposal.shapes import VARYING, Shape, is_unsaid

LABELS = {
    "attempt": "pass round loop try attempt retry",
    "errors": "off wrong bad mismatches",
    "wrote": "w exp expected sent",
    "read": "r got act came",
    "address": "a at addr word",
    "mask": "x xor diff",
    "lane": " ".join(SHORT).lower(),
}
"""Beside the shipped words for columns: what stands beside their values, where these fit."""
_BY_LABEL = {word: column for column, words in LABELS.items() for word in words.split()}
_HEX_COLUMNS = frozenset({"wrote", "read", "mask", "address"})
_HEX = re.compile(r"(0[xX])?[0-9a-fA-F]{2,}")
_UNIT_OF = (
    ("width", re.compile(rf"[+-]?{NUMBER}(UI|ps|taps?)")),
    ("height", re.compile(rf"[+-]?{NUMBER}mV")),
    ("temp", re.compile(rf"[+-]?{NUMBER}C")),
    ("vref", re.compile(rf"[+-]?{NUMBER}%")),
)
_SITE = re.compile(r"[A-Z]{1,3}[0-9]{1,4}")
_WHOLE = re.compile(r"[0-9]{1,3}")
MANY_BITS = 1_000_000
"""So many of something are bits compared."""
_LEAST_ROWS = 2
_MEASURES = frozenset({"result", "window", "width", "height", "delay", "tries", "spread"})


class Guess(Struct, frozen=True):
    """What a shape is taken for: the line rule, the column that each place fills, and why.
    `step_at`: the place of a word that stands for a step which no line names. `remark`: what is to
    be looked at first. `cut`: no more is written out than the first piece."""

    shape: Shape
    rule: str
    columns: Mapping[int, str]
    why: Mapping[int, str]
    step_at: int | None = None
    remark: str = ""

    cut: bool = False

    @property
    def numbers(self) -> Sequence[int]:
        """The numbers of its lines."""
        return [number for number, _, _ in self.shape.lines]


class _Filling(Struct):
    shape: Shape
    words: Vocabulary
    columns: dict[int, str] = field(default_factory=dict)
    why: dict[int, str] = field(default_factory=dict)
    again: dict[str, None] = field(default_factory=dict)  # columns that stand twice in a line

    def said(self, at: int) -> list[str]:
        """The values of a place that say something."""
        return [text for text in self.shape.texts(at) if not is_unsaid(text)]

    def fill(self, at: int, column: str, why: str) -> bool:
        """Takes a place for a column, where that is free and all values there can be its own."""
        said = self.said(at) or (column == "result" and self.shape.texts(at))
        if at in self.columns or not said:
            return False
        if not all(_can_be(column, text, self.words) for text in said):
            return False
        if column in self.columns.values():
            self.again.setdefault(column)
            return False
        self.columns[at], self.why[at] = column, why
        return True


def guess(shape: Shape, words: Vocabulary) -> Guess:
    """What a shape is taken for by itself: a row, a heading or nothing."""
    filling = _Filling(shape, words)
    for look in (_labelled, _worded, _shaped, _of_many, _hex_words):
        look(filling)
    table = _table(filling)
    if table == "training":
        _sized(filling)
        _numbered(filling)
    remark = ""
    if table is None and _is_heading(filling):
        remark = _untold(filling)
        table = "training" if remark else None
        rule = "training_row" if remark else "context"
    else:
        rule = _RULE_OF.get(table or "", "noise")
    if rule in RULES and filling.again:
        more = ", ".join(filling.again)
        remark = f"a second {more} of a line is skipped: several rows in a line want a rule `rows`"
    known = schema.columns(table) if table else (*schema.SCOPE, *schema.SETTING, "step")
    columns = {at: c for at, c in filling.columns.items() if c in known and rule != "noise"}
    return Guess(shape, rule, columns, {at: filling.why[at] for at in columns}, remark=remark)


_RULE_OF = {table: rule for rule, table in RULES.items()}


def _untold(filling: _Filling) -> str:
    """What to say of lines that name a place and end in words that nobody knows: rows, whose
    result they may be. "" where they are none."""
    shape, last = filling.shape, len(filling.shape.key) - 1
    if len(shape.lines) < _LEAST_ROWS or last in filling.columns or shape.key[last][0] not in "wW":
        return ""
    told = " ".join(sorted(set(shape.texts(last))))
    return f"no result is known: if {told} says how it ended, name it RESULT__PASS, RESULT__FAIL"


def _can_be(column: str, text: str, words: Vocabulary) -> bool:
    if column == "result":
        return True
    if column in _HEX_COLUMNS:
        return _HEX.fullmatch(text) is not None
    if column == "window":
        return True
    table = next(t for t in schema.TABLES if column in schema.by_name(t))
    try:
        cell_values.read(schema.by_name(table)[column], text, words)
    except Wrong:
        return False
    return True


# -- one way to tell after the other ------------------------------------------------------------


def _values(shape: Shape) -> Iterator[int]:
    return (at for at in range(len(shape.key)) if shape.is_value(at))


def _labelled(filling: _Filling) -> None:
    """Values beside a word that names a column: in front, else behind."""
    shape = filling.shape
    for at in _values(shape):
        before = at - 1 - (shape.mark(at - 1) in (":", "=", "#") and at > 0)
        for place, where in ((before, "in front of it"), (at + 1, "behind it")):
            column = _column(shape.word(place), filling.words)
            if column and filling.fill(at, column, f'the word "{shape.word(place)}" {where}'):
                break


def _column(word: str, words: Vocabulary) -> str | None:
    if not word:
        return None
    other = _BY_LABEL.get(word.lower())
    column = other or words.meant("column", word)
    return column if column not in ("step", "result", "site", "rail", "name", "value") else None


def _worded(filling: _Filling) -> None:
    """Words that are steps and results, and say nothing of a value beside them."""
    shape, words = filling.shape, filling.words
    for at, part in enumerate(shape.key):
        if part[0] not in ("w", VARYING) or _is_used(filling, at):
            continue
        texts = set(shape.texts(at))
        for kind in ("result", "step"):
            known = sorted(text for text in texts if words.meant(kind, text))
            if known and (kind == "result" or len(known) == len(texts)):
                filling.fill(at, kind, "words for it: " + ", ".join(known))


def _is_used(filling: _Filling, at: int) -> bool:
    """Whether the word at a place named the column of a value beside it."""
    said = f'"{filling.shape.word(at)}"'
    near = (at - 1, at + 1, at + 2)
    return bool(filling.shape.word(at)) and any(said in filling.why.get(n, "") for n in near)


def _shaped(filling: _Filling) -> None:
    """Values whose form says what they are."""
    for at in _values(filling.shape):
        texts = filling.said(at)
        if not texts:
            continue
        if all(map(is_window, texts)) and len(set("".join(texts))) == 2:
            filling.fill(at, "window", "one of two characters a tap")
        elif all(map(_SITE.fullmatch, texts)):
            filling.fill(at, "site", "designators")
        for column, unit in _UNIT_OF:
            if all(map(unit.fullmatch, texts)):
                filling.fill(at, column, "its unit")


def _of_many(filling: _Filling) -> None:
    """`41 of 4000000000`: bits."""
    shape = filling.shape
    for at in _values(shape):
        if not shape.is_value(at + 2) or (shape.word(at + 1) or shape.mark(at + 1)) not in (
            "of",
            "/",
        ):
            continue
        many = shape.texts(at + 2)
        if all(text.isdigit() and int(text[:18]) >= MANY_BITS for text in many):
            filling.fill(at + 2, "bits", "so many that they are bits compared")
            filling.fill(at, "errors", "so many of the bits")


def _hex_words(filling: _Filling) -> None:
    """Hex words that nothing names: address, wrote and read, or address and mask."""
    if _HEX_COLUMNS & set(filling.columns.values()):
        return
    shape = filling.shape
    bare = [
        at
        for at in _values(shape)
        if at not in filling.columns and all(t[:2] in ("0x", "0X") for t in filling.said(at))
    ]
    names = {3: ("address", "wrote", "read"), 2: ("address", "mask")}.get(len(bare), ())
    for at, column in zip(bare, names, strict=False):
        filling.fill(at, column, f"a guess: one of {len(bare)} hex words")


def _sized(filling: _Filling) -> None:
    """A number of taps behind a place, where nothing else says how wide the eye is."""
    said = filling.columns.values()
    if {"width", "window", "bits"} & set(said):
        return
    last = max((at for at, c in filling.columns.items() if c in schema.SCOPE), default=-1)
    for at in _values(filling.shape):
        whole = all(map(_WHOLE.fullmatch, filling.said(at)))
        if last >= 0 and at > last and at not in filling.columns and whole:
            filling.fill(at, "width", "a guess: a number behind the place, in taps")
            return


def _numbered(filling: _Filling) -> None:
    """Small numbers in front that nothing names: where the row is."""
    shape, said = filling.shape, set(filling.columns.values())
    if {"ch", "lane"} & said:
        return
    first = min(filling.columns, default=len(shape.key))
    if filling.columns.get(first) == "site":
        first = min((at for at in filling.columns if at > first), default=len(shape.key))
    small = [
        at
        for at in _values(shape)
        if at < first and at not in filling.columns and all(map(_WHOLE.fullmatch, filling.said(at)))
    ]
    names = {1: ("lane",), 2: ("ch", "lane"), 3: ("ch", "rank", "lane")}.get(len(small), ())
    for at, column in zip(small, names, strict=False):
        filling.fill(at, column, f"a guess: number {small.index(at) + 1} of {len(small)} in front")


def _table(filling: _Filling) -> str | None:
    said = set(filling.columns.values())
    if {"wrote", "read"} <= said or "mask" in said:
        return "errors"
    if {"bits", "errors", "rose", "fell"} & said:
        return "counts"
    placed = {*schema.SCOPE, "step"} & said
    return "training" if _MEASURES & said and placed and not _is_heading(filling) else None


_LONGEST_HEADING = 8


def _is_heading(filling: _Filling) -> bool:
    """Whether a line says where or at which step what follows was seen, and nothing else."""
    said = set(filling.columns.values())
    holds = {*schema.SCOPE, *schema.SETTING, "step"}
    texts = (text for at in range(len(filling.shape.key)) for text in filling.shape.texts(at))
    left = any(at not in filling.columns for at in _values(filling.shape)) or any(
        map(is_unsaid, texts)
    )
    return bool(said) and said <= holds and not left and len(filling.shape.key) <= _LONGEST_HEADING
