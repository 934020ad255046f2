"""The formats: which there are, what a file's ending means, and that hostile text stays text."""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

import click
import pytest
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.cli import common, main
from memdiag.model import Verdict
from memdiag.model.rails import RailsReport
from memdiag.repair import soak
from memdiag.reports import formats
from memdiag.reports.page import Page, TablePage
from memdiag.reports.rails_page import rails_page
from memdiag.reports.repair_page import RepairPage
from memdiag.reports.soak_page import soak_page
from memdiag.reports.table_page import table_page
from tests.reports.test_html import HOSTILE, assert_inert
from tests.support import rails

ROOT = Path(__file__).resolve().parents[2]
TEXTS = ("text", "json", "csv", "markdown", "html")
NASTY = "=1+1<script>alert(1)</script>|`x`\u202e"


def readings(*more: str) -> RailsReport:
    board = profiles.find("quince-12")
    assert board is not None
    return rails.check(["VDD_MEM_A=0.4:settled", "VDD_MEM_B=0L", *more], board)


def table(verdict: Verdict, title: str = "run") -> TablePage:
    return table_page([(title, verdict.table)])


# ---- the list ----


def test_a_format_has_a_name_and_endings_of_its_own() -> None:
    names = [f.name for f in formats.FORMATS]
    endings = [ending for f in formats.FORMATS for ending in f.endings]
    assert len(set(names)) == len(names) and len(set(endings)) == len(endings)
    assert all(ending.startswith(".") and ending == ending.lower() for ending in endings)


def test_what_a_kind_of_page_can_be_written_in() -> None:
    assert tuple(f.name for f in formats.of_kind(Page)) == TEXTS
    assert tuple(f.name for f in formats.of_kind(TablePage)) == (*TEXTS, "parquet")
    assert tuple(f.name for f in formats.of_kind(RepairPage)) == (*TEXTS, "customer")


@pytest.mark.parametrize(
    ("output", "name"),
    [
        ("page.html", "html"),
        ("PAGE.HTM", "html"),
        ("a.b/page.md", "markdown"),
        ("table.csv", "csv"),
        ("verdict.json", "json"),
        ("page.txt", "text"),
        ("page.docx", "text"),
        ("table.parquet", "text"),  # a verdict is no table alone
        ("html", "text"),
        ("-", "text"),
        (None, "text"),
    ],
)
def test_the_ending_decides_where_no_format_is_said(output: str | None, name: str) -> None:
    assert formats.chosen(Page, None, output).name == name
    assert formats.chosen(Page, "csv", output).name == "csv"


def test_a_table_can_be_kept_as_columns() -> None:
    assert formats.chosen(TablePage, None, "table.parquet").name == "parquet"


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a test registers is gone after it."""
    monkeypatch.setattr(formats, "FORMATS", list(formats.FORMATS))


@pytest.mark.usefixtures("registry")
def test_a_format_of_ones_own_is_chosen_as_the_others_are() -> None:
    mine = formats.Format("lines", (".lines",), "some.module")
    formats.register(mine)
    assert formats.of_kind(Page)[-1] is mine
    assert formats.chosen(Page, None, "today.lines") is mine


@pytest.mark.usefixtures("registry")
@pytest.mark.parametrize(("name", "ending"), [("html", ".page"), ("page", ".htm")])
def test_a_name_or_an_ending_is_taken_once(name: str, ending: str) -> None:
    with pytest.raises(ValueError, match="html has that name or ending"):
        formats.register(formats.Format(name, (ending,), "some.module"))
    assert [f.name for f in formats.FORMATS] == [*TEXTS, "customer", "parquet"]


@pytest.mark.usefixtures("registry")
def test_a_format_whose_module_is_not_there_is_a_sentence(
    capsys: pytest.CaptureFixture[str],
) -> None:
    formats.register(formats.Format("lines", (".lines",), "no_such_module"))
    page = table_page([])
    with pytest.raises(click.ClickException, match="lines: No module named 'no_such_module'"):
        common.write_page(page, "lines", None)
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    "words",
    [
        "verdict samples/missing-package.dump",
        "compare samples/missing-package.dump samples/after-swap.dump",
        "rails VDD_MEM_A=0.4:settled --board quince-12",
        "soak --below 1e-12 --line-rate 14Gbit/s",
        "read samples/missing-package.dump",
    ],
)
@pytest.mark.parametrize(("ending", "name"), [("html", "html"), ("md", "markdown"), ("csv", "csv")])
def test_the_command_goes_by_the_ending(
    words: str,
    ending: str,
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(ROOT)
    target = tmp_path / f"page.{ending}"

    def run(*arguments: str) -> str:
        monkeypatch.setattr(sys, "argv", ["memdiag", *words.split(), *arguments])
        with pytest.raises(SystemExit) as stop:
            main.main()
        assert stop.value.code in (0, 1)
        return capsys.readouterr().out

    assert run("-o", str(target)) == ""
    assert target.read_text(encoding="utf-8") == run("--format", name)
    # What is said stands above what the file is called.
    run("-o", str(target), "--format", "text")
    assert target.read_text(encoding="utf-8") == run()


# ---- readings and soak plans in every format ----


def test_readings_say_the_same_in_every_format() -> None:
    page = rails_page(readings())
    for name in ("text", "markdown", "html"):
        shown = formats.render(page, name).replace("\\", "")
        for words in (
            "VDD_MEM_A",
            "0.4 ohm",
            "over range",
            "Injecting current",
            "CHECK THE SUPPLY",
        ):
            assert words in shown, (name, words)
    lines = list(csv.DictReader(io.StringIO(formats.render(page, "csv"))))
    assert [(line["rail"], line["ohms"]) for line in lines] == [
        ("VDD_MEM_A", "0.4"),
        ("VDD_MEM_B", ""),
    ]
    chances = [float(lines[0][state]) for state in ("normal", "high", "low", "short")]
    assert sum(chances) == pytest.approx(1, abs=1e-5) and max(chances) == chances[3]


def test_good_readings_are_clear_in_every_format() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    page = rails_page(rails.check(["VDD_MEM_A=116"], board))
    assert formats.render(page, "text").startswith("rails: CLEAR\nDO: nothing here")
    assert formats.render(page, "markdown").startswith("## rails: clear\n")
    assert assert_inert(formats.render(page, "html")).texts[:2] == ["rails", "clear"]


def test_a_soak_plan_says_the_same_in_every_format() -> None:
    plan = soak.plan(1e-12, 0.95, scope="U6", lines=32, line_rate=14e9)
    proof = soak.proof(2 * 10**12, 1, 0.95, scope="U6", lines=32)
    page = soak_page(plan, proof)
    for name in ("text", "markdown", "html"):
        shown = formats.render(page, name).replace("\\", "")
        for words in (
            "RUN 2.996e12 bits",
            "6.69 s",
            "7.754e12 bits",
            "SHOWN by 2.000e12",
            "2.4e-12",
        ):
            assert words in shown, (name, words)
    lines = list(csv.DictReader(io.StringIO(formats.render(page, "csv"))))
    assert [line["kind"] for line in lines] == ["plan"] * 4 + ["proof"]
    assert [line["errors"] for line in lines] == ["0", "1", "2", "3", "1"]
    assert int(lines[0]["bits"]) == plan.steps[0].bits and lines[4]["seconds"] == ""
    assert float(lines[4]["below"]) == pytest.approx(proof.below, rel=1e-5)


def test_only_one_half_of_a_soak_page_may_be_there() -> None:
    proof = soak_page(None, soak.proof(10**9, 0, 0.95))
    plan = soak_page(soak.plan(1e-9, 0.95), None)
    for name in TEXTS:
        assert "SHOWN by" in formats.render(proof, name) or name in ("json", "csv")
        assert "Give --line-rate" in formats.render(plan, name).replace("\\", "") or name in (
            "json",
            "csv",
        )


# ---- hostile text ----


def hostile_pages(text: str) -> list[Page]:
    report = readings()
    first = replace(report.readings[0], rail=text, trend=text, without=(text,))
    finding = replace(report.verdict.findings[0], next=(text,))
    verdict = replace(report.verdict, findings=(finding, *report.verdict.findings[1:]))
    plan = soak.plan(1e-12, 0.95, scope=text, lines=32, line_rate=14e9)
    return [
        rails_page(
            replace(
                report,
                verdict=verdict,
                readings=(first, *report.readings[1:]),
                accounted=((text, 1.0),),
                injections=((text, 1.0, 1.0, 1.0, text),),
                cautions=(text,),
            )
        ),
        soak_page(plan, soak.proof(10**9, 0, 0.95, scope=text)),
    ]


@pytest.mark.parametrize("text", [*HOSTILE, NASTY])
def test_hostile_text_stays_text(text: str) -> None:
    for page in hostile_pages(text):
        assert_inert(formats.render(page, "html"))
        markdown = formats.render(page, "markdown")
        assert "<" not in markdown and "\x1b" not in markdown and "\u202e" not in markdown
        assert not {"\x1b", "\x00", "\u202e"} & set(formats.render(page, "text"))
        for line in csv.reader(io.StringIO(formats.render(page, "csv"))):
            assert not any(cell.startswith(("=", "+", "@", "\t")) for cell in line)
