"""The further layouts that come with memdiag, and what layouts may lack."""

from __future__ import annotations

from pathlib import Path

import pytest

from memdiag import resources
from memdiag.evidence import table
from memdiag.evidence.measurements import measure
from memdiag.layouts import line_rules
from memdiag.model import Place, Result, Run, schema
from memdiag.model.quantities import Quantity
from memdiag.reading import load
from memdiag.reading.account import LineClass

SAMPLES = resources.shipped("samples") / "layouts"

CONSOLE = """\
~~~ memory report ~~~
board = quince-8
memory = ddr4
(roll call)
all silent
(channel 0, rank 0)
(reading, round two)
(clock 1600 at 61 C)
lane 3 tried 0:________ 1:__oooo__ 2:_______o
lane 2 tried 0:________ 1:________
lane 3 chosen 1:__ooooo_ at 11 ease 3, eye 0.31UI by 74mV
lane 2 nobody there (4 tries)
lane 3 stripes: 8000000 bits, 12 off (10 up, 2 down)
word 0x104000 of lane 3: sent 0x5a came 0x5b, link bad
word 0x104008 of lane 2: off by 0x81
gauge jitter: 3.1ps
~~~ report ends ~~~
"""


def one(source: str | Path) -> Run:
    (run,) = load.load(source)
    return run


def test_console() -> None:
    run = one(CONSOLE)
    assert [p.code for p in run.problems if p.severity != "info"] == []
    board, *scan = run.training
    assert (board.place, board.step, board.result) == (Place(), "id", Result.NO_RESPONSE)
    rows = [(r.place.lane, r.candidate, r.window) for r in scan]
    assert rows == [
        (3, "0", "00000000"),
        (3, "1", "00111100"),
        (3, "2", "00000001"),
        (2, "0", "00000000"),
        (2, "1", "00000000"),
        (3, "chosen 1", "00111110"),
        (2, None, None),
    ]
    for row in scan:
        assert (row.step, row.attempt, row.point, row.temp) == ("read", 2, "1600", 61)
        assert (row.place.channel, row.place.rank) == (0, 0)
    chosen, silent = scan[-2:]
    assert (chosen.width, chosen.height) == (Quantity(0.31, "UI"), Quantity(74, "mV"))
    assert (chosen.delay, chosen.spread) == (Quantity(11), Quantity(3))
    assert (silent.result, silent.tries) == (Result.NO_RESPONSE, 4)
    (count,) = run.counts
    assert (count.bits, count.errors, count.rose, count.fell) == (8_000_000, 12, 10, 2)
    log = run.errors
    assert log is not None
    assert log.wrong[:, 0].tolist() == [1, 0x81]
    assert log.directed.tolist() == [True, False]
    assert run.values[0].value == Quantity(3.1, "ps")
    assert run.source.complete


COMMAS = """\
memlog,1
run,board,quince-2
run,note,a, b
remark,anything
table,training,site,ch,lane,step,result,width,bench
U1, 0 ,,id,pass,,
U1,0,1,read,marginal,0.2UI,left
table,counts,bits,errors
4000,0
4000
stop,4
"""


def test_commas() -> None:
    run = one(COMMAS)
    assert run.head.board == "quince-2"
    assert run.head.note == "a, b"
    first, second = run.training
    assert (first.place, first.step, first.result) == (Place("U1", 0), "id", Result.PASS)
    assert (first.width, first.extra) == (None, {"bench": "-"})
    assert (second.place.lane, second.width, second.extra) == (
        1,
        Quantity(0.2, "UI"),
        {"bench": "left"},
    )
    assert run.counts[0].errors == 0
    (short,) = (p for p in run.problems if p.code == "not-understood")
    assert short.position is not None
    assert (short.position.line, short.position.column) == (10, 5)
    assert "expected ','" in short.message
    assert run.source.complete


WIDE = """\
<<< lanes side by side >>>
<<< board: quince-8
-- 61 C, set point 1600 --
ch 0 | roll call | all: mute
ch 0 rank 0 | read, try 2 | 0: ok 26 @13 | 1: - | 2: low 9
ch 0 rank 0 | soak march-c | 0: 0 of 4000 | 1: 12 of 4000
<<< end 6
"""


def test_wide() -> None:
    run = one(WIDE)
    assert [p.code for p in run.problems if p.severity != "info"] == []
    every, *lanes = run.training
    assert (every.place, every.step) == (Place(channel=0), "id")
    assert (every.result, every.attempt) == (Result.NO_RESPONSE, None)
    assert [(r.place.rank, r.place.lane, r.step, r.attempt) for r in lanes] == [
        (0, 0, "read", 2),
        (0, 1, "read", 2),
        (0, 2, "read", 2),
    ]
    assert [r.result for r in lanes] == [Result.PASS, Result.NOT_FOUND, Result.MARGINAL]
    assert [(r.width, r.delay) for r in lanes] == [
        (Quantity(26), Quantity(13)),
        (None, None),
        (Quantity(9), None),
    ]
    assert {(r.temp, r.point) for r in lanes} == {(61, "1600")}
    assert [(c.test, c.place.lane, c.errors, c.bits) for c in run.counts] == [
        ("march-c", 0, 0, 4000),
        ("march-c", 1, 12, 4000),
    ]
    assert run.source.complete


@pytest.mark.parametrize(
    ("name", "layout", "rows"),
    [("console.txt", "console", 96), ("commas.csv", "commas", 29), ("wide.txt", "wide", 50)],
)
def test_shipped_samples(name: str, layout: str, rows: int) -> None:
    run = one(SAMPLES / name)
    assert (run.source.layout, run.source.rows) == (layout, rows)
    assert run.source.complete
    assert [p.message for p in run.problems if p.severity == "error"] == []
    found = load.examine((SAMPLES / name).read_bytes())
    assert LineClass.PROBLEM not in found.account.count()


def test_lanes_may_be_listed_downwards_without_changing_the_table() -> None:
    head, *lanes = (
        "~~~ memory report ~~~\nboard = quince-8\n(channel 0, rank 0)\n(reading)\n",
        "lane 3 chosen 1:__ooooo_, eye 0.31UI by 74mV\n",
        "lane 2 chosen 1:___oooo_, eye 0.28UI by 70mV\n",
        "lane 1 narrow\n",
        "lane 0 silent\n",
    )
    over = "~~~ report ends ~~~\n"
    down, up = one(head + "".join(lanes) + over), one(head + "".join(reversed(lanes)) + over)
    assert [r.place.lane for r in down.training] == [3, 2, 1, 0]
    rows = table_rows(down)
    assert len(rows) == 4
    assert sorted(map(str, rows)) == sorted(map(str, table_rows(up)))


def table_rows(run: Run) -> list[object]:
    from memdiag.boards import profiles

    return list(table.rows(measure(run, profiles.for_run(run)[0])))


def test_a_board_level_result_alone_is_a_run(tmp_path: Path) -> None:
    grammar = tmp_path / "g.lark"
    grammar.write_text(
        'training_row: STEP__ALL RESULT__FAIL\nSTEP__ALL: "memory"\n'
        'RESULT__FAIL: "FAIL"\n%ignore " "\n'
    )
    (run,) = load.load("memory FAIL\n", grammar=str(grammar))
    (row,) = run.training
    assert (row.place, row.step, row.result) == (Place(), "all", Result.FAIL)


# -- the page that teaches it (`tests/test_docs.py` follows it word for word) -------------------

PAGE = Path(__file__).parents[2] / "docs" / "layouts.md"


def test_the_page_names_the_whole_law() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for rule in line_rules.LINE_RULES:
        assert f"`{rule}`" in page
        for column in line_rules.terminal_names(rule):
            if column not in schema.RUN_KEYS and column != line_rules.TAP:
                assert f"`{column.upper()}`" in page
