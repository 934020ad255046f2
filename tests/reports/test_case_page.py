"""A case as pages and documents: the same story in each."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import ValidationError
from msgspec.structs import replace

from memdiag.model.case import Advice, CaseRelease, CaseReport
from memdiag.reading.load import load
from memdiag.repair.case.story import case
from memdiag.reports import curves
from memdiag.reports.case_page import case_page
from memdiag.reports.curves import curves_chart
from memdiag.reports.formats import render
from memdiag.reports.page import Chapter as Told
from memdiag.reports.page import Grid, Places, Story
from memdiag.reports.plotted import Curve
from memdiag.reports.text import PAPER
from tests.repair.case.test_case import SWAP, run
from tests.reports.test_html import assert_inert
from tests.support import schemas
from tests.support.marks import examples
from tests.support.twodumps import GONE, WEAK, board

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


@cache
def told(kind: str) -> CaseReport:
    samples = ("missing-package", "bare-boot", "after-swap")
    runs = {
        "cured": lambda: [run({"U6": GONE}), run({}, 2, replaced="U6", stage="final")],
        "moved": lambda: [run({"U6": WEAK}), run({"U9": WEAK}, 2, **SWAP)],
        "stayed": lambda: [run({"U6": WEAK}), run({"U6": WEAK}, 2, replaced="U6")],
        "clear": lambda: [run({})],
        "samples": lambda: [load(SAMPLES / f"{name}.dump")[0] for name in samples],
        "bare": lambda: [load(SAMPLES / f"{name}.dump")[0] for name in samples[:2]],
    }[kind]()
    return case(runs)


KINDS = ("cured", "moved", "stayed", "clear", "samples", "bare")
RELEASED = ("cured", "clear", "samples")


def shown(report: CaseReport, form: str = "text") -> str:
    return render(case_page(report), form)


def document(report: CaseReport) -> dict[str, Any]:
    made: dict[str, Any] = schemas.strictly(shown(report, "json"))
    schemas.check(made, "memdiag-case-1")
    return made


def section(page: str, title: str) -> list[str]:
    """The lines of a list of a text page."""
    found = re.search(rf"^{title}.*\n((?:.+\n)+)", page, re.MULTILINE)
    assert found, title
    return found.group(1).splitlines()


# --- the document -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_keeps_to_its_schema(kind: str) -> None:
    made = document(told(kind))
    assert len(made["runs"]) == len(made["steps"]) == len(told(kind).steps)
    assert made["release"]["allowed"] is (kind in RELEASED)
    assert made["worth"] == made["steps"][-1]["worth"]
    assert [step["run"] for step in made["steps"]] == list(range(len(made["runs"])))
    for finding in made["established"]:
        total = finding["probability"] + sum(a["probability"] for a in finding["alternatives"])
        assert total == pytest.approx(1.0, abs=1e-6)


def test_the_document_counts_steps_from_nought() -> None:
    made = document(told("samples"))
    assert made["steps"][1]["did"] == [{"action": "removed", "sites": ["U6"]}]
    (only,) = made["established"]
    assert (only["since"], only["cured_by"], only["cause"]) == (0, 2, "missing")
    assert "new package" in only["says"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("established"),
        lambda d: d.update(format="memdiag-case/2"),
        lambda d: d["runs"][0].update(sha256="beef"),
        lambda d: d["steps"][0]["suspects"][0].update(probability=1.01),
        lambda d: d["steps"][0]["suspects"][0]["scope"].pop("dq"),
        lambda d: d["steps"][2]["did"][0].update(action="kissed"),
        lambda d: d["steps"][2]["did"][0].update(sites=[]),
        lambda d: d["established"][0].update(cured_by=-1),
        lambda d: d["worth"].update(advice="perhaps"),
        lambda d: d["release"].update(allowed="yes"),
        lambda d: d.update(extra=None),
    ],
)
def test_a_broken_document_is_refused(spoil: Callable[[dict[str, Any]], object]) -> None:
    made = document(told("samples"))
    spoil(made)
    with pytest.raises(ValidationError):
        schemas.check(made, "memdiag-case-1")


def test_a_line_of_figures_is_a_step_and_a_suspect() -> None:
    rows = list(csv.DictReader(io.StringIO(shown(told("samples"), "csv"))))
    assert [row["step"] for row in rows] == ["1", "2", "3"]
    assert [row["did"] for row in rows] == ["", "removed U6", "replaced U6"]
    assert {(row["suspect"], row["cause"]) for row in rows} == {("U6", "missing")}
    assert all(float(row["probability"]) > 0.9 for row in rows)
    (alone,) = csv.DictReader(io.StringIO(shown(told("clear"), "csv")))
    assert alone["suspect"] == "" and alone["step"] == "1"


# --- the text -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("form", ["text", "markdown", "html", "csv"])
def test_every_form_tells_every_run(kind: str, form: str) -> None:
    page = shown(told(kind), form)
    for step in told(kind).steps:
        ident = step.run.head.id or ""
        assert (ident if form != "markdown" else ident.replace("-", "\\-")) in page
    assert "None" not in page


@pytest.mark.parametrize("kind", KINDS)
def test_the_place_comes_first_and_then_whether_it_may_go(kind: str) -> None:
    lines = shown(told(kind)).splitlines()
    places = {"moved": "U9", "clear": "quince-12"}
    assert re.match(rf"(WHERE: )?{places.get(kind, 'U6')}\b", lines[0])
    answer = "YES" if kind in RELEASED else "NO"
    titles = [line for line in lines if line.isupper() and not line.startswith(("DO", "U6"))]
    assert f"MAY THE BOARD BE RELEASED? {answer}" in lines
    order = ["MAY THE", "WHAT IS ESTABLISHED", "WHAT IS LEFT", "WHAT TO DO NEXT", "IS IT", "STORY"]
    if kind in RELEASED:
        order.remove("IS IT")
    found = [next(n for n, line in enumerate(lines) if line.startswith(each)) for each in order]
    assert found == sorted(found), titles
    assert all(len(line) <= PAPER.width for line in lines)


def test_the_story_is_told_in_order_with_what_was_done_seen_and_changed() -> None:
    page = shown(told("samples"))
    assert page.startswith("U6: WAS MISSING, CLEAR NOW (over 99 %)\nDO: RELEASE the board\n")
    assert section(page, "STORY") == [
        "1. before-swap (Q12-402): U6 is missing, over 99 % [U6 missing over 99 %]",
        "2. bare (Q12-403): removed U6; U6 is missing as declared [changes nothing]",
        "3. after-swap (Q12-404): replaced U6; no fault found in 4e11 bits per lane; gone: U6 "
        "missing",
        "   [changes nothing]",
    ]
    assert section(page, "WHAT IS LEFT") == ["- nothing"]
    (line,) = section(page, "WHAT IS ESTABLISHED")
    assert line.startswith("- U6 missing, over 99 %, since run 1: gone with") and "(run 3)" in line


def test_the_probabilities_that_move_are_told() -> None:
    stayed = shown(told("stayed"))
    assert re.search(r"^2\. .*replaced U6;.*\[U6 \w+ .* -> ", stayed, re.MULTILINE | re.DOTALL)


def test_what_is_left_says_what_it_may_be_and_what_to_do() -> None:
    left = section(shown(told("moved")), "WHAT IS LEFT")
    assert left[0].startswith("- U9: weak ") and "REPLACE the package at U9" in " ".join(left)


def test_a_board_that_is_held_without_a_finding_has_no_fault_named_yet() -> None:
    rows = "[training]\nstep result\nid pass\n[end] 1\n"
    (unread,) = load(f"bench-dump 1\n[run]\nboard quince-2\n{rows}")
    page = shown(case([unread]))
    assert "MAY THE BOARD BE RELEASED? NO" in page
    assert section(page, "WHAT IS LEFT") == ["- no fault is named yet"]


def test_whether_it_is_worth_going_on_names_its_figures() -> None:
    report = told("moved")
    page, worth = shown(report), report.steps[-1].worth
    assert f"IS IT WORTH GOING ON? {'GO ON' if worth.advice is Advice.GO_ON else '-'}" in page
    assert all(text[:40] in page for text in (worth.says, *worth.hangs_on))
    assert "IS IT WORTH" not in shown(told("cured"))  # nothing is left to go on with


@pytest.mark.parametrize("advice", list(Advice))
def test_each_advice_has_its_words(advice: Advice) -> None:
    report = told("moved")
    last = replace(report.steps[-1], worth=replace(report.steps[-1].worth, advice=advice))
    page = shown(replace(report, steps=(*report.steps[:-1], last)))
    words = {Advice.GO_ON: "GO ON", Advice.STOP: "STOP", Advice.ASK: "ASK THE CUSTOMER"}
    assert f"IS IT WORTH GOING ON? {words[advice]}" in page


def test_a_last_run_that_would_do_by_itself_does_not_hide_what_stands_against_it() -> None:
    report = told("cured")
    against = CaseRelease(False, ("fewer lanes than before were tested",))
    held = replace(report, release=against)
    page = shown(held)
    assert "UNDECIDED" in page.splitlines()[0] and "RETEST" in page.splitlines()[1]
    assert "fewer lanes than before were tested" in page and "CLEAR NOW" not in page


def test_with_many_runs_a_narrow_page_keeps_the_first_and_the_last() -> None:
    nine = [run({"U6": WEAK} if day < 9 else {}, day) for day in range(1, 10)]
    page = shown(case(nine))
    (heads,) = (line for line in page.splitlines() if line.startswith("run by run"))
    assert len(heads) <= PAPER.width and heads.endswith("run 9")
    assert shown(case(nine), "markdown").count("run 9") >= 1


# --- the page -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_is_whole_and_inert(kind: str) -> None:
    page = assert_inert(shown(told(kind), "html"))
    ids = page.values("id")
    assert len(set(ids)) == len(ids)
    assert {link.removeprefix("#") for link in page.values("href")} <= set(ids)


def test_the_strip_has_a_card_and_a_board_a_run() -> None:
    html = shown(told("samples"), "html")
    cards = re.search(r'<ol class="strip">(.*?)</ol>', html, re.DOTALL)
    assert cards
    each = cards.group(1).split("<li>")[1:]
    assert [card.count("<figure>") for card in each] == [1, 1, 1]
    assert [re.findall(r'class="did">([^<]+)<', card) for card in each] == [
        [],
        ["removed U6"],
        ["replaced U6"],
    ]
    # The picture in words: the mark is on the board while it is wrong, and gone with it.
    assert ["U6 (work here) (missing)" in card for card in each] == [True, True, False]
    assert "gone: U6 missing" in each[2] and "gone:" not in each[1]


def test_cards_of_a_board_with_two_sides_show_both() -> None:
    from tests.support.twodumps import dump

    two = board("quince-8")
    if {site.side for site in two.sites} != {"top", "bottom"}:
        pytest.fail("quince-8 has packages on both sides")
    runs = load(dump({"U6": GONE}, name="quince-8", head={"id": "r1"}))
    html = shown(case(runs), "html")
    assert html.split('<ol class="strip">')[1].split("</ol>")[0].count("<figure>") == 2


def test_the_large_picture_is_there_while_there_is_work() -> None:
    assert "Where it is" in shown(told("moved"), "html")
    assert "Where it is" not in shown(told("samples"), "html")
    assert "Take care" in shown(told("moved"), "html")


def test_problems_of_other_runs_lead_to_no_line_of_the_last() -> None:
    first = load(SAMPLES / "dirty-paste.dump")[0]
    assert any(p.position for p in first.problems)
    last = run({}, 2, serial=first.head.serial or "")
    report = case([replace(first, head=replace(first.head, board="quince-12")), last])
    page = assert_inert(shown(report, "html"))
    assert "run 1, line" in page.words
    assert {link.removeprefix("#") for link in page.values("href")} <= set(page.values("id"))


NASTY = ("<script>alert(1)</script>", '"><svg onload=x>', "a|b`c\u202e")


@pytest.mark.parametrize("stage", NASTY)
def test_no_text_of_a_head_adds_a_tag(stage: str) -> None:
    runs = [run({"U6": GONE}, 1, stage=stage), run({}, 2, replaced="U6", stage=stage)]
    html = shown(case(runs), "html")
    assert_inert(html)
    assert "\u202e" not in html and "\u202e" not in shown(case(runs))


# --- the chart ----------------------------------------------------------------------------------


def story(*lines: Curve, stages: tuple[str, ...] = ("intake", "final")) -> Story:
    places = Places(board(), {})
    chapters = (
        Told(f"{stage} run", stage, "", "seen", (), "moved", "", places) for stage in stages
    )
    return Story(tuple(chapters), lines, Grid((), ()))


def drawn(*lines: Curve, stages: tuple[str, ...] = ("intake", "final")) -> str:
    made = curves_chart(story(*lines, stages=stages))
    assert made is not None
    return str(made)


def test_a_line_goes_from_certain_to_out_of_the_question() -> None:
    made = drawn(Curve("U6 weak", (1.0, 0.0)))
    assert f"M{curves.LEFT:g} {curves.HEAD:g}L{curves.RIGHT:g} {134:g}" in made
    assert "U6 weak: run 1 over 99 %, run 2 under 1 %" in made
    assert ">U6 weak<" in made and ">under 1 %<" in made


def test_no_two_lines_look_alike_even_without_colour() -> None:
    looks = curves._LOOKS
    assert len({dashes for _, dashes, _ in looks}) == len({m for *_, m in looks}) == len(looks) == 8


def test_markers_are_hollow_from_the_run_on_by_which_it_was_gone() -> None:
    made = drawn(Curve("U6 missing", (0.9, 0.9, 0.9), 1), stages=("a", "b", "c"))
    fills = re.findall(r'fill="([^"]+)" stroke="#c8102e" stroke-width="1.5"', made)
    assert fills == ["#c8102e", "#fff", "#fff", "#fff"]  # three runs, and the one at its name
    assert "gone by run 2" in made


def test_one_run_or_no_suspect_needs_no_chart() -> None:
    assert curves_chart(story(Curve("U6 weak", (0.9,)), stages=("intake",))) is None
    assert curves_chart(story()) is None


def test_stages_that_do_not_fit_are_left_out_and_the_numbers_stay() -> None:
    long = tuple(f"a-stage-with-a-long-name-{n}" for n in range(9))
    made = drawn(Curve("U6 weak", (0.5,) * 9), stages=long)
    assert "long-name" not in made and ">9<" in made
    assert ">intake<" in drawn(Curve("U6 weak", (0.5, 0.5)))


LETTERS = "U0123456789 abcdefghijklmnopqrstuvwxyz"


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(LETTERS, min_size=1, max_size=60),
            st.lists(st.floats(0, 1), min_size=3, max_size=3).map(tuple),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_names_never_overlap_or_leave_the_picture(lines: list[Any]) -> None:
    made = drawn(*(Curve(name, points) for name, points in lines), stages=("a", "b", "c"))
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', made)
    assert size
    names = re.findall(
        rf'<text x="{curves.LABEL:g}" y="([\d.]+)" font-size="([\d.]+)"[^>]*>([^<]*)<', made
    )
    assert len(names) == 2 * len(lines)  # a name and its figures
    heights = sorted(float(y) for y, *_ in names)
    assert all(b - a > 11 for a, b in pairwise(heights))
    assert heights[-1] < float(size[2]) and heights[0] > 8
    for _, letters, words in names:
        assert curves.LABEL + 0.62 * float(letters) * len(words) <= curves.WIDE
