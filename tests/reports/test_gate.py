"""One gate for all text that leaves the program: no terminal, spreadsheet or reader obeys it."""

from __future__ import annotations

import csv
import io
import json
import sys
import types
import unicodedata
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.reports import formats, markdown, spreadsheet
from memdiag.reports.page import Page, Sheet
from memdiag.reports.plain import json_text, printable
from tests.support.marks import examples

# Each with what it does where it is obeyed: ECMA-48 control functions (ESC, CSI as one character of
# C1), carriage return and backspace, which overwrite; the marks of direction of Unicode TR 36; tag
# letters, which no font shows; a lone surrogate, which no file can hold.
OBEYED = (
    "\x1b[2J",
    "\x9b31m",
    "\r",
    "\b",
    "\x00",
    "\x7f",
    "\u202e",
    "\u2066",
    "\U000e0041",
    "\ud800",
)

texts = st.text(
    st.sampled_from("".join(OBEYED))
    | st.sampled_from("=+-@＝＋－＠﹦⁺\t\n |`*<>&.:/w")
    | st.characters(),
    max_size=40,
)


def is_obeyed(character: str) -> bool:
    """By the general categories of the Unicode standard: controls, formats, surrogates. Line ends
    and tabs are what a text is made of."""
    if character in "\t\n":
        return False
    return unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") or character in (
        *"\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c",
        *map(chr, range(0xE0000, 0xE0080)),
    )


@settings(deadline=None)
@given(texts)
def test_the_gate_lets_nothing_through_that_is_obeyed(text: str) -> None:
    shown = printable(text)
    assert not any(map(is_obeyed, shown))
    assert len(shown) == len(text)
    assert all(b in (a, "\ufffd") for a, b in zip(text, shown, strict=True))


@settings(deadline=None)
@given(st.recursive(texts, lambda of: st.lists(of) | st.dictionaries(texts, of), max_leaves=6))
def test_a_document_says_the_same_behind_the_gate(document: object) -> None:
    made = json_text(document)
    assert not any(map(is_obeyed, made))
    assert json.loads(made) == document
    assert printable(made) == made  # what the formats let out last changes nothing


@pytest.fixture
def careless(monkeypatch: pytest.MonkeyPatch) -> str:
    """A format from outside the package that passes on what it is given."""
    module = types.ModuleType("careless")
    module.render = lambda page: page.title  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "careless", module)
    monkeypatch.setattr(formats, "FORMATS", [*formats.FORMATS])
    formats.register(formats.Format("careless", (".careless",), "careless"))
    return "careless"


def test_a_format_of_ones_own_goes_through_the_gate_too(careless: str) -> None:
    page = Page("".join(OBEYED), lambda: (), dict, lambda: Sheet((), ()))
    assert not any(map(is_obeyed, formats.render(page, careless)))


# ---- spreadsheets ----


@settings(deadline=None)
@given(st.lists(texts | st.floats(allow_nan=False) | st.none(), min_size=1, max_size=4))
def test_no_cell_is_a_formula(cells: list[str | float | None]) -> None:
    """Full-width and small forms are formulas to some spreadsheets: OWASP, "CSV Injection"."""
    page = types.SimpleNamespace(sheet=lambda: Sheet(("=1+1", "b"), [cells]))
    made = spreadsheet.render(page)  # type: ignore[arg-type]
    assert not any(map(is_obeyed, made))
    heading, row = csv.reader(io.StringIO(made, newline=""))
    assert heading == ["'=1+1", "b"]
    for cell, shown in zip(cells, row or [""], strict=True):
        if isinstance(cell, str):
            assert shown.removeprefix("'") in (printable(cell), printable(cell).removeprefix("'"))
            first = unicodedata.normalize("NFKC", shown.strip()[:1])
            assert not first.startswith(("=", "+", "-", "@"))
            assert not shown.startswith(("\t", "\r", "\n"))


@pytest.mark.parametrize(
    "cell", ["=1+1", "＝1+1", "－1", "＋1", "＠a", "﹦1", " =1", "\t=1", "\u00a0@a"]
)
def test_what_begins_like_a_formula_gets_an_apostrophe(cell: str) -> None:
    page = types.SimpleNamespace(sheet=lambda: Sheet(("a",), [[cell]]))
    made = spreadsheet.render(page)  # type: ignore[arg-type]
    assert made.splitlines()[1].strip('"') == "'" + cell


# ---- Markdown ----

ADDRESSES = (
    "http://example.com/a?b=c",
    "https://example.com",
    "HTTPS://EXAMPLE.COM",
    "www.example.com",
    "ftp://example.com/x",
    "mailto:a@example.com",
    "xmpp:a@example.com/b",
    "a.b+c@example.com",
    "//example.com",
    "example.com",
    "(see http://example.com/a_b).",
    "`http://example.com`",
    "a|https://example.com|b",
    "[x](http://example.com)",
    "<http://example.com>",
    '"https://example.com",',
)


def tokens(source: str) -> Iterator[tuple[str, str]]:
    """What a reader that makes links of bare addresses makes of a text, by an outside reader."""
    reader = pytest.importorskip("markdown_it").MarkdownIt("gfm-like")
    reader.enable(["linkify", "table"])
    for block in reader.parse(source):
        for token in block.children or ():
            yield token.type, token.content


@pytest.mark.parametrize("address", ADDRESSES)
def test_no_address_becomes_a_link(address: str) -> None:
    assert "link_open" in dict(tokens("see http://example.com here"))  # the reader does make links
    for text in (address, f"U7 {address} x", f"U7,{address},"):
        found = list(tokens(markdown.escape(text)))
        assert {kind for kind, _ in found} <= {"text", "code_inline"}
        assert "".join(said for _, said in found) == text


@settings(deadline=None, max_examples=examples(200))
@given(st.lists(texts | st.sampled_from(ADDRESSES), max_size=4))
def test_any_text_is_read_as_itself_and_nothing_else(parts: list[str]) -> None:
    text = printable(" ".join("".join(parts).split()))
    found = list(tokens("- " + markdown.escape(text)))
    assert {kind for kind, _ in found} <= {"text", "code_inline", "text_special"}
    assert "".join(said for _, said in found) == text


def test_a_cell_of_a_table_with_an_address_is_one_cell() -> None:
    row = f"| a | b |\n|---|---|\n| {markdown.escape('x|http://example.com|y')} | z |\n"
    assert "".join(said for _, said in tokens(row)) == "abx|http://example.com|yz"
