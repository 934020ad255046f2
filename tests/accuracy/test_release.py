"""The measure of release: a judge that lets all go, one that lets none go, and the page."""

from __future__ import annotations

import math
import re

import pytest

from tests.accuracy import release, release_page
from tests.accuracy.release import Tried
from tests.accuracy.tables import put
from tests.simulator.damage import KINDS
from tests.simulator.damaging import Weight
from tests.simulator.paper import Paper

SEEDS = (9, 24)


def measured(monkeypatch: pytest.MonkeyPatch, answer: bool) -> list[Tried]:
    """What is tried of some boards, by a judge and a comparison that always say the same."""

    class Same:
        def __init__(self, *_: object) -> None:
            pass

        def repaired(self, _: str) -> tuple[bool, str]:
            return answer, ""

    monkeypatch.setattr(release, "_released", lambda *_: (answer, ""))
    monkeypatch.setattr(release, "Before", Same)
    return release.measure(SEEDS, processes=1)


def figures(tried: list[Tried]) -> list[float]:
    return [figure for _, figure, _, _ in release_page.aims(tried)]


def test_who_lets_all_go_is_wrong_wherever_it_matters(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = measured(monkeypatch, True)
    groups = {"sound", "damaged", "faulty", "mended", "not mended", "mended, damaged"}
    assert {t.group for t in tried} == groups
    assert figures(tried) == [100, 100, 0, 0, 100, 100]
    assert len(release.wrongly_let_go(tried)) >= 10


def test_who_holds_all_clears_nothing_falsely(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = measured(monkeypatch, False)
    assert not release.wrongly_let_go(tried)
    clear, faulty, hold, harmless, repaired, honest = figures(tried)
    assert math.isnan(clear) and math.isnan(harmless)  # no dump that is held whole counts
    assert (faulty, hold, repaired, honest) == (0, 100, 0, 0)


def test_the_section_takes_the_place_of_the_one_before() -> None:
    tried = [
        Tried("sound", "fully measured", True),
        Tried("damaged", "fail", False, Weight.FORBIDS),
        Tried("faulty", "missing", True, shows="a failing step"),
    ]
    made = release_page.section(tried, 1_000_000, 1_000_001)
    assert "| false clear, 1 damaged dumps of 1 kinds" in made and "met" in made
    page = "# How\n\n## By fault\n\ntext\n\n## The rest\n\n- a\n"
    once = put(page, release_page.TITLE, made, release_page.BEFORE)
    assert put(once, release_page.TITLE, made, release_page.BEFORE) == once
    titles = re.findall(r"^## (.*)", once, re.MULTILINE)
    assert titles == ["Release", "By fault", "The rest"]


HEAD = "bench-dump 1\n[training]\nsite ch lane step result width\n"


def paper(*rows: str, counts: str = "") -> Paper:
    return Paper(tuple((HEAD + "\n".join(rows) + "\n" + counts).splitlines()))


def test_what_shows_of_a_fault() -> None:
    from tests.support.twodumps import board

    at = board("quince-2")
    good = [f"U1 0 {lane} read pass 0.46UI" for lane in (0, 1)]
    count = "[counts]\nsite ch lane bits errors\nU1 0 0 1000000 {}\n"
    whole = paper(*good, counts=count.format(0))
    assert release.shown(whole, whole, at) == ""
    failed = paper(good[0].replace("pass", "fail"), good[1], counts=count.format(0))
    assert release.shown(failed, whole, at) == "a failing step"
    assert release.shown(whole, failed, at) == ""
    wrong = paper(*good, counts=count.format(3))
    assert release.shown(wrong, whole, at) == "wrong bits"
    assert release.shown(paper(*good, counts=count.format(2)), whole, at) == ""
    assert release.shown(paper(good[0], counts=count.format(0)), whole, at) == "missing rows"
    more = [f"U1 1 {lane} read pass 0.46UI" for lane in (0, 1)]
    thin = paper(good[0].replace("0.46", "0.30"), good[1], *more)
    assert release.shown(thin, paper(*good, *more), at) == "a thin eye"


def test_a_dump_takes_the_head_of_another() -> None:
    head = "bench-dump 1\n\n[run]\nid r1\nboard quince-2\nswapped U1>U2 U2>U1\n\n[counts]\na\n"
    tables = "bench-dump 1\n[run]\nid r2\n\n[training]\nstep result\nread pass\n[end] 1\n"
    made = release.told(head, tables, "final", "2025-11-05T10:00:00Z", ("replaced", "U2"))
    assert "quince-2" in made and "swapped" not in made and "r1" not in made and "r2" not in made
    assert "replaced  U2" in made and "[training]" in made and "[counts]" not in made


def test_each_board_meets_several_kinds() -> None:
    assert len(KINDS) >= 14
    assert release.DAMAGES[Weight.FORBIDS] * release_boards() >= 2000


def release_boards() -> int:
    from tests.accuracy.__main__ import RELEASES

    return RELEASES
