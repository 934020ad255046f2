"""Where the keys of a TOML text stand, and where a text that is none goes wrong."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from memdiag.model import toml_text
from memdiag.model.problems import Position
from memdiag.model.toml_places import Path, places

TEXT = '''\
# a board
board = "bench" # its name
"odd key" = 1
a . b . c = [ 1, [2,
   3], {x = 1, y = { z = "]}" }} ]
long = """
[not] = "a header" \\""" """"
raw = \'\'\'
k = 1\'\'\'
when = 1979-05-27 07:32:00
[[site]]
ref = "U1"
links = [
  { channel = 0, lanes = [0, 1] }, # one
]
[site.more]
k = 1
[[site]]
ref = "U2"
  [[site.inner]]
  z = 2
[deep.er]
k = true
'''


@pytest.mark.parametrize(
    ("path", "line", "column"),
    [
        (("board",), 2, 1),
        (("odd key",), 3, 1),
        (("a", "b", "c"), 4, 1),
        (("a", "b", "c", 0), 4, 15),
        (("a", "b", "c", 1, 1), 5, 4),
        (("a", "b", "c", 2, "y", "z"), 5, 22),
        (("long",), 6, 1),
        (("raw",), 8, 1),
        (("when",), 10, 1),
        (("site",), 11, 1),
        (("site", 0), 11, 1),
        (("site", 0, "links", 0, "lanes", 1), 14, 30),
        (("site", 0, "more", "k"), 17, 1),
        (("site", 1), 18, 1),
        (("site", 1, "ref"), 19, 1),
        (("site", 1, "inner", 0, "z"), 21, 3),
        (("deep",), 22, 1),
        (("deep", "er", "k"), 23, 1),
    ],
)
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_each_key_has_its_place(path: Path, line: int, column: int, ends: str) -> None:
    assert places(TEXT.replace("\n", ends))[path] == Position(line, column)


def paths(value: Any, path: Path = ()) -> set[Path]:
    """Every path of a parsed text, from the outside."""
    found = {path} - {()}
    if isinstance(value, dict):
        found |= {p for key, inner in value.items() for p in paths(inner, (*path, key))}
    if isinstance(value, list):
        found |= {p for n, inner in enumerate(value) for p in paths(inner, (*path, n))}
    return found


def test_the_text_has_the_places_that_it_parses_to() -> None:
    assert set(places(TEXT)) == paths(tomllib.loads(TEXT))


KEYS = st.text("abz-_019", min_size=1, max_size=4) | st.text(max_size=4)
VALUES = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=6) | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


def quoted(text: str) -> str:
    return json.dumps(text).replace("\x7f", "\\u007f")


def written(value: Any, gap: str) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(k)} = {written(v, ' ')}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(gap + written(v, gap) for v in value) + gap + "]"
    if isinstance(value, str):
        return quoted(value)
    return str(value).lower() if isinstance(value, bool) else str(value)


@settings(deadline=None)
@given(
    st.dictionaries(KEYS, VALUES, max_size=3),
    st.lists(st.dictionaries(KEYS, VALUES, max_size=3), max_size=3),
    st.sampled_from([" ", "\n", " # ]}\n\t"]),
)
def test_every_path_of_any_text_has_a_place(
    top: dict[str, Any], tables: list[dict[str, Any]], gap: str
) -> None:
    """Held to what tomllib makes of the same text."""
    top.pop("entry", None)
    lines = [f"{quoted(k)}={written(v, gap)} # {{" for k, v in top.items()]
    for number, table in enumerate(tables):
        lines += ["", ' [[ "entry" ]]', f"number-{number} = 0"]
        lines += [f"\t{quoted(k)} = {written(v, gap)}" for k, v in table.items()]
    text = "\n".join(lines) + "\n"
    if any("\ud800" <= c <= "\udfff" for c in text) or "\\ud" in text:
        return  # no character, and no TOML
    found = places(text)
    assert set(found) == paths(tomllib.loads(text))
    for number in range(len(tables)):
        at = found["entry", number, f"number-{number}"]
        assert text.split("\n")[at.line - 1] == f"number-{number} = 0" and at.column == 1


@settings(deadline=None)
@example('"\\0"')
@example('a = 1\nb."\\0" = 2')
@example('["\\ud800"]\na = 1')
@given(st.text(max_size=60) | st.text("[]{}=.,\"'#\n ab0\\", max_size=60))
def test_what_is_no_toml_ends_the_search(text: str) -> None:
    lines = text.replace("\r\n", " \n").split("\n")
    for at in places(text).values():
        assert 1 <= at.line <= len(lines) and 1 <= at.column <= len(lines[at.line - 1]) + 1


def test_an_escape_that_toml_has_not_ends_the_search_before_its_key() -> None:
    assert places('a = 1\nb."\\0" = 2\nc = 3') == {("a",): Position(1, 1), ("b",): Position(2, 1)}


def test_depth_is_no_matter() -> None:
    assert places("a = " + "[" * 2_000)["a", *[0] * 3] == Position(1, 8)


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("a = 1\nb = c\n", 2, 5),
        ("a = 1\n\n[b\nc = 1\n", 3, 3),
        ('a = "x', 1, 7),
        ("a = [1,\n", 1, 8),
    ],
)
def test_a_text_that_is_none_says_where(text: str, line: int, column: int) -> None:
    """As far as tomllib says it; at the end of the text where it says so."""
    with pytest.raises(toml_text.BadToml) as caught:
        toml_text.loads(text)
    assert caught.value.position == Position(line, column)
    assert "at line" not in str(caught.value)
