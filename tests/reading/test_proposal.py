"""A grammar that is proposed from a strange dump: it reads every line of it, and takes rows for
what they say."""

from __future__ import annotations

import itertools
import re
import tempfile
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from click.testing import Result as Ran
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag import resources
from memdiag.cli.grammar import command
from memdiag.layouts.grammar_compile import compile_pack
from memdiag.model import STEPS as STEPS_KNOWN
from memdiag.model import Result, Run
from memdiag.model.problems.layouts import KINDS
from memdiag.model.vocabulary import shipped
from memdiag.reading import load
from memdiag.reading.account import LineClass
from memdiag.reading.proposal.pieces import Kind, is_window, pieces
from memdiag.reading.proposal.propose import NoProposal, propose
from memdiag.reading.proposal.shapes import shapes
from tests.support.marks import examples

WORDS = shipped()


def proposed(text: str) -> str:
    return propose(text.encode(), "strange.txt", WORDS).text


def read(text: str, folder: Path) -> tuple[Run, str]:
    """The one run of a text, read by the grammar that is proposed for it."""
    grammar = folder / "proposed.lark"
    grammar.write_text(proposed(text), encoding="utf-8")
    (run,) = load.load(text, grammar=str(grammar))
    return run, grammar.read_text(encoding="utf-8")


def lines_of(text: str, folder: Path) -> dict[int, LineClass]:
    grammar = folder / "proposed.lark"
    grammar.write_text(proposed(text), encoding="utf-8")
    return dict(load.examine(text.encode(), grammar=str(grammar)).account.lines())


def told(run: Run) -> list[tuple[object, ...]]:
    return [(r.step, r.place.channel, r.place.lane, r.result) for r in run.training]


# -- what is guessed ----------------------------------------------------------------------------

TESTER = """\
>> head tester 4, station 2
>> board quince-2  memory lpddr4
identification
 ch 0: here
 ch 1: here
read eye, pass 1
 ch 0 byte 0: 31 of 64 ok
 ch 0 byte 1: 30 of 64 ok
 ch 1 byte 0: 32 of 64 ok
 ch 1 byte 1: 12 of 64 low
soak ch 1 byte 1
 bad 41 of 4000000000
 A=0001f3c8 W=5a R=1a
 A=00a0114c W=c3 R=83
fan at 1200
"""


def test_headings_rows_counts_and_error_words_are_guessed(tmp_path: Path) -> None:
    run, text = read(TESTER, tmp_path)
    assert (run.head.board, run.head.memory) == ("quince-2", "lpddr4")
    assert told(run) == [
        ("id", 0, None, None),
        ("id", 1, None, None),
        ("read", 0, 0, Result.PASS),
        ("read", 0, 1, Result.PASS),
        ("read", 1, 0, Result.PASS),
        ("read", 1, 1, Result.FAIL),
    ]
    assert [r.width.value for r in run.training if r.width is not None] == [31, 30, 32, 12]
    assert {r.attempt for r in run.training if r.step == "read"} == {1}
    (count,) = run.counts
    assert (count.bits, count.errors, count.place.lane) == (4_000_000_000, 41, 1)
    assert run.errors is not None and run.errors.wrong[:, 0].tolist() == [0x40, 0x40]
    assert "// LOOK: no result is known: if here says how it ended" in text
    assert "// LOOK: not known, and taken for fail: low" in text


def test_a_table_is_read_by_its_headings(tmp_path: Path) -> None:
    run, text = read(
        "ref,chan,byte,phase,status,eye,comment\n"
        "U1,0,0,read,ok,31,\nU1,0,1,read,FAIL,,no eye\nU2,1,0,write,odd,7,\n",
        tmp_path,
    )
    assert told(run) == [
        ("read", 0, 0, Result.PASS),
        ("read", 0, 1, Result.FAIL),
        ("write", 1, 0, Result.FAIL),
    ]
    assert [r.place.site for r in run.training] == ["U1", "U1", "U2"]
    assert [r.width and r.width.value for r in run.training] == [31, None, 7]
    assert "no column of this table: skipped" in text


def test_a_table_without_a_step_measures_nothing_until_it_is_named(tmp_path: Path) -> None:
    table = "| lane | result |  eye |\n| 0 | ok | 12 |\n| 1 | bad | 3 |\n"
    run, text = read(table, tmp_path)
    assert told(run) == [("unnamed", None, 0, Result.PASS), ("unnamed", None, 1, Result.FAIL)]
    assert "unnamed" not in STEPS_KNOWN
    assert '// LOOK: no line names the step; "lane" stands for it' in text
    named = text.replace("STEP__UNNAMED", "STEP__READ")
    (tmp_path / "named.lark").write_text(named)
    (again,) = load.load(table, grammar=str(tmp_path / "named.lark"))
    assert {r.step for r in again.training} == {"read"}


def test_windows_of_two_characters_are_read_tap_by_tap(tmp_path: Path) -> None:
    run, _ = read("lane 0: ....oooooo....\nlane 1: ..............\n", tmp_path)
    assert [r.window for r in run.training] == ["00001111110000", "0" * 14]
    run, _ = read("lane 0: xxxx......xxxx\nlane 1: xxx.......xxxx\n", tmp_path)
    assert [r.window for r in run.training] == ["00001111110000", "00011111110000"]


def test_a_dash_where_results_stand_is_no_heading_and_no_pass(tmp_path: Path) -> None:
    run, text = read("lane 0 ok 31\nlane 1 - -\nlane 2 bad 4\n", tmp_path)
    assert [r.result for r in run.training] == [Result.PASS, Result.NOT_FOUND, Result.FAIL]
    assert "// LOOK: taken for not-found where a result stands: -" in text


def test_numbers_in_front_that_nothing_names_are_the_place(tmp_path: Path) -> None:
    run, text = read("U1 0 0 read pass 0.48UI\nU1 0 1 read pass 0.47UI\n", tmp_path)
    assert told(run) == [("read", 0, 0, Result.PASS), ("read", 0, 1, Result.PASS)]
    assert "a guess: number 2 of 2 in front" in text


def test_what_is_skipped_though_it_tells_of_failure_is_remarked_on() -> None:
    text = proposed("lane 0 read ok\ndone, FAILED parts: 1\n")
    assert "// LOOK: skipped, though it says FAILED" in text
    text = proposed("ch 0 RD 31 OK WR 12 FAIL\nch 1 RD 30 OK WR 30 FAIL\n")
    assert "several rows in a line want a rule `rows`" in text


def test_no_rule_skips_any_line_whatever_it_holds(tmp_path: Path) -> None:
    text = "".join(f"lane {n} read ok\n" for n in range(4)) + "~~ hello there ~~ a b c d e f\n"
    (tmp_path / "p.lark").write_text(proposed(text))
    found = load.examine((text + "U3 is dead\n").encode(), grammar=str(tmp_path / "p.lark"))
    assert dict(found.account.lines())[6] is LineClass.PROBLEM


def test_rows_that_cannot_be_what_they_look_like_are_skipped_and_remarked_on(
    tmp_path: Path,
) -> None:
    dump = "lane 0 read ok\nlane 1 soak errors 50 bits 40\n"  # more bits wrong than compared
    assert lines_of(dump, tmp_path) == {1: LineClass.ROW, 2: LineClass.NOISE}
    assert "// LOOK: skipped: they looked like a count_row" in proposed(dump)


def test_what_is_printed_for_no_value_may_hold_a_slash(tmp_path: Path) -> None:
    run, _ = read("ch n/a read ok\nch 3 read ok\n", tmp_path)
    assert told(run) == [("read", None, None, Result.PASS), ("read", 3, None, Result.PASS)]
    assert lines_of("lane 7 read ok\nch U3\nn/a n/a\n", tmp_path)[3] is LineClass.NOISE


# -- for any text -------------------------------------------------------------------------------

SCRAPS = st.sampled_from(
    [
        *("ch", "lane", "byte", "read", "wr", "ok", "FAIL", "n/a", "-", "--", "U3", "CH0", "B1"),
        *("0", "12", "4000000000", "0.41UI", "61mV", "0x5a", "0001f3c8", "5a", "....oooo....", ":"),
        *(
            "=",
            ",",
            "[",
            "]",
            "|",
            '"',
            "\\",
            "/",
            "//",
            "%",
            "board",
            "memory",
            "é",
            "\u00a0",
            "x",
        ),
        *(
            "======",
            "of",
            "pass",
            "00111100",
            "1e3",
            "W=ff",
            "errors 50",
            "bits 40",
            "_",
            "LANE",
            "->",
            "\t",
            "(?",
            "1.",
            ".5",
        ),
    ]
)
LINES = st.lists(st.lists(SCRAPS, min_size=1, max_size=7).map(" ".join), min_size=1, max_size=8)


@given(LINES, st.integers(1, 3))
@settings(max_examples=examples(120), deadline=None)
def test_what_is_proposed_reads_every_line_of_its_dump(lines: list[str], times: int) -> None:
    text = "\n".join(["lane 7 read ok", *lines * times]) + "\n"
    made = propose(text.encode(), "any.txt", WORDS)
    layout = compile_pack(made.text, "any.lark")
    assert layout.name == "any"
    with tempfile.TemporaryDirectory() as folder:
        grammar = Path(folder) / "any.lark"
        grammar.write_text(made.text, encoding="utf-8")
        found = load.examine(text.encode(), grammar=str(grammar))
    classes = dict(found.account.lines())
    assert not {LineClass.PROBLEM, LineClass.OUTSIDE} & set(classes.values())


@given(st.text(max_size=200))
@settings(max_examples=examples(100), deadline=None)
def test_any_text_is_proposed_for_or_refused(text: str) -> None:
    try:
        propose(text.encode("utf-8", "surrogatepass"), "any.txt", WORDS)
    except NoProposal as none:
        assert none.problem.hint


CHANNEL = st.sampled_from(["ch", "channel", "CHAN"])
LANE = st.sampled_from(["byte", "lane", "Slice"])
RESULTS = st.sampled_from(["ok", "FAILED", "pass", "marginal", "timeout", "bad"])
STEPS = st.sampled_from(["read", "wr", "gate", "WRLVL"])
ROW = st.tuples(st.integers(0, 15), st.integers(0, 7), STEPS, RESULTS)


@given(
    st.lists(ROW, min_size=1, max_size=12),
    CHANNEL,
    LANE,
    st.sampled_from(["", ":", "="]),
    st.sampled_from(["{c} {l} {s} {r}", "{s}: {c}, {l} -> {r}", "[{c} {l}] {s} {r} done"]),
)
@settings(max_examples=examples(60), deadline=None)
def test_rows_with_the_usual_words_are_read_as_they_were_meant(
    rows: list[tuple[int, int, str, str]], channel: str, lane: str, sign: str, form: str
) -> None:
    """The words are those of the shipped vocabulary, whose meanings it says."""
    text = "".join(
        form.format(c=f"{channel}{sign} {c}", l=f"{lane}{sign} {ln}", s=s, r=r) + "\n"
        for c, ln, s, r in rows
    )
    with tempfile.TemporaryDirectory() as folder:
        run, _ = read(text, Path(folder))
    meant = [
        (WORDS.meant("step", s), c, ln, Result(str(WORDS.meant("result", r))))
        for c, ln, s, r in rows
    ]
    assert list(dict.fromkeys(told(run))) == list(dict.fromkeys(meant))


# -- pieces -------------------------------------------------------------------------------------


@given(st.text(st.characters(min_codepoint=32, max_codepoint=0x17F), max_size=60))
@settings(max_examples=examples(300), deadline=None)
def test_pieces_leave_nothing_out_but_blanks(text: str) -> None:
    found = pieces(text, WORDS)
    assert "".join("".join(p.text.split()) for p in found) == "".join(text.split())
    assert all(text[p.at : p.end] == p.text for p in found)
    assert all(a.end <= b.at for a, b in itertools.pairwise(found))


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("ch 0: 0.41UI", "wvmv"),
        ("CH0 B12", "wvwv"),
        ("U12 quince-2", "vv"),
        ("W=ff R=0e", "wmvwmv"),
        ("lane - --", "www"),
        ("....oooo.... ====== a-b", "vvw"),
        ("read eye not found", "ww"),
        ("12-4 -5 10.1", "vmvvv"),
        ("10 1000000", "vv"),
    ],
)
def test_pieces_of_a_line(text: str, kinds: str) -> None:
    assert "".join(p.kind[0] for p in pieces(text, WORDS)) == kinds


@pytest.mark.parametrize(
    ("text", "is_one"),
    [("00111100", True), ("1000000", False), ("xx..xx", True), ("abcabc", False), ("0110", False)],
)
def test_a_window_is_no_number(text: str, is_one: bool) -> None:
    assert is_window(text) == is_one
    assert Kind.VALUE == "value"


# -- the command --------------------------------------------------------------------------------


def ran(*words: str) -> Ran:
    return CliRunner().invoke(command, list(words), standalone_mode=False)


@pytest.mark.parametrize(
    "name", ["layouts/console.txt", "layouts/commas.csv", "layouts/wide.txt", "ddr4-missing.dump"]
)
def test_a_proposal_passes_the_check_on_its_dump(name: str, tmp_path: Path) -> None:
    dump, grammar = str(resources.shipped("samples") / name), str(tmp_path / "new.lark")
    made = ran("new", dump, "-o", grammar)
    assert made.return_value == 0
    assert re.search(r"info: \d+ kinds of lines are taken for rows", made.stderr)
    assert ran("check", grammar, dump).return_value == 0


@pytest.mark.parametrize(
    "code", sorted(code for code, kind in KINDS.items() if kind.via == "propose")
)
def test_each_problem_is_provoked_by_its_inputs(code: str, tmp_path: Path) -> None:
    dump = tmp_path / "dump.txt"
    for text in KINDS[code].provoked_by:
        assert isinstance(text, str)
        dump.write_text(text)
        done = ran("new", str(dump))
        shown = done.stderr + str(done.exception or "")
        start = KINDS[code].message.split("{")[0] or "kinds of lines are taken for rows"
        assert start in shown, (code, shown)


def test_a_line_of_many_words_takes_no_square_of_them() -> None:
    """Eight times the words take at most some 30 times as long: a square would be 64."""

    def seconds(words: int) -> float:
        text = f"lane 1 read ok\nlane 1 read {'x y ' * (words // 2)}\n".encode()
        lines = [(n, t, pieces(t, shipped())) for n, t in enumerate(text.decode().splitlines(), 1)]
        start = time.process_time()
        shapes(lines, shipped())
        return time.process_time() - start

    small, large = (min(seconds(n) for _ in range(2)) for n in (1_000, 8_000))
    assert large < 30 * max(small, 0.004)
