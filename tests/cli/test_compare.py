"""`memdiag compare` from the outside: what is typed, what comes out, how it ends."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.cli import main
from memdiag.model import Action, Cause, Finding, Place, Quote
from memdiag.model.comparison import Comparison
from memdiag.model.problems import Severity
from memdiag.model.problems.comparing import KINDS
from memdiag.reading.load import load
from memdiag.repair.comparison import compare, history
from memdiag.reports.comparison_page import comparison_page
from memdiag.reports.formats import render
from memdiag.reports.text import PAPER
from tests.support.twodumps import (
    BITS,
    GONE,
    WARNED,
    WEAK,
    after,
    before,
    checker,
    dump,
    judged,
    run,
)


def shown(made: Comparison, format_: str) -> str:
    return render(comparison_page(made), format_)


GOLDEN = Path(__file__).resolve().parents[1] / "golden"

Call = Callable[..., tuple[int, str, str]]


class _Stdin(io.TextIOWrapper):
    def __init__(self, text: str, terminal: bool) -> None:
        super().__init__(io.BytesIO(text.encode()))
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    def run_it(*args: str, stdin: str = "", terminal: bool = False) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["memdiag", *args])
        monkeypatch.setattr(sys, "stdin", _Stdin(stdin, terminal))
        with pytest.raises(SystemExit) as stop:
            main.main()
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    return run_it


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., list[str]]:
    def write(*texts: str) -> list[str]:
        names = []
        for number, text in enumerate(texts):
            path = tmp_path / f"dump{number}.txt"
            path.write_bytes(text.encode())
            names.append(str(path))
        return names

    return write


REPAIRED = (before({"U6": WEAK}), after(head={"replaced": "U6"}))


def test_two_files(call: Call, files: Callable[..., list[str]]) -> None:
    status, out, _ = call("compare", *files(*REPAIRED))
    assert status == 0
    lines = out.splitlines()
    assert lines[0] == "REPAIRED: U6 weak before; clear now."
    assert lines[2].startswith("DO: ")


def test_one_of_them_pasted(call: Call, files: Callable[..., list[str]]) -> None:
    one, two = files(*REPAIRED)
    for args, paste in (((one, "-"), REPAIRED[1]), (("-", two), REPAIRED[0])):
        status, out, _ = call("compare", *args, stdin=paste)
        assert status == 0 and out.startswith("REPAIRED")


def test_both_in_one_paste(call: Call) -> None:
    status, out, _ = call("compare", stdin="".join(REPAIRED))
    assert status == 0 and out.startswith("REPAIRED")
    assert call("compare", "-", stdin="".join(REPAIRED))[1] == out


def test_two_pastes_at_a_terminal(call: Call) -> None:
    status, out, err = call("compare", stdin="".join(REPAIRED), terminal=True)
    assert status == 0 and out.startswith("REPAIRED")
    assert "Now the dump after the repair" in err


def test_more_than_two_give_the_history(call: Call, files: Callable[..., list[str]]) -> None:
    middle = dump({"U2": WEAK}, head={"id": "m", "stage": "after-swap"})
    status, out, _ = call("compare", *files(REPAIRED[0], middle, REPAIRED[1]))
    assert status == 0 and "STAGES" in out and "HISTORY" in out
    assert "U2: clear -> fault here" in out


@pytest.mark.parametrize(
    ("first", "second", "outcome"),
    [
        (before({"U6": WEAK}), after({"U6": WEAK}), "NOT-REPAIRED"),
        (before({"U6": WEAK}), after({"U6": GONE}), "WORSE"),
        (before({"U6": WEAK}), after({"U6": {"bits": 10}}), "TOO-LITTLE-DATA"),
        (before({"U6": WEAK}), after(head={"rate": "2.0 Gbit/s"}), "NOT-COMPARABLE"),
    ],
)
def test_any_other_outcome_is_status_1(
    call: Call, files: Callable[..., list[str]], first: str, second: str, outcome: str
) -> None:
    status, out, _ = call("compare", *files(first, second))
    assert status == 1 and out.startswith(f"{outcome}: ")


@pytest.mark.parametrize(
    ("args", "stdin", "says"),
    [
        ((), REPAIRED[0], "only one run was found"),
        ((), "", "holds no dump"),
        (("-", "-"), "".join(REPAIRED), "can be read once"),
        (("nowhere.txt",), "", "cannot read nowhere.txt"),
        (("--confidence", "high", "-"), "".join(REPAIRED), "95%"),
        (("--board", "no-such-board", "-"), "".join(REPAIRED), "no-such-board"),
    ],
)
def test_unusable_input_is_status_2(
    call: Call, args: tuple[str, ...], stdin: str, says: str
) -> None:
    status, out, err = call("compare", *args, stdin=stdin)
    assert status == 2 and out == "" and says in err and "Traceback" not in err


def test_same_dump_twice_says_what_to_do(call: Call, files: Callable[..., list[str]]) -> None:
    name = files(REPAIRED[0])[0]
    status, out, err = call("compare", name, name)
    assert status == 1 and "same dump" in out and "after the repair" in out
    assert "same dump" in err


def test_wrong_order_can_be_overruled(call: Call, files: Callable[..., list[str]]) -> None:
    late, early = files(*reversed(REPAIRED))
    status, out, _ = call("compare", late, early)
    assert status == 1 and out.startswith("NOT-COMPARABLE") and "--any-order" in out
    assert call("compare", late, early, "--any-order")[1].startswith("WORSE")


def test_removed_speaks_of_the_last_run(call: Call, files: Callable[..., list[str]]) -> None:
    names = files(before({"U6": WEAK}), after({"U6": GONE}))
    status, out, _ = call("compare", *names, "--removed", "U6")
    assert status == 1 and "U6 is empty on purpose" in out and "U6: weak" in out


def test_confidence_reaches_the_decision(call: Call, files: Callable[..., list[str]]) -> None:
    # Twenty cells before: none in a quarter of the bits happens with exp(-5) = 0.7 %.
    more: dict[str, Any] = {"columns": ("errors", "cells")}
    names = files(
        before({"U6": {**WEAK, "errors": 5, "cells": 5}}, **more),
        after({"U6": {"bits": BITS // 4}}, head={"replaced": "U6"}, **more),
    )
    assert call("compare", *names)[0] == 0
    assert call("compare", *names, "--confidence", "99.9%")[1].startswith("TOO-LITTLE-DATA")


@pytest.mark.parametrize("format_", ["text", "json", "csv", "markdown"])
def test_output_goes_to_a_file_whole(
    call: Call, files: Callable[..., list[str]], tmp_path: Path, format_: str
) -> None:
    target = tmp_path / "page"
    names = files(*REPAIRED)
    status, out, _ = call("compare", *names, "--format", format_, "-o", str(target))
    assert (status, out) == (0, "")
    assert target.read_text(encoding="utf-8") == call("compare", *names, "--format", format_)[1]


def test_json_is_valid_by_its_schema(call: Call, files: Callable[..., list[str]]) -> None:
    _, out, _ = call("compare", *files(*REPAIRED), "--format", "json")
    made = json.loads(out)
    checker().validate(made)
    assert made["outcome"] == "repaired" and made["differs"] == []
    assert {c["level"] for c in made["changes"]} == {"finding", "site", "link"}


def test_a_document_out_of_shape_is_refused_by_the_schema() -> None:
    good = json.loads(shown(fixed(), "json"))
    checker().validate(good)
    for spoil in (
        lambda d: d.pop("needed_bits"),
        lambda d: d.update(outcome="fine"),
        lambda d: d.update(outcome="not-comparable"),
        lambda d: d["changes"][0].update(change="gone"),
        lambda d: d["changes"][0].update(p=1.5),
        lambda d: d["before"].update(sha256="abc"),
    ):
        bad = json.loads(json.dumps(good))
        spoil(bad)
        assert not checker().is_valid(bad)


# ---- goldens: verdicts made by hand, so that only the page is held ----


def finding(site: str, cause: Cause, **more: Any) -> Finding:
    given = {
        "place": Place(site=site),
        "cause": cause,
        "probability": 0.97,
        "alternatives": ((Cause.CLEAR, 0.03),),
        "because_of": None,
        "action": Action.REPLACE,
        "reason": "by hand",
        "evidence": (Quote(12, "by hand"),),
    }
    return Finding(**(given | more))


def fixed() -> Comparison:
    """A weak package replaced, its neighbour's warnings gone, another with too few bits."""
    one = before({"U6": WEAK, "U5": WARNED, "U9/17/1": {"errors": 6}})
    two = after({"U9": {"bits": 10**10}}, head={"replaced": "U6"})
    early = replace(
        judged(one),
        findings=(
            finding("U6", Cause.WEAK),
            finding("U9", Cause.UNDECIDED, action=Action.RETEST),
            finding("U5", Cause.SPILLOVER, because_of="U6", action=Action.LEAVE),
        ),
    )
    late = replace(judged(two), findings=())
    return compare(run(one), run(two), before_verdict=early, after_verdict=late)


def fixed_history() -> Comparison:
    off = {"id": "m", "removed": "U6", "stage": "bare", "at": "2031-03-05T11:00:00Z"}
    texts = (before({"U6": GONE}), dump({"U6": GONE}, head=off), after(head={"replaced": "U6"}))
    first, bare = (
        finding("U6", Cause.MISSING),
        finding("U6", Cause.MISSING, expected=True, action=Action.FIT),
    )
    verdicts = [
        replace(judged(t), findings=f) for t, f in zip(texts, ((first,), (bare,), ()), strict=True)
    ]
    return history([run(t) for t in texts], verdicts=verdicts)


PAGES = {
    "compare.txt": lambda: shown(fixed(), "text"),
    "compare.md": lambda: shown(fixed(), "markdown"),
    "compare.csv": lambda: shown(fixed(), "csv"),
    "history.txt": lambda: shown(fixed_history(), "text"),
    "history.md": lambda: shown(fixed_history(), "markdown"),
}


@pytest.mark.parametrize("name", PAGES)
def test_page_is_as_it_was(name: str) -> None:
    """MEMDIAG_WRITE_GOLDENS=1 writes them anew: read the difference before you keep it."""
    made, path = PAGES[name](), GOLDEN / name
    if os.environ.get("MEMDIAG_WRITE_GOLDENS"):
        GOLDEN.mkdir(exist_ok=True)
        path.write_text(made, encoding="utf-8")
    assert path.exists(), f"{name} is missing"
    assert made == path.read_text(encoding="utf-8")


# ---- every page, whatever the runs hold ----


@given(
    st.sampled_from(["U1", "U6", "U12"]),
    st.sampled_from([GONE, WEAK, WARNED, {}]),
    st.sampled_from([GONE, WEAK, WARNED, {}, {"bits": 10**7}]),
)
@settings(max_examples=12, deadline=None)
def test_text_fits_a_terminal_and_answers_first(site: str, one: dict, two: dict) -> None:  # type: ignore[type-arg]
    first, second = before({site: one}), after({site: two}, head={"replaced": site})
    made = compare(
        run(first), run(second), before_verdict=judged(first), after_verdict=judged(second)
    )
    lines = shown(made, "text").splitlines()
    assert max(map(len, lines)) <= PAPER.width
    assert lines[0].startswith(made.outcome.value.upper()) and lines[2].startswith("DO: ")
    checker().validate(json.loads(shown(made, "json")))


def test_a_wide_table_loses_columns_not_its_width() -> None:
    one = before({"U12": GONE, "U7": WEAK})
    two = after({"U11": {**WEAK, "errors": 55_555}, "U12/23/1": {"read": "not-run"}})
    page = shown(
        compare(run(one), run(two), before_verdict=judged(one), after_verdict=judged(two)), "text"
    )
    assert max(map(len, page.splitlines())) <= PAPER.width
    assert "worst step" in page and "errors" in page


NASTY = "=cmd|<script>alert(1)</script>|`x`"


def test_nothing_from_a_dump_becomes_markup_or_a_formula() -> None:
    head = {"stage": NASTY, "rig": "a|b"}
    one, two = before({"U6": WEAK}, head=head), after(head={"rig": "=1+1", "replaced": "U6"})
    made = compare(run(one), run(two))
    page = shown(made, "markdown")
    assert "<script" not in page and "cmd|" not in page
    for line in shown(made, "csv").splitlines()[1:]:
        assert not any(cell.startswith(("=", "@", "+")) for cell in line.split(","))


def test_cautions_stand_where_heat_is_asked_for() -> None:
    page = shown(compare(run(before({"U6": WEAK})), run(after({"U6": WEAK}))), "text")
    assert "CAUTION" in page
    assert "CAUTION" not in shown(compare(*map(run, REPAIRED)), "text")


# ---- problems ----


@pytest.mark.parametrize("code", KINDS)
def test_every_problem_can_still_occur(code: str) -> None:
    assert KINDS[code].provoked_by
    for text in KINDS[code].provoked_by:
        one, two = load(text)
        made = compare(one, two)
        found = [p for p in made.problems if p.code == code]
        assert found, text
        assert all(p.hint and "{" not in p.message + p.hint for p in found)
        refused = any(p.severity is Severity.ERROR for p in made.problems)
        assert refused is (made.outcome.value == "not-comparable")
