"""The page: what it says first, that its links lead somewhere, and that no text becomes markup."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Action, Board, Cause, Finding, Place, Quote, Summary, Verdict
from memdiag.model.table import TableRow
from memdiag.reading import load
from memdiag.repair import soak
from memdiag.repair.comparison import compare, history
from memdiag.reports import html, paper
from memdiag.reports import verdict_page as pages
from memdiag.reports.charts import eye_strips
from memdiag.reports.packages import Mark
from memdiag.reports.soak_page import soak_page
from memdiag.reports.table_page import grid
from tests.support.benchtext import dump
from tests.support.htmlpages import comparison_page, verdict_page
from tests.support.marks import examples


def quince(number: int) -> Board:
    board = profiles.find(f"quince-{number}")
    assert board is not None
    return board


def judged(text: str) -> list[Verdict]:
    return [judge(run) for run in load.load(text)]


def by_hand(verdict: Verdict, *findings: Finding, text: str = "said") -> Verdict:
    top = findings[0]
    summary = Summary(top.cause, top.place.site, top.action, top.probability, text)
    return replace(verdict, findings=findings, summary=summary)


@pytest.fixture(scope="module")
def missing() -> Verdict:
    """U7 missing, U2 weak, U8 and U9 disturbed; U7 first, whichever the analyser puts first."""
    verdict = judged(dump(quince(12), gone=["U7"], thin=["U2"], disturbed=["U8", "U9"]))[0]
    first = next(f for f in verdict.findings if f.place == Place(site="U7"))
    rest = [f for f in verdict.findings if f is not first]
    return by_hand(verdict, first, *rest, text="U7 is missing")


class Page(HTMLParser):
    """A page taken apart by Python's own parser: tags, attributes, ids, links, texts in order."""

    VOID = frozenset({"meta", "br", "img", "link", "input", "hr"})

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.texts: list[str] = []
        self.stack: list[str] = []
        self.unbalanced: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in self.VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if not self.stack or self.stack.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if data.strip() and "style" not in self.stack and "title" not in self.stack:
            self.texts.append(data.strip())

    def values(self, name: str) -> list[str]:
        return [value for key, value in self.attributes if key == name]

    @property
    def words(self) -> str:
        return " ".join(self.texts)


TAGS = frozenset(
    """html head meta title style body main article header section nav footer h2 h3 p a b i ul ol
    li dl div dt dd span code figure table thead tbody tr th td br svg g rect path line circle text
    defs pattern details summary""".split()  # noqa: SIM905
)


def assert_inert(page: str) -> Page:
    """Only tags of our own, nothing that runs, loads, or styles outside the named sheet."""
    parsed = Page(page)
    assert set(parsed.tags) <= TAGS and parsed.unbalanced == [] and parsed.stack == []
    names = {name for name, _ in parsed.attributes}
    assert not {n for n in names if n.startswith("on") or n in ("style", "src", "srcset", "action")}
    assert all(link.startswith("#") for link in parsed.values("href"))
    policy = next(v for v in parsed.values("content") if "default-src" in v)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy and "*" not in policy and "http" not in policy.lower()
    sheets = re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert len(sheets) == 1
    digest = base64.b64encode(hashlib.sha256(sheets[0].encode()).digest()).decode()
    assert f"'sha256-{digest}'" in policy  # W3C CSP Level 3, section 2.3.1: hash-source
    return parsed


# --- what it says -------------------------------------------------------------------------------


def test_the_answer_comes_first(missing: Verdict) -> None:
    page = assert_inert(verdict_page([missing]))
    assert page.texts[:4] == ["U7", "over 99 %", "that the fault is here", "missing"]
    assert page.texts.index("REPLACE the package at U7") < 8


def test_cautions_stand_on_a_page_that_asks_for_heat(missing: Verdict) -> None:
    page = Page(verdict_page([missing]))
    assert all(caution in page.words for caution in missing.cautions) and missing.cautions
    assert "Heat: read" in page.words
    calm = Page(verdict_page(judged(dump(quince(12)))))
    assert "Heat: read" not in calm.words


def test_every_line_that_evidence_names_is_on_the_page(missing: Verdict) -> None:
    page = Page(verdict_page([missing]))
    ids = page.values("id")
    links = [link.removeprefix("#") for link in page.values("href")]
    assert len(set(ids)) == len(ids)
    assert links and set(links) <= set(ids)
    line = next(q.line for f in missing.findings for q in f.evidence if q.line is not None)
    assert missing.run.quote(line) in page.texts


def test_the_site_to_work_on_is_marked_on_its_side(missing: Verdict) -> None:
    page = verdict_page([missing])
    assert "top side: U1" in page and "U7 (work here) (missing)" in page
    told = Page(page).words
    assert "the site to work on: U7" in told
    assert "the site to work on" not in Page(verdict_page(judged(dump(quince(12))))).words


def test_a_mark_is_of_the_most_urgent_finding_and_one_site_is_worked_on(missing: Verdict) -> None:
    marks = pages.marks(missing)
    assert marks["U7"] == Mark("missing", True)
    assert marks["U2"].cause == "weak" and marks["U2"].work  # it wants heat as well
    assert marks["U8"].cause == "spillover"


def test_an_undecided_finding_shows_its_best_guess(missing: Verdict) -> None:
    finding = Finding(
        Place(site="U3", channel=4, lane=1),
        Cause.UNDECIDED,
        0.1,
        ((Cause.JOINT, 0.48), (Cause.WEAK, 0.42)),
        None,
        Action.RETEST,
        "both fit",
        evidence=(Quote(None, "nothing was counted"),),
        next=("press on U3",),
    )
    page = Page(verdict_page([by_hand(missing, finding)]))
    assert page.texts[:2] == ["U3", "channel 4 lane 1"]
    assert "undecided most likely joint 48 % or weak 42 %" in page.words
    assert "undecided (joint 48 %, weak 42 %)" in page.words and "press on U3" in page.words


def test_a_finding_that_was_declared_says_so(missing: Verdict) -> None:
    finding = Finding(
        Place(site="U7"),
        Cause.MISSING,
        0.999,
        ((Cause.UNDECIDED, 0.001),),
        None,
        Action.FIT,
        "empty on purpose",
        expected=True,
    )
    page = Page(verdict_page([by_hand(missing, finding)]))
    assert "as declared" in page.texts[:6] and "missing, as declared" in page.words


def test_several_runs_are_told_in_order_with_ids_of_their_own(missing: Verdict) -> None:
    text = dump(quince(8), thin=["U6"]) + dump(quince(8), head={"stage": "final"})
    verdicts = judged(text)
    page = assert_inert(verdict_page(verdicts))
    ids = page.values("id")
    assert len(verdicts) == 2 and len(set(ids)) == len(ids)
    assert {"#d1", "#d2"} <= set(page.values("href"))
    second = next(q.line for q in verdicts[0].findings[0].evidence if q.line)
    assert f"d1-L{second}" in ids and f"d2-L{verdicts[1].run.source.first_line}" in ids


def test_a_page_needs_a_verdict() -> None:
    with pytest.raises(ValueError, match="at least one"):
        verdict_page([])


def test_a_board_without_places_says_that_there_is_no_picture() -> None:
    text = dump(quince(12), gone=["U7"], head={"board": "pear-3"})
    page = assert_inert(verdict_page(judged(text)))
    assert "No picture: no board profile gives the places" in page.words
    assert "pattern" not in page.tags or "controller" not in page.texts


# --- the dump -----------------------------------------------------------------------------------


def test_a_short_dump_is_shown_whole(missing: Verdict) -> None:
    lines = paper.dump(missing.run, ())
    assert [line.text for line in lines] == list(missing.run.text)
    assert [line.number for line in lines] == list(range(1, len(lines) + 1))


def test_of_a_long_dump_nothing_vanishes_unsaid(missing: Verdict) -> None:
    long = replace(missing.run, text=missing.run.text + tuple(f"# {n}" for n in range(5000)))
    lines = paper.dump(long, {2500, 5100})
    numbers = [line.number for line in lines if line.number is not None]
    assert {2498, 2499, 2500, 2501, 2502, 5100} <= set(numbers) and len(numbers) < 80
    left = sum(int(line.text.split()[0]) for line in lines if line.number is None)
    assert left + len(numbers) == len(long.text)
    assert [line.number for line in lines if line.quoted] == [2500, 5100]


def test_a_line_too_long_for_any_page_is_cut_and_that_is_said(missing: Verdict) -> None:
    long = replace(missing.run, text=("x" * 1_000_000, "y"))
    lines = paper.dump(long, ())
    assert lines[0].text.endswith("(1000000 characters)") and len(lines[0].text) < 400


# --- eye widths ---------------------------------------------------------------------------------


def row(site: str, lane: int, width: float | None) -> TableRow:
    return TableRow("r", site, 0, 0, lane, 1, 0, None, "pass", width, *([None] * 9))  # type: ignore[arg-type]


def strip_of(*widths: float | None) -> str:
    rows = [row("U1", lane, width) for lane, width in enumerate(widths)]
    strips = eye_strips(rows, Board("b"), {}, "e")
    return strips[0][0] if strips else ""


def test_not_measured_and_no_eye_look_different() -> None:
    # The law of the dump format: a value not measured is never a zero.
    shut, unsaid = strip_of(0.4, 0.0), strip_of(0.4, None)
    assert shut != unsaid
    assert shut.count("<rect") == unsaid.count("<rect") == 1
    assert "0.00 UI" in shut and "not measured" in unsaid


def test_without_any_width_there_is_no_chart() -> None:
    assert strip_of(None, None) == ""


def test_bars_are_as_long_as_their_widths() -> None:
    heights = [float(h) for h in re.findall(r'<rect [^>]*height="([\d.]+)"', strip_of(0.4, 0.2))]
    assert heights[0] == pytest.approx(2 * heights[1], rel=1e-3)


def test_a_lane_is_hatched_by_its_own_cause() -> None:
    rows = [row("U1", 0, 0.4), replace(row("U1", 1, 0.2), cause="joint")]
    ((strip, _),) = eye_strips(rows, Board("b"), {"U1": Mark("joint", True)}, "e")
    assert strip.count('fill="#5b7f95"') == 1 and strip.count("url(#e0-dots)") == 1


def test_large_boards_make_several_strips_of_whole_sites() -> None:
    rows = [row(f"U{site}", lane, 0.4) for site in range(48) for lane in range(4)]
    strips = eye_strips(rows, Board("b"), {"U40": Mark("weak")}, "e")
    assert len(strips) > 4 and sum(marked for _, marked in strips) == 1
    assert sum(strip.count("<rect") for strip, _ in strips) == len(rows)
    shown = paper.strips(strips)
    assert sum(paper for _, paper in shown) == 1


# --- the table ----------------------------------------------------------------------------------


def test_the_table_leaves_out_columns_that_say_nothing(missing: Verdict) -> None:
    heads = [heading for heading, _ in paper.table(grid(missing.table)).heads]
    assert heads[:3] == ["site", "ch", "lane"] and "errors" in heads
    bare = replace(
        missing,
        table=tuple(
            replace(r, bits=None, errors=None, ber=None, ber_low=None, ber_high=None)
            for r in missing.table
        ),
    )
    assert "errors" not in [heading for heading, _ in paper.table(grid(bare.table)).heads]


def test_paper_keeps_the_rows_that_tell_and_says_how_many_it_leaves(missing: Verdict) -> None:
    table = paper.table(grid(missing.table))
    printed = [cells[0] for cells, kind in table.rows if "screen" not in kind]
    assert set(printed) == {"U2", "U7", "U8", "U9"}
    assert table.left_off == len(table.rows) - len(printed) == 48 - 16


# --- comparison ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def stages() -> list[str]:
    board = quince(12)
    return [
        dump(board, gone=["U7"], disturbed=["U8"]),
        dump(
            board,
            gone=["U7"],
            disturbed=["U8", "U9"],
            head={"stage": "bare", "removed": "U7", "at": "2031-03-05T11:00:00Z", "id": "b2"},
        ),
        dump(
            board,
            head={
                "stage": "after-swap",
                "replaced": "U7",
                "at": "2031-03-05T15:00:00Z",
                "id": "b3",
            },
        ),
    ]


def test_the_comparison_page_shows_both_runs(stages: list[str]) -> None:
    first, last = load.load(stages[0])[0], load.load(stages[2])[0]
    made = compare(first, last)
    page = assert_inert(comparison_page(made))
    assert page.texts[0].endswith("repaired") and made.headline in page.words
    assert {first.source.sha256, last.source.sha256} <= set(page.texts)
    assert page.texts.index("Before") < page.texts.index("After")
    assert "cleared" in page.words and len(set(page.values("id"))) == len(page.values("id"))


def test_runs_that_cannot_be_compared_name_the_setting(stages: list[str]) -> None:
    first = load.load(stages[0])[0]
    other = load.load(stages[2].replace("14.0 Gbit/s", "12.0 Gbit/s"))[0]
    page = assert_inert(comparison_page(compare(first, other)))
    assert "not comparable" in page.texts[0] and "rate" in page.words


def test_a_verdict_page_takes_the_comparison_and_the_history_in(stages: list[str]) -> None:
    runs = [load.load(text)[0] for text in stages]
    page = assert_inert(verdict_page([judge(runs[-1])], history(runs)))
    assert page.texts[1] == "clear" and "repaired" in page.words
    assert "Through the stages" in page.texts
    assert page.texts.index("after-swap") and "missing (as declared)" in page.words
    assert len(set(page.values("id"))) == len(page.values("id"))


# --- hostile text -------------------------------------------------------------------------------

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><script>alert(1)</script>",
    "<!--",
    "]]>",
    "{{ 7777 * 7 }}",
    "{% raw %}",
    "&lt;b&gt;",
    "javascript:alert(1)",
    "' onmouseover='alert(1)",
    "\u202egnp.exe",
    "\x1b[31mred",
    "\x00",
    "<svg/onload=alert(1)>",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_every_place_stays_text(missing: Verdict, text: str) -> None:
    finding = Finding(
        Place(site=text, channel=text, rail=text),
        Cause.WEAK,
        0.9,
        ((Cause.JOINT, 0.1),),
        text,
        Action.REPLACE,
        text,
        evidence=(Quote(3, text), Quote(None, text)),
        next=(text,),
    )
    head = replace(
        missing.run.head,
        ticket=text,
        serial=text,
        stage=text,
        board=text,
        lines=tuple(
            replace(line, value=text, key=text + line.key) for line in missing.run.head.lines
        ),
    )
    site = replace(missing.board.sites[0], ref=text)
    verdict = replace(
        by_hand(missing, finding, replace(finding, cause=Cause.SPILLOVER), text=text),
        run=replace(missing.run, head=head, text=(text, *missing.run.text)),
        board=replace(missing.board, name=text, sites=(site, *missing.board.sites[1:])),
        table=tuple(replace(r, site=text, first_failed_step=text) for r in missing.table),
        cautions=(text,),
        notes=(text,),
    )
    page = assert_inert(verdict_page([verdict, verdict]))
    assert "54439" not in page.words
    assert not re.search("[\u202a-\u202e\x00\x1b]", page.words)


@settings(max_examples=examples(25), deadline=None)
@given(st.text(min_size=1, max_size=40), st.text(max_size=200))
def test_no_text_of_a_dump_adds_a_tag(word: str, note: str) -> None:
    text = dump(quince(2), head={"note": note, "rig": word, word: note}, thin=["U1"])
    for verdict in judged(text):
        assert_inert(verdict_page([verdict]))


def test_the_templates_travel_with_the_package() -> None:
    names = {"page.html", "parts.html", "style.css"}
    assert names <= set(html.environment("memdiag.reports").list_templates())


def test_test_lengths_accuse_nobody() -> None:
    """A highlighted row is one to look at; how long to test is none."""
    shown = html.render(soak_page(soak.plan(1e-12, 0.95), None))
    assert "If errors are seen" in shown
    assert 'tr class="loud' not in shown
