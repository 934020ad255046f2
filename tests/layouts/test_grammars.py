"""The layout law: what a grammar may do, what it may not, and how that is told."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag import resources
from memdiag.cli.grammar import command
from memdiag.layouts import line_rules, registry
from memdiag.layouts.grammar_compile import compile_pack
from memdiag.layouts.grammar_text import LayoutError
from memdiag.layouts.patterns import nature
from memdiag.model import Result
from memdiag.model.problems.layouts import KINDS
from memdiag.reading import load
from tests.support.marks import examples

SHOP = """\
// name: shelf
// about: a shop's own console
// recognise: ^shelf rig
head: "shelf rig"
context: "scan" STEP ["loop" ATTEMPT]
training_row: "byte" LANE result [WIDTH]
result: RESULT__PASS | RESULT__NO_RESPONSE
noise: "--" _REST
STEP: /[a-z]+/
ATTEMPT: /[0-9]+/
LANE: /[0-9]+/
RESULT__PASS: "ok"
RESULT__NO_RESPONSE: "dead" | "n/a"
WIDTH: /[0-9.]+UI/
_REST: /[^ ].*/
%ignore " "
"""

SHOP_DUMP = """\
shelf rig
-- good morning
scan read loop 2
byte 0 ok 0.41UI
byte 1 dead
byte 2 n/a
scan write
byte 0 ok
byte zero ok
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(registry.VARIABLE, str(tmp_path))
    return tmp_path


def test_one_file_teaches_a_layout(folder: Path) -> None:
    (folder / "shelf.lark").write_text(SHOP)
    (run,) = load.load(SHOP_DUMP)
    assert [(r.step, r.attempt, r.place.lane, r.result) for r in run.training] == [
        ("read", 2, 0, Result.PASS),
        ("read", 2, 1, Result.NO_RESPONSE),
        ("read", 2, 2, Result.NO_RESPONSE),
        ("write", 2, 0, Result.PASS),
    ]
    assert run.source.layout == "shelf"
    (lost,) = (p for p in run.problems if p.code == "not-understood")
    assert lost.position is not None
    assert (lost.position.line, lost.position.column) == (9, 6)
    assert "'zero'" in lost.message
    assert "expected lane" in lost.message


def test_a_grammar_may_be_named_by_its_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.lark"
    path.write_text(SHOP.replace("// recognise: ^shelf rig\n", ""))
    with pytest.raises(load.Unreadable):
        load.load(SHOP_DUMP)
    assert len(load.load(SHOP_DUMP, grammar=str(path))[0].training) == 4


def test_two_layouts_that_match_are_told(folder: Path) -> None:
    (folder / "a.lark").write_text(SHOP)
    (folder / "b.lark").write_text(SHOP.replace("shelf\n", "other\n"))
    (run,) = load.load(SHOP_DUMP)
    (told,) = (p for p in run.problems if p.code == "two-layouts")
    assert "shelf and other" in told.message
    (run,) = load.load(SHOP_DUMP, grammar="other")
    assert run.source.layout == "other"
    assert all(p.code != "two-layouts" for p in run.problems)


def test_an_unknown_layout_is_told_with_the_nearest() -> None:
    with pytest.raises(LayoutError, match="did you mean 'bench'"):
        load.load("x", grammar="bensh")
    with pytest.raises(LayoutError, match="no such file"):
        load.load("x", grammar="missing.lark")


def test_a_broken_grammar_on_the_search_path_spoils_no_other_text(folder: Path) -> None:
    (folder / "a.lark").write_text("// recognise: (\nnoise: (\n")
    (run,) = load.load("bench-dump 1\n[counts]\nbits\n5\n[end] 1\n")
    assert run.counts[0].bits == 5
    assert "bad-recognise" in [p.code for p in run.problems]


def test_an_unusable_grammar_gives_way_to_a_usable_one(folder: Path) -> None:
    (folder / "a.lark").write_text(SHOP.replace("LANE:", "LAEN:").replace("shelf\n", "broken\n"))
    (folder / "b.lark").write_text(SHOP)
    (run,) = load.load(SHOP_DUMP)
    assert run.source.layout == "shelf"
    assert "layout-skipped" in [p.code for p in run.problems]
    (folder / "b.lark").unlink()
    with pytest.raises(LayoutError, match="used and not defined"):
        load.load(SHOP_DUMP)


# -- what is refused --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "code", sorted(code for code, kind in KINDS.items() if kind.via == "grammar")
)
def test_each_refusal_is_provoked_by_its_inputs(code: str) -> None:
    for text in KINDS[code].provoked_by:
        assert isinstance(text, str)
        with pytest.raises(LayoutError) as caught:
            compile_pack(text, "trial.lark")
        said = [p for p in caught.value.problems if p.code == code]
        assert said, text
        assert "trial.lark" in said[0].message
        if said[0].position is not None:
            assert said[0].message.rstrip().endswith("^")
            line, caret = said[0].message.splitlines()[-2:]
            written = text.splitlines()[said[0].position.line - 1]
            assert line[4:] == written
            assert caret.index("^") - 4 == said[0].position.column - 1


def test_a_word_outside_the_law_is_told_with_the_nearest() -> None:
    with pytest.raises(LayoutError) as caught:
        compile_pack(SHOP.replace("LANE", "LAEN").replace("noise", "nosie"), "trial.lark")
    hints = " ".join(p.hint for p in caught.value.problems)
    assert "'lane'" in hints
    assert "'noise'" in hints


def test_every_line_rule_and_column_may_be_used() -> None:
    for rule in line_rules.LINE_RULES:
        for column in line_rules.terminal_names(rule):
            name = column.upper() + ("__1" if column == line_rules.TAP else "")
            text = f'{rule}: "x" {name}\n{name}: "y"\n' + (
                'noise: "q"\n' if rule != "noise" else ""
            )
            if rule != "rows":
                compile_pack(text, "trial.lark")


@pytest.mark.parametrize("pattern", ["[[a]+", "[a--b]", "[a||b]"])
def test_a_set_that_python_is_not_sure_of_is_refused(pattern: str) -> None:
    """By Python's own warning (library reference, re: possible nested set, set difference): it
    would stand between the rows of every verdict."""
    text = f'noise: "q" _X\n_X: /{pattern}/\n'
    for grammar in (text, "// recognise: " + pattern + '\nnoise: "q"\n'):
        with pytest.raises(LayoutError) as refused:
            compile_pack(grammar, "trial.lark")
        (found,) = refused.value.problems
        assert found.code == "layout-syntax" and "a pattern has a possible" in found.message


SHIPPED = [path.read_text() for path in sorted(resources.shipped("grammars").glob("*.lark"))]
SPLICES = st.sampled_from(
    [
        "",
        ":",
        "|",
        "(",
        ")",
        "[",
        "]",
        "+",
        "*",
        "?",
        '"',
        "/",
        "\\",
        "->",
        "\n",
        " ",
        "_",
        "%",
        "%import common.INT\n",
        "%ignore",
        "//",
        "LANE",
        "row",
        ".*",
        "(a+)+",
        "{2,99}",
        "!",
        "~3",
        "é",
        "(?P<x>a)",
        "(?<=a)",
        "%declare X\n",
        "%override row: LANE\n",
        "template{x}: x\n",
    ]
)


@given(
    st.sampled_from(SHIPPED),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 12), SPLICES), min_size=1, max_size=4),
)
@settings(max_examples=examples(100), deadline=5000)
def test_a_garbled_grammar_is_refused_or_used_and_nothing_else(
    source: str, cuts: list[tuple[float, int, str]]
) -> None:
    for where, gone, put in cuts:
        at = int(where * len(source))
        source = source[:at] + put + source[at + gone :]
    try:
        pack = compile_pack(source, "garbled.lark")
    except LayoutError as wrong:
        assert wrong.problems
    else:
        registry.unpack(pack, "garbled.lark").match("lane 3 dead", frozenset(line_rules.LINE_RULES))


def test_a_grammar_for_whole_texts_serves_too() -> None:
    """Rules for the whole text stand above the line rules and are not needed; a line rule may
    name the line end."""
    text = """
    start: (line | _NL)*
    ?line: training_row | context | noise
    training_row.2: "lane" LANE result
    result: RESULT__PASS | RESULT__FAIL
    context: "==" STEP "==" _NL
    noise: /#[^\\n]*/
    LANE.3: INT
    RESULT__PASS: "ok"i
    RESULT__FAIL: "bad"
    STEP: WORD
    _NL: /\\r?\\n/
    %import common.INT
    %import common.WORD
    %import common.WS_INLINE
    %ignore WS_INLINE
    """.replace("\\\\", "\\")
    layout = registry.unpack(compile_pack(text, "whole.lark"), "whole.lark")
    every = frozenset(line_rules.LINE_RULES)
    row, heading = layout.match("  lane 3 OK", every), layout.match("== read ==", every)
    assert isinstance(row, registry.Match)
    assert [(c.column, c.text) for c in row.cells] == [("lane", "3"), ("result", "pass")]
    assert isinstance(heading, registry.Match)
    assert heading.cells[0].text == "read"


# -- patterns ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "sure", "hangs"),
    [
        (r"\d+", True, False),
        (r"0x[0-9a-f]+", True, False),
        (r"[+-]?\d+(\.\d+)?", True, False),
        (r"(?i:bench)", True, False),
        (r"(?:pass|p)", True, False),
        (r"(?:p|pass)", False, False),
        (r"\w+\d", False, False),
        (r"(a+)+", False, True),
        (r"(\w+\s*)+", False, True),
        (r"(x+x+)+y", False, True),
        (r"(a|aa)*", False, True),
        (r"(?=(a+)+b)c", False, True),
        (r"([0-9]+,)*", True, False),
        (r".*.*.*.*x", False, True),
        (r"a*?", False, False),
        (r"(a)?(?(1)(a+)+|b)c", False, True),
        (r"(?:(?:a?){7}){7}b", False, True),
        (r"(?:(?:(?:a?b?){3}){3}){3}c", False, True),
        (r"(a+)\1+b", False, True),
        (r"(?:[0-9]{1,3},){1,7}[0-9]", False, False),
    ],
)
def test_the_nature_of_patterns(pattern: str, sure: bool, hangs: bool) -> None:
    found = nature(pattern)
    assert (found.sure, found.hangs) == (sure, hangs)


PATTERNS = st.recursive(
    st.sampled_from(["a", "b", "[ab]", "[^a]", "ab", "0x", r"\d", "."]),
    lambda inner: st.one_of(
        st.tuples(inner, inner).map("".join),
        st.tuples(inner, inner).map(lambda pair: f"(?:{pair[0]}|{pair[1]})"),
        st.tuples(inner, st.sampled_from(["?", "*", "+", "{2}", "{1,2}"])).map(
            lambda pair: f"(?:{pair[0]}){pair[1]}"
        ),
    ),
    max_leaves=6,
)


@given(PATTERNS, st.text("ab0x1-", max_size=8))
@settings(max_examples=examples(400), deadline=None)
def test_nature_agrees_with_the_matcher(pattern: str, text: str) -> None:
    """Python's own `re` is the reference: what it matches begins, and consists, as foretold; and
    a sure pattern takes a whole text that it can match."""
    found = nature(pattern)
    match = re.compile(pattern).match(text)
    if match is not None:
        assert not found.never
        assert {ord(c) for c in match.group()} <= found.alphabet
        assert match.group() == "" or ord(match.group()[0]) in found.first
        assert match.group() != "" or found.nullable
    whole = re.compile(pattern).fullmatch(text)
    if found.sure and whole is not None:
        assert match is not None
        assert match.group() == text


@pytest.mark.parametrize(
    ("pattern", "steady"),
    [
        (r"\S+", True),
        (r".*x", True),
        (r"(?:serial|stage|rate|removed)", True),
        (r".*x.*y", False),
        (r"(?:[0-9]+[0-9]){2}", False),
        (r"(a+)+", False),
    ],
)
def test_steady_patterns_take_time_in_proportion(pattern: str, steady: bool) -> None:
    assert nature(pattern).steady == steady


def test_no_accepted_pattern_takes_long(tmp_path: Path) -> None:
    """What is let through is tried on the longest line that the reader hands to it."""
    for pattern in (r"a*b*a*", r"(?:a,)*a", r"\w+a", r"a+"):
        assert not nature(pattern).hangs
        compiled = re.compile(pattern + "!")
        started = time.perf_counter()
        compiled.match("a" * 10_000)
        assert time.perf_counter() - started < 5


# -- the cache --------------------------------------------------------------------------------


def test_a_cache_that_cannot_be_used_costs_nothing_but_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "shelf.lark"
    path.write_text(SHOP)
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    for cache in (blocked, tmp_path / "cache"):
        monkeypatch.setattr(registry, "user_cache", lambda cache=cache: cache)
        registry._load.cache_clear()
        assert registry.load(path).name == "shelf"
    (kept,) = (tmp_path / "cache").glob("*.layout")
    kept.write_bytes(kept.read_bytes()[:100])
    registry._load.cache_clear()
    assert registry.load(path).name == "shelf"
    assert len(kept.read_bytes()) > 100
    registry._load.cache_clear()


def test_a_changed_grammar_is_compiled_again(tmp_path: Path) -> None:
    path = tmp_path / "shelf.lark"
    path.write_text(SHOP)
    assert registry.load(path).about == "a shop's own console"
    path.write_text(SHOP.replace("a shop's own console", "another"))
    assert registry.load(path).about == "another"


# -- the command ------------------------------------------------------------------------------


def test_list_and_show() -> None:
    listed = CliRunner().invoke(command, ["list"])
    assert listed.exit_code == 0
    names = [line.split()[0] for line in listed.output.splitlines() if not line.startswith(" ")]
    assert {"bench", "commas", "console"} <= set(names)
    shown = CliRunner().invoke(command, ["show", "bench"])
    assert shown.output == (resources.shipped("grammars") / "bench.lark").read_text()
    missing = CliRunner().invoke(command, ["show", "bensh"])
    assert missing.exit_code != 0
    assert "did you mean 'bench'?" in missing.output


def test_check_says_what_became_of_every_line(tmp_path: Path) -> None:
    grammar, dump = tmp_path / "shelf.lark", tmp_path / "dump.txt"
    grammar.write_text(SHOP)
    dump.write_text(SHOP_DUMP)
    done = CliRunner().invoke(command, ["check", str(grammar), str(dump)], standalone_mode=False)
    assert done.return_value == 1
    lines = done.output.splitlines()
    assert lines[0] == "shelf: a shop's own console"
    assert any(
        re.match(r"training_row +table training +lane .*result=no-response", x) for x in lines
    )
    walked = [x for x in lines if re.match(r" +\d+  ", x)]
    assert len(walked) == 9
    assert walked[2].split() == ["3", "context", "scan", "read", "loop", "2"]
    assert walked[8].split()[1:3] == ["NOT", "UNDERSTOOD"]
    assert any(re.match(r"row +4 +44\.4 %", x) for x in lines)


def test_check_shows_the_place_of_what_is_wrong(tmp_path: Path) -> None:
    grammar = tmp_path / "shelf.lark"
    grammar.write_text(SHOP.replace('"byte" LANE', '"byte" LANES'))
    done = CliRunner().invoke(command, ["check", str(grammar)], standalone_mode=False)
    assert done.return_value == 2
    assert "line 6, column 22" in done.output
    assert "                     ^" in done.output


def test_a_mistake_over_which_lark_trips_is_told_at_its_place() -> None:
    """Lark 1.3 looks for mistakes like this one and fails with TypeError as it logs the search."""
    text = 'noise: A\nA: "note"(\\\nTEXT: /b/\n'
    with pytest.raises(LayoutError) as refused:
        compile_pack(text, "tripping.lark")
    (problem,) = refused.value.problems
    assert problem.code == "layout-syntax"
    assert problem.position is not None and problem.position.line == 3


@pytest.mark.parametrize(
    ("rule", "what", "column"),
    [
        ('noise: "a" /[^\\d\\D]/', "the pattern /[^\\d\\D]/ matches nothing", 12),
        ('noise: "a" /[0-9]*/', "the pattern /[0-9]*/ matches the empty text", 12),
        ('noise: "a" /(x+x+)+y/', "the pattern /(x+x+)+y/ could take for ever", 12),
        ("noise: /.+/ _B\n_B: /b/", "the pattern /.+/ matches any text", 8),
        ('row: "a" /[0-9]+/', "row holds a pattern without a name", 10),
        ('row: "a/b" CELL /[a-z]\\/x/\nCELL: /[0-9]/', "row holds a pattern without a name", 17),
    ],
)
def test_a_pattern_without_a_name_is_told_at_its_place(rule: str, what: str, column: int) -> None:
    with pytest.raises(LayoutError) as refused:
        compile_pack(f"// name: trial\n{rule}\n", "trial.lark")
    (found,) = refused.value.problems
    assert what in found.message and "ANON" not in found.message + found.hint
    assert found.position is not None
    assert (found.position.line, found.position.column) == (2, column)


def test_a_name_outside_the_parts_of_rows_is_told_with_what_a_part_is() -> None:
    with pytest.raises(LayoutError) as refused:
        compile_pack('rows: "b" LANE (":" c)+\nc: CH -> training_row\nLANE: /a/\nCH: /b/\n', "x")
    (found,) = refused.value.problems
    assert found.code == "layout-terminal-name" and "-> context" in found.hint
