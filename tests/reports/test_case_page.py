"""A case as pages and documents: the same story in each."""

from __future__ import annotations

import json
from functools import cache
from itertools import pairwise

import pytest

from memdiag.model.case import CaseReport
from memdiag.reports.case_page import case_page
from memdiag.reports.formats import render
from memdiag.reports.page import Course
from memdiag.reports.suspicion_chart import BASE, TOP, chart
from tests.repair.case.test_case import SWAP, run
from tests.support import schemas
from tests.support.twodumps import GONE, WEAK


@cache
def told(kind: str) -> CaseReport:
    from memdiag.repair.case.story import case

    runs = {
        "cured": lambda: [run({"U6": GONE}), run({}, 2, replaced="U6", stage="final")],
        "moved": lambda: [run({"U6": WEAK}), run({"U9": WEAK}, 2, **SWAP)],
        "stayed": lambda: [run({"U6": WEAK}), run({"U6": WEAK}, 2, replaced="U6")],
        "clear": lambda: [run({})],
    }[kind]()
    return case(runs)


KINDS = ("cured", "moved", "stayed", "clear")


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_keeps_to_its_schema(kind: str) -> None:
    document = json.loads(render(case_page(told(kind)), "json"))
    schemas.check(document, "memdiag-case-1")
    assert len(document["runs"]) == len(document["steps"])
    assert document["release"]["allowed"] is (kind in ("cured", "clear"))
    for finding in document["established"]:
        total = finding["probability"] + sum(a["probability"] for a in finding["alternatives"])
        assert total == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("form", ["text", "markdown", "html", "csv"])
def test_every_form_tells_every_run(kind: str, form: str) -> None:
    report = told(kind)
    page = render(case_page(report), form)
    for step in report.steps:
        assert (step.run.head.id or "") in page
    assert "None" not in page


def test_the_story_says_what_cured_it() -> None:
    page = render(case_page(told("cured")), "text")
    assert "may be released" in page and "cured by step 2" in page and "replaced U6" in page
    assert "must not be released" in render(case_page(told("moved")), "text")


def test_a_chart_has_a_line_a_suspect_and_a_dot_a_step() -> None:
    course = Course((("1", "intake"), ("2", "final")), (("U6 weak", (0.9, 0.1)), ("rail", (0, 1))))
    drawn = chart(course)
    assert drawn.count("<circle") == 4 and drawn.count("<path") == 2
    assert f'cy="{TOP:g}"' in drawn and f'cy="{BASE:g}"' in drawn  # sure, and out of the question
    assert "U6 weak: 90 %, 10 %" in drawn
    alone = chart(Course((("1", ""),), (("U6 weak", (0.5,)),)))
    assert alone.count("<circle") == 1


def test_names_at_the_ends_of_lines_do_not_overlap() -> None:
    lines = tuple((f"U{n} weak", (0.2, 0.2)) for n in range(6))
    drawn = chart(Course((("1", "a"), ("2", "b")), lines))
    heights = sorted(
        float(part.split('y="')[1].split('"')[0])
        for part in drawn.split("<text")
        if "weak" in part and "<title" not in part
    )
    assert len(heights) == 6
    assert all(b - a > 10 for a, b in pairwise(heights))


def test_no_text_of_a_head_adds_a_tag() -> None:
    from memdiag.repair.case.story import case

    report = case([run({"U6": GONE}, 1, stage="<script>alert(1)</script>")])
    assert "<script>alert" not in render(case_page(report), "html")
