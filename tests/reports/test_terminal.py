"""A page on a terminal: its width, weight, sketch, cautions in short, and the answer again."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.diagnosis import cautions
from memdiag.diagnosis.judge import judge
from memdiag.model import Board, Verdict
from memdiag.reading.load import load
from memdiag.reports import text
from memdiag.reports.packages import Mark
from memdiag.reports.page import Page, Places
from memdiag.reports.sketch import sketch
from memdiag.reports.text import PAPER, Screen
from memdiag.reports.verdict_page import verdict_page
from tests.support.marks import examples

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
STYLE = re.compile(r"\x1b\[[0-9;]*m")


@cache
def verdict(name: str) -> Verdict:
    (run,) = load((SAMPLES / f"{name}.dump").read_bytes())
    return judge(run)


def page(*names: str) -> Page:
    return verdict_page([verdict(name) for name in names])


@settings(max_examples=examples(40), deadline=None)
@given(
    name=st.sampled_from(["missing-package", "ddr4-missing", "after-swap"]),
    width=st.integers(40, 200),
    height=st.integers(1, 300),
)
def test_no_line_is_wider_than_the_terminal_and_no_word_is_broken(
    name: str, width: int, height: int
) -> None:
    screen = Screen(width, height)
    made = text.render(page(name), screen)
    words = set(text.render(page(name), replace(screen, width=4000)).split())
    table = False
    for line in made.splitlines():
        table = (table or line.startswith("site ")) and bool(line)
        # A word that is longer than a line stands alone on one.
        assert len(line) <= width or len(line.split()) <= 2, line
        if not table and not line.startswith(("|", "+", "-", "site")) and "…" not in line:
            assert set(line.split()) <= words


def test_weight_and_colour_stand_only_where_they_are_shown() -> None:
    made = text.render(page("missing-package"), Screen(100, 400, styled=True))
    plain = text.render(page("missing-package"), Screen(100, 400))
    assert STYLE.sub("", made) == plain
    assert "\x1b" not in plain
    assert made.startswith("\x1b[1;31mWHERE: U6")
    clear = text.render(page("after-swap"), Screen(100, 400, styled=True))
    assert clear.startswith("\x1b[1;32m")


def test_what_stands_in_a_dump_is_not_obeyed_by_the_terminal() -> None:
    sly = verdict("missing-package")
    head = replace(sly.run.head, stage="\x1b[2Jgone", ticket="\x9b31m")
    shown = text.render(
        verdict_page([replace(sly, run=replace(sly.run, head=head))]), Screen(80, 99, styled=True)
    )
    assert "gone" in shown and not re.search(r"[\x00-\x09\x0b-\x1a\x1c-\x1f\x7f-\x9f]", shown)
    assert set(re.findall(r"\x1b.{3}", shown)) <= {"\x1b[1m", "\x1b[0m", "\x1b[1;"} or not (
        set(STYLE.sub("", shown)) & {"\x1b"}
    )


@pytest.mark.parametrize("height", [1, 24, 1000])
def test_the_answer_stands_last_where_it_scrolled_away(height: int) -> None:
    made = text.render(page("missing-package"), Screen(100, height)).splitlines()
    again = made[-3:] == made[:3]
    assert again == (height < 1000)
    assert made[0].startswith("WHERE: U6")
    assert len(made[-3:]) == 3


def test_of_several_runs_the_last_lines_are_one_each() -> None:
    made = text.render(page("missing-package", "after-swap"), Screen(100, 24)).splitlines()
    assert made[-2].startswith("WHERE: U6") and "CLEAR" in made[-1]


def test_paper_has_everything_in_full_and_no_sketch() -> None:
    made = text.render(page("missing-package"), PAPER)
    assert "+-----" not in made and "--cautions" not in made and "\x1b" not in made
    assert all(t[:40] in made.replace("\n  ", " ") for t in verdict("missing-package").cautions)


def test_folded_cautions_keep_what_burns_and_shorts() -> None:
    """Heat advised: the line on hot air stands in full; nothing is left unnamed."""
    full = verdict("missing-package").cautions
    short = cautions.folded(full)
    assert cautions.HEAT in short and cautions.OHMS in short and len(short) < len(full)
    assert all(word in short[-1] for word in ("reflow profile", "moisture", "static discharge"))
    assert short[-1].endswith(cautions.QUALIFIED)
    current = (cautions.OHMS, cautions.INJECT, cautions.QUALIFIED)
    assert cautions.folded(current) == current
    asked = text.render(page("missing-package"), Screen(100, 24, every_caution=True))
    assert "--cautions" not in asked and "J-STD-033" in asked


# --- the sketch ---------------------------------------------------------------------------------


def at(lines: list[str], label: str) -> tuple[int, int]:
    (found,) = ((r, line.index(label)) for r, line in enumerate(lines) if label in line)
    return found


def board(name: str) -> Board:
    return next(profiles.read(path) for known, path in profiles.shelf() if known == name)


def drawn(of: Board, marks: dict[str, Mark], width: int = 100) -> list[str]:
    return sketch(Places(of, marks), width).splitlines()


@pytest.mark.parametrize("width", [40, 60, 100])
def test_packages_lie_as_on_the_board(width: int) -> None:
    """By the centres of the profile: who is to the left is not drawn to the right, who is higher
    not lower."""
    of = board("quince-12")
    lines = drawn(of, {"U6": Mark("missing", work=True)}, width)
    assert max(map(len, lines)) <= width
    where = {s.ref: at(lines, f">{s.ref}<" if s.ref == "U6" else f" {s.ref} ") for s in of.sites}
    for a in of.sites:
        for b in of.sites:
            assert a.x is not None and b.x is not None and a.y is not None and b.y is not None
            if a.x <= b.x:
                assert where[a.ref][1] <= where[b.ref][1] + 1
            if a.y >= b.y:
                assert where[a.ref][0] <= where[b.ref][0]


def test_the_bottom_is_seen_turned_over() -> None:
    of = board("quince-12")
    under = replace(of, sites=tuple(replace(s, side="bottom") for s in of.sites))
    top, bottom = (drawn(b, {"U1": Mark("weak", work=True)}) for b in (of, under))
    assert "top side" in top[0] and "bottom side" in bottom[0]
    assert at(top, ">U1<")[1] < at(top, " U9 ")[1]
    assert at(bottom, ">U1<")[1] > at(bottom, " U9 ")[1]


def test_marks_are_told_apart_and_explained() -> None:
    marks = {
        "U1": Mark("weak", work=True),
        "U2": Mark("spillover"),
        "U3": Mark(one_of=("U3", "U4")),
        "U4": Mark(one_of=("U3", "U4")),
        "U5": Mark("joint"),
        "U7": Mark("clear"),
    }
    lines = drawn(board("quince-12"), marks)
    shown = "\n".join(lines)
    assert all(label in shown for label in (">U1<", "~U2~", "?U3?", "?U4?", "!U5!", " U7 "))
    for word in ("work on it", "disturbed", "one of these", "at fault too"):
        assert word in lines[-1]


def test_nothing_is_drawn_where_nothing_is_marked_or_known() -> None:
    of = board("quince-12")
    nowhere = replace(of, sites=tuple(replace(s, x=None, y=None) for s in of.sites))
    assert sketch(Places(of, {}), 100) == ""
    assert sketch(Places(nowhere, {"U1": Mark("weak", work=True)}), 100) == ""
    assert sketch(Places(of, {"U1": Mark("weak", work=True)}), 12) == ""
