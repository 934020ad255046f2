"""A piece of a large text, cut in columns as far as its lines tell: no state is needed for it."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc
from msgspec import Struct

from memdiag.layouts.patterns import ALL
from memdiag.layouts.rivals import Guard
from memdiag.reading.cleaning.clean import LONGEST_UNSTEADY
from memdiag.reading.cleaning.prefixes import MARKED
from memdiag.reading.columnar import cutting
from memdiag.reading.columnar.arrow_arrays import from_numbers
from memdiag.reading.columnar.cell_match import linear
from memdiag.reading.columnar.cutting import Block, Cut
from memdiag.reading.error_log_columns import distinct
from memdiag.reading.planner import RowPlans

Flags = npt.NDArray[np.bool_]

_MARKED = Guard(f"^(?:{MARKED.pattern})", ALL)
# Finds at least those lines, and is much faster: what stands in front of a line has another sign
# than a word's in its first two words, or begins with a month.
_ROUGHLY_MARKED = Guard(
    r"^[ \t]*(?:[^ \t]*[^\w.+, \t-]|[^ \t]+[ \t]+[^ \t]*[^\w.+, \t-]"
    r"|(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[ \t])",
    ALL,
)


class Prepared(Struct, frozen=True):
    """A piece of the text, cut: for each plan, the lines of its shape."""

    data: bytes
    block: Block
    cuts: tuple[list[Cut], ...]


Prefixes = tuple[tuple[str, str], ...]


def prepare(data: bytes, plans: RowPlans, prefixes: Prefixes) -> Prepared:
    """Cut lines in columns; needs no state, and may run beside."""
    whole = Block(data)
    usable = _usable(whole)
    block = _without(whole, usable, prefixes)
    cuts = []
    for _, plan, guard in plans.plans:
        lines = np.flatnonzero(usable)
        found = cutting.cut(block, lines, plan.shape, plan.wanted, guard)
        for piece in found:
            usable[piece.lines] = False
            _leave_marked(block, piece)
        cuts.append(found)
    return Prepared(data, whole, tuple(cuts))


def _without(block: Block, usable: Flags, prefixes: Prefixes) -> Block:
    """The lines without what stands in front of the dump's own lines. Those that lack it are not
    usable."""
    for _, pattern in prefixes:
        if not linear(pattern):
            usable[:] = False
            return block
        cut = pc.replace_substring_regex(block.strings, pattern, "", max_replacements=1)
        after = Block.of(cut)
        usable &= np.diff(after.starts) < np.diff(block.starts)
        block = after
    return block


def _usable(block: Block) -> Flags:
    """Lines of plain ASCII that are not too long in any layout."""
    usable: Flags = np.diff(block.starts) <= LONGEST_UNSTEADY
    odd = (block.bytes - np.uint8(32)) > np.uint8(94)  # wraps round below the blank
    if np.count_nonzero(odd) > len(block):  # more than the line ends
        odd &= (block.bytes != 10) & (block.bytes != 9)
        upto = np.concatenate((np.zeros(1, np.int64), np.cumsum(odd, dtype=np.int64)))
        usable &= upto[block.starts[1:]] == upto[block.starts[:-1]]
    return usable


def _leave_marked(block: Block, cut: Cut) -> None:
    """Leave lines to the cleaning that have something in front which it may cut."""
    if cut.opening is None:
        marked = block.guarded(_ROUGHLY_MARKED)[cut.lines]
    else:
        one, two = cut.opening
        words = (one.dictionary.to_pylist(), two.dictionary.to_pylist())
        code = from_numbers(one.indices).astype(np.int64) * len(words[1])
        code += from_numbers(two.indices)
        found, _, inverse = distinct(code, len(words[0]) * len(words[1]))
        rough = re.compile(_ROUGHLY_MARKED.pattern).search
        hits = [
            rough(f"{words[0][c // len(words[1])]} {words[1][c % len(words[1])]} ") is not None
            for c in found.tolist()
        ]
        if not any(hits):
            return
        marked = np.array(hits, bool)[inverse]
    if marked.any():
        cut.fine &= ~(marked & block.guarded(_MARKED)[cut.lines])
