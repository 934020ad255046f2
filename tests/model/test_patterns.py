"""Patterns that are compiled at their first use, held to `re` (Python's own library)."""

from __future__ import annotations

import copy
import pickle
import re
from importlib import import_module
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memdiag.model.patterns import _Later, later

PACKAGE = Path(__file__).resolve().parents[2] / "memdiag"
WAYS = ("match", "fullmatch", "search", "findall", "split")


@given(st.sampled_from([r"a+", r"(b)|c", r"^x?", r"[A-Z]\d*"]), st.text("abcxAB1 "), st.booleans())
def test_it_finds_what_re_finds(pattern: str, text: str, any_case: bool) -> None:
    flags = re.IGNORECASE if any_case else re.NOFLAG
    ours, theirs = later(pattern, flags), re.compile(pattern, flags)
    for way in WAYS:
        mine, other = getattr(ours, way)(text), getattr(theirs, way)(text)
        assert [mine] == [other] or (mine.span(), mine.groups()) == (other.span(), other.groups())
    assert ours.sub("-", text) == theirs.sub("-", text)
    assert ours.pattern == theirs.pattern and ours.groups == theirs.groups


def test_nothing_is_compiled_before() -> None:
    wrong = later("(")
    with pytest.raises(re.error):
        wrong.match("x")


def test_it_can_be_copied_and_sent() -> None:
    assert copy.deepcopy(later("a")).match("a") and pickle.loads(pickle.dumps(later("a"))).match(
        "a"
    )


def test_each_of_ours_is_right() -> None:
    """What `re.compile` says at import, this says here."""
    found = 0
    for path in PACKAGE.rglob("*.py"):
        if "import later" not in path.read_text("utf-8"):
            continue
        module = import_module(".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts))
        for each in vars(module).values():
            if isinstance(each, _Later):
                assert re.compile(each.pattern, each.flags) is not None
                found += 1
    assert found > 40
