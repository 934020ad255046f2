"""What a line is read as is what Lark itself would say of it, and so is where it stops."""

from __future__ import annotations

import random
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedCharacters, UnexpectedToken

from memdiag import resources
from memdiag.layouts import line_rules, registry
from memdiag.layouts.grammar_compile import compile_pack
from memdiag.layouts.line_parser import MOST_PIECES, Cell, LineParser, Node, Stop
from tests.support.marks import examples

TWISTED = """
// recognise: ^twisted
?line_of_rows: rows
rows: "many" (pair [","])+ -> rows
pair: training_row | count_row
training_row: "t" [LANE] step* _tail?
count_row: "c" _inner{LANE} [BITS] [ERRORS]
_inner{x}: x | "(" _inner{x} ")"
?step: "<" step ">" | STEP | RESULT__PASS
_tail: ";" VREF [TRIES]
noise: "q" deep
?deep: "(" deep ")" | "."
LANE.2: /[0-9]+/
BITS: /[0-9]+b/
ERRORS: /[0-9]+e/
STEP: /[a-z]+/
RESULT__PASS: "ok"
VREF: /[0-9]+%/
TRIES: /x[0-9]+/
%ignore /[ \\t]+/
"""
SHIPPED = {p.stem: p.read_text() for p in sorted(resources.shipped("grammars").glob("*.lark"))}
GRAMMARS = {**SHIPPED, "twisted": TWISTED}
LINES = """
bench-dump 1 [end] [run] [training] note key U3 0 1 7 read pass fail # ; , , ( ) < > ok t c
many q . 12b 3e 40% x2 lane tried 0:__oo__ word sent came of memlog table counts row reading
~~~ memory report board = ddr4 0x1f -
"""
WORDS = LINES.split()


@cache
def both(name: str) -> tuple[LineParser, Lark, tuple[str, ...]]:
    layout = registry.unpack(compile_pack(GRAMMARS[name], name), name)
    starts = [s.rule for s in layout.starts]
    lark = Lark(GRAMMARS[name], parser="lalr", start=starts, maybe_placeholders=True)
    return LineParser(layout.tables, layout.skips), lark, tuple(starts)


def in_larks_words(node: Node | Cell) -> Any:
    if isinstance(node, Cell):
        return None if node.text is None else (node.column, node.text, node.at)
    return (node.name, [in_larks_words(child) for child in node.children])


def in_ours(tree: Any) -> Any:
    if isinstance(tree, Tree):
        return (str(tree.data), [in_ours(child) for child in tree.children])
    if isinstance(tree, Token):
        column, value = line_rules.filled(tree.type)
        return (column, str(tree) if value is None else value, tree.column)
    return None


def larks(lark: Lark, text: str, start: str) -> Any:
    try:
        return in_ours(lark.parse(text, start=start))
    except UnexpectedToken as stop:
        at = 0 if stop.token.type == "$END" else stop.column
        return Stop(at, tuple(sorted(map(str, stop.accepts or ()))))
    except UnexpectedCharacters as stop:
        return stop.column  # here Lark says only what its scanner knows


def compare(name: str, text: str) -> None:
    parser, lark, starts = both(name)
    for start in starts:
        found = parser.read(text, start)
        ours = found if isinstance(found, Stop) else in_larks_words(found)
        said = larks(lark, text, start)
        if isinstance(said, int) and isinstance(ours, Stop):
            ours = ours.at
        assert ours == said, (start, text)


@given(st.sampled_from(sorted(GRAMMARS)), st.lists(st.sampled_from(WORDS), max_size=9), st.data())
@settings(max_examples=examples(400), deadline=None)
def test_a_line_is_what_lark_says(name: str, words: list[str], data: st.DataObject) -> None:
    compare(name, data.draw(st.sampled_from(["", " "])).join(words))
    compare(name, " ".join(words))


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_the_lines_of_the_samples_are_what_lark_says(name: str) -> None:
    rng = random.Random(1)
    samples = resources.shipped("samples")
    for path in sorted({*samples.glob("*.dump"), *samples.glob("layouts/*")}):
        lines = path.read_text().splitlines() if path.is_file() else []
        for line in rng.sample(lines, min(6, len(lines))):
            compare(name, line.rstrip())


def test_what_nests_deeply_is_read_and_no_fault() -> None:
    layout = registry.unpack(compile_pack(TWISTED, "twisted"), "twisted")
    every = frozenset(line_rules.LINE_RULES)
    deep = "q " + "(" * 900 + "." + ")" * 900
    assert isinstance(layout.match(deep, every), registry.Match)
    bent = "many t " + "<" * 900 + "ok" + ">" * 900
    found = layout.match(bent, every)
    assert isinstance(found, registry.Match) and found.parts


def test_a_line_of_too_many_pieces_is_refused_with_the_bound() -> None:
    layout = registry.find("bench")
    most = layout.match("1 " * MOST_PIECES, frozenset({"row"}))
    assert isinstance(most, registry.Match) and len(most.cells) == MOST_PIECES
    more = layout.match("1 " * (MOST_PIECES + 1), frozenset({"row"}))
    assert isinstance(more, registry.Miss)
    assert f"{MOST_PIECES:,}" in more.expected[0] and more.at == 2 * MOST_PIECES + 1
