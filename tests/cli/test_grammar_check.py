"""What `grammar check` says of a layout that can be used, and of the lines of a dump."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from memdiag.cli.grammar import command
from memdiag.layouts import registry
from memdiag.layouts.grammar_compile import compile_pack
from memdiag.model.problems.layouts import KINDS
from memdiag.reading import load, unsaid_results

LINES = """\
head: "report"
end: "over"
training_row: "byte" LANE STEP RESULT
LANE: /[0-9]+/
STEP: /[a-z]+/
RESULT: /[a-z-]+/
%ignore " "
"""


def checked(folder: Path, grammar: str, dump: str) -> Result:
    (folder / "mine.lark").write_text(grammar)
    (folder / "dump.txt").write_text(dump)
    words = ["check", str(folder / "mine.lark"), str(folder / "dump.txt")]
    return CliRunner().invoke(command, words, standalone_mode=False)


def test_tabs_are_blanks_to_every_layout(tmp_path: Path) -> None:
    done = checked(tmp_path, LINES, "report\n\tbyte\t0 read\tpass\nover\t\n")
    assert done.return_value == 0


def test_lines_of_no_dump_are_told_with_what_would_begin_one(tmp_path: Path) -> None:
    dump = "good morning\nsecond\nreport\nbyte 0 read pass\nover\ngood night\n"
    done = checked(tmp_path, LINES, dump)
    lines = done.stdout.splitlines()
    told = [x for x in lines if "no dump is open" in x]
    assert [x.strip() for x in told] == [
        "^ no dump is open, and none begins here: found 'good', expected 'report', 'over' or 'byte'"
    ] * 2
    assert [lines[lines.index(told[0]) - 1].split()[:2]] == [["1", "outside"]]
    (share,) = (x for x in lines if x.startswith("outside"))
    assert share.endswith("of no dump: before the first line of one, or after the last line")
    assert done.return_value == 0


def test_a_layout_that_says_no_result_is_told(tmp_path: Path) -> None:
    without = LINES.replace(" RESULT\n", " DELAY\n").replace("RESULT: /[a-z-]+/", "DELAY: /[0-9]+/")
    done = checked(tmp_path, without, "report\nbyte 0 read 12\nover\n")
    (told,) = done.stderr.splitlines()
    assert "no row of layout mine says a result" in told
    assert done.return_value == 0


@pytest.mark.parametrize(
    "more",
    [
        'tap+\ntap: TAP__1 | TAP__0\nTAP__1: "o"\nTAP__0: "."\n',
        '[RESULT__PASS]\nRESULT__PASS: "o"\n',
        '\ncontext: RESULT__FAIL\nRESULT__FAIL: "these failed:"\n',
    ],
)
def test_a_window_and_a_heading_can_say_how_a_step_ended(more: str) -> None:
    text = f'training_row: "byte" LANE STEP__READ {more}LANE: /[0-9]+/\nSTEP__READ: "rd"\n'
    layout = registry.unpack(compile_pack(text, "mine.lark"), "mine.lark")
    assert list(unsaid_results.of_layout(layout)) == []


def test_a_step_that_says_no_result_in_any_row_is_told(tmp_path: Path) -> None:
    grammar = LINES.replace("STEP RESULT", "STEP [RESULT]")
    done = checked(tmp_path, grammar, "report\nbyte 0 read\nbyte 1 read\nbyte 0 write ok\nover\n")
    (told,) = done.stderr.splitlines()
    assert told.startswith("memdiag: warning: line 2, column 1: 2 rows of step read, and none says")


@pytest.mark.parametrize(
    "code", sorted(code for code, kind in KINDS.items() if kind.via == "check")
)
def test_each_remark_is_provoked_by_its_inputs(code: str, tmp_path: Path) -> None:
    for text in KINDS[code].provoked_by:
        assert isinstance(text, str)
        (tmp_path / "trial.lark").write_text(text)
        layout = registry.load(tmp_path / "trial.lark")
        dump = "read 1 d2\n" if code == "layout-no-result" else "read 1\nread 2\n"
        runs = load.load(dump, grammar=str(tmp_path / "trial.lark"))
        said = [*unsaid_results.of_layout(layout), *unsaid_results.of_runs(runs)]
        assert code in [p.code for p in said]


def test_an_alias_is_offered_where_a_line_rule_stands_twice_and_serves(tmp_path: Path) -> None:
    dump = "report\nbyte 0 read pass\n-- hello\n== hello\nover\n"
    twice = LINES + 'noise: "--" _X\n{}: "==" _X{}\n_X: /[a-z]+/\n'
    done = checked(tmp_path, twice.format("noise", ""), dump)
    assert done.return_value == 2
    assert "noise is defined in line 8 already" in done.stderr
    assert "other: ... -> noise" in done.stderr
    assert checked(tmp_path, twice.format("other", " -> noise"), dump).return_value == 0
