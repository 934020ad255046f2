"""Where and what are two questions: a fault whose cause is open still has a place, and packages
that are not told apart are named and drawn as a group."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from xml.etree import ElementTree as ET

import pytest
from msgspec.structs import replace

from memdiag.model import Action, Cause, Finding, Place, Quote, Summary, Verdict
from memdiag.model.comparison import Change, ChangeKind, Comparison, History, Stage, State, Track
from memdiag.model.comparison import Outcome as RepairOutcome
from memdiag.model.rails import RailsReport
from memdiag.model.table import COLUMNS
from memdiag.reports import formats, heat_marks, verdict_page
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.drawing import board_svg, side_svg
from memdiag.reports.packages import PATTERNS, SUSPECT, WORK, Mark, swatch
from memdiag.reports.rails_page import rails_page
from tests.reports.test_documents import beyond_the_schema
from tests.reports.test_html import Page, assert_inert
from tests.support import schemas, twodumps

SIX = ("U1", "U2", "U3", "U4", "U5", "U6")

WEAK = Finding(
    Place("U9"),
    Cause.WEAK,
    0.62,
    ((Cause.JOINT, 0.35), (Cause.UNDECIDED, 0.022), (Cause.CLEAR, 0.008)),
    None,
    Action.REPLACE,
    "its own lanes fail",
    evidence=(Quote(20, "U9 fails"),),
    place_probability=0.97,
)
OPEN = replace(
    WEAK,
    place=Place("U9", 17, lane=1),
    cause=Cause.UNDECIDED,
    probability=0.03,
    alternatives=((Cause.JOINT, 0.5), (Cause.WEAK, 0.46), (Cause.CLEAR, 0.01)),
    action=Action.RETEST,
)
GROUP = replace(
    OPEN,
    place=Place(rail="VDD_MEM_A"),
    alternatives=((Cause.WEAK, 0.53), (Cause.SUPPLY, 0.44)),
    action=Action.CHECK_SUPPLY,
    place_probability=0.91,
    one_of=SIX,
)
DISTURBED = replace(
    WEAK,
    place=Place("U8"),
    cause=Cause.SPILLOVER,
    probability=0.95,
    alternatives=((Cause.WEAK, 0.05),),
    because_of="U9",
    action=Action.LEAVE,
    place_probability=0.06,
)
DECLARED = replace(
    WEAK,
    cause=Cause.MISSING,
    probability=0.98,
    alternatives=((Cause.CLEAR, 0.02),),
    action=Action.FIT,
    expected=True,
)


def verdict_of(*findings: Finding) -> Verdict:
    """A verdict that says these, on a dump of nothing in particular."""
    top = findings[0]
    site = None if top.one_of else top.place.site
    said = Summary(
        top.cause,
        site,
        top.action,
        top.probability,
        "as the wording has it",
        top.place,
        top.place_probability,
        top.one_of,
    )
    verdict = twodumps.judged(twodumps.before())
    rows = tuple(
        replace(row, cause=f.cause.value, probability=f.probability)
        for row in verdict.table
        for f in (next((f for f in findings if row.site in (f.place.site, *f.one_of)), WEAK),)
    )
    return replace(verdict, findings=findings, summary=said, table=rows)


def shown(form: str, *findings: Finding) -> str:
    return formats.render(verdict_page.verdict_page([verdict_of(*findings)]), form)


def flat(text: str) -> str:
    return " ".join(text.split())


# --- the document -------------------------------------------------------------------------------


def document(*findings: Finding) -> dict[str, object]:
    made = schemas.strictly(shown("json", *findings))
    assert isinstance(made, dict)
    return made


def test_a_document_says_where_of_each_finding_and_of_the_answer() -> None:
    made = document(GROUP, WEAK, DISTURBED)
    beyond_the_schema(made)
    assert [f["place_probability"] for f in made["findings"]] == [0.91, 0.97, 0.06]
    assert [f["one_of"] for f in made["findings"]] == [list(SIX), [], []]
    summary = made["summary"]
    assert (summary["place_probability"], summary["one_of"]) == (0.91, list(SIX))
    assert summary["place"] == made["findings"][0]["scope"]
    assert summary["place"]["rail"] == "VDD_MEM_A"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda f: replace(f, place_probability=f.probability - 0.01),
        lambda f: replace(f, one_of=("U9",)),
    ],
)
def test_a_place_less_likely_than_its_cause_is_found_out(
    spoil: Callable[[Finding], Finding],
) -> None:
    beyond_the_schema(document(WEAK))
    with pytest.raises(AssertionError):
        beyond_the_schema(document(spoil(WEAK)))


# --- text and Markdown --------------------------------------------------------------------------


def test_the_answer_is_where_what_and_what_now_a_line_each() -> None:
    assert shown("text", WEAK).splitlines()[:3] == [
        "WHERE: U9, 97 %",
        "WHAT: WEAK 62 %, or joint 35 %, undecided 2 %",
        "DO: REPLACE the package at U9",
    ]
    assert "1. U9, fault here 97 %: weak 62 %, or joint 35 %, undecided 2 % -> replace\n" in shown(
        "text", WEAK
    )


def test_an_open_cause_leaves_the_place_as_firm_as_any() -> None:
    lines = shown("text", OPEN).splitlines()
    assert lines[:2] == [
        "WHERE: U9 channel 17 lane 1, 97 %",
        "WHAT: UNDECIDED (joint 50 %, weak 46 %)",
    ]
    told = "1. U9 channel 17 lane 1, fault here 97 %: undecided (joint 50 %, weak 46 %) -> retest"
    assert told in lines


def test_a_group_is_named_and_nobody_of_it_at_random() -> None:
    text = flat(shown("text", GROUP))
    assert text.startswith("WHERE: one of U1 to U6 on rail VDD_MEM_A, 91 % WHAT: UNDECIDED (weak")
    assert "1. one of U1 to U6 on rail VDD_MEM_A, fault here 91 %: undecided" in text
    markdown = shown("markdown", GROUP).replace("\\", "")
    assert (
        "Where: **one of U1 to U6 on rail VDD_MEM_A**, 91 %  \nWhat: undecided (weak 53 %"
        in markdown
    )
    assert "### one of U1 to U6 on rail VDD_MEM_A, fault here 91 %: undecided" in markdown


def test_a_disturbed_or_declared_site_is_not_said_to_hold_a_fault() -> None:
    """The fault of the one lies elsewhere; the other is as the bench left it."""
    text = shown("text", WEAK, DISTURBED)
    assert "2. U8: spillover 95 %, or weak 5 %, because of U9 -> leave" in text
    for form in ("text", "markdown", "html"):
        assert "6 %" not in shown(form, WEAK, DISTURBED)
        assert "fault here" not in shown(form, DECLARED) and "97 %" not in shown(form, DECLARED)
        assert "clear 2 %" not in shown(form, DECLARED)
    assert shown("text", DECLARED).startswith(
        "U9: MISSING (as declared)\nDO: FIT a package at U9\n"
    )


def test_the_answer_is_the_finding_that_wants_work() -> None:
    """A site that is only disturbed is never the answer of a board that is held back."""
    verdict = verdict_of(DISTURBED)
    held = replace(verdict.summary, cause=Cause.UNDECIDED, site=None, action=Action.RETEST)
    said = verdict_page.answer(replace(verdict, summary=held))
    assert (said.where, said.here, said.do) == ("quince-12", "", verdict_page.NOT_YET)


# --- figures ------------------------------------------------------------------------------------


def test_the_sheet_of_a_verdict_has_the_place_behind_each_row() -> None:
    rows = list(csv.DictReader(io.StringIO(shown("csv", GROUP, replace(WEAK, one_of=())))))
    assert tuple(rows[0]) == (*COLUMNS, "place", "place_probability", "one_of")
    told = {r["site"]: (r["place"], r["place_probability"], r["one_of"]) for r in rows}
    assert told["U3"] == ("rail VDD_MEM_A", "0.91", " ".join(SIX))
    assert told["U9"] == ("U9", "0.97", "")
    assert told["U12"] == ("", "", ""), "a row of which no finding speaks"


def test_a_row_has_the_place_of_the_finding_that_its_cause_is_of() -> None:
    lane = replace(WEAK, place=Place("U9", 17, lane=1), cause=Cause.JOINT, place_probability=0.9)
    verdict = verdict_of(WEAK, lane)
    rows = tuple(
        replace(row, cause="joint") if lane.place.covers(replace(row.place, rank=None)) else row
        for row in verdict.table
    )
    page = verdict_page.verdict_page([replace(verdict, table=rows)])
    told = {
        (r["channel"], r["lane"]): r["place"]
        for r in csv.DictReader(io.StringIO(formats.render(page, "csv")))
        if r["site"] == "U9"
    }
    assert told["17", "1"] == "U9 channel 17 lane 1" and told["17", "0"] == "U9"


# --- pages and pictures -------------------------------------------------------------------------


def test_a_page_shows_the_place_before_the_cause() -> None:
    page = assert_inert(shown("html", OPEN))
    words = page.words
    assert words.startswith(
        "U9 channel 17 lane 1 97 % that the fault is here undecided most likely joint 50 %"
    )
    assert "U9 channel 17 lane 1 fault here 97 % undecided (joint 50 %, weak 46 %) RETEST" in words
    assert "weak 62 %, or joint 35 %, undecided 2 %" in Page(shown("html", WEAK)).words


def test_suspects_are_marked_alike_and_none_is_condemned() -> None:
    marks = heat_marks.marks(verdict_of(GROUP, WEAK, DISTURBED))
    assert {marks[ref] for ref in SIX} == {Mark(one_of=SIX)}
    assert marks["U9"] == Mark("weak", False)
    assert marks["U8"].cause == "spillover" and set(marks) == {*SIX, "U8", "U9"}
    pair = heat_marks.marks(verdict_of(replace(GROUP, one_of=("U1", "U2"))))
    assert set(pair) == {"U1", "U2"}, "others on the rail are no suspects"
    first = heat_marks.marks(verdict_of(replace(WEAK, place=Place("U2")), GROUP))
    assert first["U2"] == Mark("weak", True), "the more urgent finding is the one that is drawn"


def test_the_legend_says_what_a_suspect_is() -> None:
    page = assert_inert(shown("html", GROUP, WEAK))
    assert "suspect: one of U1 to U6" in page.words and "the site to work on" not in page.words
    assert "suspect" not in Page(shown("html", WEAK)).words


def test_a_suspect_is_drawn_as_no_cause_is() -> None:
    """Without colour too: its edge is broken, and it says among how many it stands."""

    def grey(mark: Mark) -> str:
        drawn = re.sub(r"#[0-9a-f]{3,6}\b", "#000", swatch(mark, "n"))
        return re.sub('aria-label="[^"]*"', "", drawn)

    alike = {grey(Mark(cause)) for cause in PATTERNS}
    assert "stroke-dasharray" in grey(Mark(one_of=SIX))
    assert not any("stroke-dasharray" in drawn for drawn in alike)
    verdict = verdict_of(GROUP)
    top = side_svg(verdict.board, "top", heat_marks.marks(verdict))
    root = ET.fromstring(top)
    texts = ["".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts.count("1 of 6") == 6
    assert top.count(f'stroke="{SUSPECT}"') == 6 and WORK not in top
    assert "U1 (suspect, 1 of 6)" in top and "(weak)" not in top
    assert "1 of 6" in board_svg(verdict.board, heat_marks.marks(verdict))


def test_ohm_readings_say_where_and_what() -> None:
    report = RailsReport(verdict_of(GROUP), (), (), (), ())
    text = formats.render(rails_page(report), "text")
    assert text.startswith("WHERE: one of U1 to U6 on rail VDD_MEM_A, 91 %\nWHAT: UNDECIDED (weak")


# --- comparisons and tickets --------------------------------------------------------------------


def compared() -> Comparison:
    """A group that is told apart later, by hand; the rest of two ordinary runs."""
    made = twodumps.compared(twodumps.before(), twodumps.after())
    first, last = verdict_of(GROUP), verdict_of(WEAK)
    change = Change(
        "finding", GROUP.place, ChangeKind.REMAINS, State(GROUP), State(WEAK), "still there"
    )
    stages = (Stage(first, None), Stage(first, None), Stage(last, RepairOutcome.NOT_REPAIRED))
    tracks = (Track(GROUP.place, (GROUP, DISTURBED, WEAK)),)
    return replace(
        made,
        changes=(change, *made.sites, *made.links),
        before_verdict=first,
        after_verdict=last,
        history=History(stages, tracks),
    )


def test_a_comparison_names_the_place_of_each_finding() -> None:
    page = comparison_page(compared())
    text = flat(formats.render(page, "text"))
    assert "1. one of U1 to U6 on rail VDD_MEM_A: undecided -> weak: REMAINS" in text
    assert (
        "- rail VDD_MEM_A: fault at one of U1 to U6 91 %, undecided -> spillover 95 % "
        "-> fault here 97 %, weak 62 %" in text
    )
    html = assert_inert(formats.render(page, "html")).words
    assert (
        "one of U1 to U6 on rail VDD_MEM_A fault here 91 % undecided (weak 53 %, supply 44 %)"
        in html
    )
    assert "fault at one of U1 to U6 91 %, undecided" in html and "suspect: one of U1 to U6" in html


def test_the_figures_of_a_comparison_hold_the_places() -> None:
    page = comparison_page(compared())
    made = json.loads(formats.render(page, "json"))
    schemas.check(made, "memdiag-comparison-1")
    change = made["changes"][0]
    assert change["before"]["place_probability"] == 0.91 and change["before"]["one_of"] == [*SIX]
    assert made["changes"][1]["after"]["place_probability"] is None
    stages = made["history"]["stages"]
    assert [s["place_probability"] for s in stages] == [0.91, 0.91, 0.97]
    assert stages[0]["place"]["rail"] == "VDD_MEM_A" and stages[2]["place"]["site"] == "U9"
    assert made["history"]["tracks"][0]["states"][0]["one_of"] == [*SIX]
    row = next(csv.DictReader(io.StringIO(formats.render(page, "csv"))))
    assert row["before_place_probability"] == "0.91" and row["before_one_of"] == " ".join(SIX)
    assert (row["after_place_probability"], row["after_one_of"]) == ("0.97", "")
