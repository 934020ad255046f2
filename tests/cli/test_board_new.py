"""`memdiag board new`: from a first dump, a centroid file and answers to a profile of use.

The three boards are of no make: eight x8 packages of one channel, twelve with channels of their
own of which one is silent, and twenty-four back to back in pairs.
"""

from __future__ import annotations

import os
import pty
import re
import shlex
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.boards.centroid import Spot
from memdiag.cli import board_answers, main
from memdiag.model import Board
from memdiag.model.problems import making

ROOT = Path(__file__).resolve().parents[2]
HEAD = "Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\n"
Ran = Callable[..., tuple[int, str, str]]


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Ran:
    """`memdiag board new` in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))

    def run(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["memdiag", "board", "new", *words])
        with pytest.raises(SystemExit) as stop:
            main.main()
        out, err = capsys.readouterr()
        return int(stop.value.code or 0), out, err

    return run


def dump(name: str, memory: str, columns: str, rows: Iterable[str]) -> str:
    """A first boot: a training table and nothing else."""
    table = "\n".join(rows)
    head = f"bench-dump 1\n[run]\nboard {name}\nmemory {memory}\n"
    return f"{head}[training]\n{columns}\n{table}\n[end]\n"


def links(board: Board) -> dict[str, list[tuple[object, int, int | None]]]:
    return {s.ref: [(k.channel, k.rank, k.lane) for k in s.links] for s in board.sites}


# --- three boards -------------------------------------------------------------------------------


def test_eight_packages_of_one_channel_with_a_centroid_file_in_mils(
    ran: Ran, tmp_path: Path
) -> None:
    rows = [f"U{20 + i} 0 {i} read pass" for i in range(8)]
    Path("first.dump").write_text(dump("plum-8", "ddr4", "site ch lane step result", rows))
    # 500 mil are 12.7 mm (a mil is a thousandth of an inch).
    places = "".join(f"U{20 + i},{1000 + 500 * i},900,0,T\n" for i in range(8))
    Path("at.csv").write_text(
        "RefDes,X (mil),Y (mil),Rot,Side\nR1,1,1,0,T\nU1,2000,2500,0,T\n" + places
    )
    status, out, err = ran(
        "first.dump",
        "--centroid",
        "at.csv",
        "--size",
        "8x12",
        "--outline",
        "130x90",
        "--controller",
        "U1:30x30",
        "--rails",
        "VDD_MEM,VPP_MEM",
        "-o",
        "plum-8.toml",
    )
    assert (status, out) == (0, "")
    board, problems = profiles.read_with_problems("plum-8.toml")
    assert board is not None and problems == ()
    assert links(board) == {f"U{20 + i}": [(0, 0, i)] for i in range(8)}
    assert [(s.x, s.y) for s in board.sites][:2] == [(25.4, 22.86), (38.1, 22.86)]
    assert board.controller == (50.8, 63.5, (30, 30))
    assert {s.rails for s in board.sites} == {("VDD_MEM", "VPP_MEM")}
    assert {s.partition for s in board.sites} == {"P0"}  # one channel, one block
    assert "left out" not in err and "partitions are a guess" in err
    assert Path("plum-8.svg").read_text().startswith("<?xml")
    assert len(Path("plum-8.toml").read_text().splitlines()) <= 30


def test_twelve_packages_of_which_one_is_silent(ran: Ran) -> None:
    """A package that does not answer has rows without lanes: its lanes are those of the others."""
    rows = []
    for i in range(12):
        for channel in (2 * i, 2 * i + 1):
            if i == 4:
                rows.append(f"IC5 {channel} - id no-response")
            else:
                rows += [f"IC{i + 1} {channel} {lane} read pass" for lane in (0, 1)]
    Path("first.dump").write_text(dump("plum-12", "gddr6", "site ch lane step result", rows))
    status, out, err = ran("first.dump")
    assert status == 0
    board, _ = profiles.examine(out)
    assert board is not None
    assert links(board) == {
        f"IC{i + 1}": [(2 * i + k, 0, lane) for k in (0, 1) for lane in (0, 1)] for i in range(12)
    }
    assert board.partitions["P2"][0].ref == "IC5" and len(board.partitions) == 6
    assert "lanes 0, 1 of IC5 are a guess" in err
    assert out.count("[[sites]]") == 1  # one row of twelve


def test_twenty_four_packages_back_to_back(ran: Ran) -> None:
    """Pairs share two channels, a lane of each: U1 at the top, U13 behind it, and so on."""
    rows, places = [], []
    for i in range(12):
        for side, ref in enumerate((f"U{i + 1}", f"U{i + 13}")):
            rows += [f"{ref} {c} {side} read pass" for c in (2 * i, 2 * i + 1)]
            places.append(f"{ref},{20 + 15 * (i % 6)},{20 + 40 * (i // 6)},90,{'TB'[side]}\n")
    Path("first.dump").write_text(dump("plum-24", "gddr6", "site ch lane step result", rows))
    Path("at.csv").write_text(HEAD + "".join(places))
    status, _, err = ran("first.dump", "--centroid", "at.csv", "--size", "12x14", "-o", "p.toml")
    assert status == 0, err
    board, problems = profiles.read_with_problems("p.toml")
    assert board is not None and problems == ()
    assert len(board.sites) == 24
    for i in range(12):
        top, bottom = board.site(f"U{i + 1}"), board.site(f"U{i + 13}")
        assert top is not None and bottom is not None
        assert (top.clamshell, bottom.clamshell) == (bottom.ref, top.ref)
        assert (top.side, bottom.side) == ("top", "bottom")
        assert top.partition == bottom.partition == f"P{i}"
        assert links(board)[bottom.ref] == [(2 * i, 0, 1), (2 * i + 1, 0, 1)]
    text = Path("p.toml").read_text()
    assert text.count("[[sites]]") == 2 and len(text.splitlines()) <= 35


# --- what the dump does not say -----------------------------------------------------------------


def test_rows_without_sites_take_the_designators_that_are_answered(ran: Ran) -> None:
    rows = [f"{c} {lane} read pass" for c in range(4) for lane in (0, 1)]
    Path("d.dump").write_text(dump("b", "gddr6", "ch lane step result", rows))
    board, _ = profiles.examine(ran("d.dump", "--sites", "M1,M2")[1])
    assert board is not None
    assert [s.channels for s in board.sites] == [(0, 1), (2, 3)]
    rows = [f"0 {lane} read pass" for lane in range(8)]
    Path("d.dump").write_text(dump("b", "ddr4", "ch lane step result", rows))
    board, _ = profiles.examine(ran("d.dump", "--sites", "M1-M4")[1])
    assert board is not None
    assert links(board)["M2"] == [(0, 0, 2), (0, 0, 3)]  # x16 packages


def test_without_a_dump_everything_is_answered(ran: Ran) -> None:
    status, out, err = ran(
        "--name",
        "plum-4",
        "--memory",
        "LPDDR5",
        "--sites",
        "U1-U4",
        "--channels",
        "from A, 2 each",
        "--size",
        "10x14.5 mm",
        "--place",
        "U1=10,20",
        "--place",
        "u2=30,20,90,bottom",
        "--title",
        "Four",
        "--partitions",
        "2",
        "--rails",
        "VDD2",
    )
    assert status == 0, err
    board, _ = profiles.examine(out)
    assert board is not None and (board.name, board.title, board.memory) == (
        "plum-4",
        "Four",
        "lpddr5",
    )
    # JEDEC JESD209-5: a channel of LPDDR5 has sixteen lines, two byte lanes.
    assert links(board)["U4"] == [("G", 0, 0), ("G", 0, 1), ("H", 0, 0), ("H", 0, 1)]
    assert [s.partition for s in board.sites if s.ref in ("U1", "U3")] == ["P0", "P1"]
    two = board.site("U2")
    assert two is not None and (two.x, two.y, two.rotation, two.side) == (30, 20, 90, "bottom")
    assert "the places of U3, U4; the size of the board" in err


def test_dumps_of_one_board_are_taken_together(ran: Ran) -> None:
    columns = "site ch lane step result"
    Path("a.dump").write_text(dump("b", "ddr4", columns, ["U1 0 0 read pass"]))
    Path("b.dump").write_text(dump("B", "ddr4", columns, ["U2 0 1 read pass", "U1 0 - id pass"]))
    board, _ = profiles.examine(ran("a.dump", "b.dump")[1])
    assert board is not None
    assert links(board) == {"U1": [(0, 0, 0)], "U2": [(0, 0, 1)]}


def test_a_site_that_only_the_head_names_needs_its_links(ran: Ran) -> None:
    Path("a.dump").write_text(dump("b", "ddr4", "site ch lane step result", ["U1 0 0 read pass"]))
    status, out, err = ran("a.dump", "--removed", "U9")
    assert (status, out) == (2, "") and "not known: the links of U9" in err
    status, out, _ = ran(
        "a.dump", "--removed", "U9", "--link", "U9=A/1:0-1", "--link", "U9=3:2", "--partitions", "0"
    )
    assert status == 0
    board, _ = profiles.examine(out)
    assert board is not None
    assert links(board)["U9"] == [("A", 1, 0), ("A", 1, 1), (3, 0, 2)] and not board.partitions


def test_a_drawing_that_is_there_is_left_alone(ran: Ran) -> None:
    Path("p.svg").write_text("mine")
    words = ("--name", "b", "--memory", "gddr6", "--sites", "U1", "--channels", "0")
    placed = (*words, "--place", "U1=1,2", "--size", "3x4")
    assert ran(*placed, "-o", "p.toml")[0] == 0 and Path("p.svg").read_text() == "mine"
    assert ran(*placed, "--drawing", "q.svg")[0] == 0 and Path("q.svg").exists()
    assert "nothing to draw" in ran(*words, "--drawing", "q.svg")[2]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--size 12", "a size is written as in 12x14"),
        ("--memory gddr7", "there is no memory 'gddr7'"),
        ("--place U1", "begins with a designator"),
        ("--place U1=1", "a place is written as in"),
        ("--link U1=0", "links are written as in"),
        ("--sites U1-M4", "the two ends of U1-M4 begin differently"),
        ("--channels 'from 0, two each'", "from 0, 2 each"),
        ("--lanes both", "lanes are written as in"),
        ("--controller 5,5", "the controller is written as in"),
        ("--partitions two", "packages share a partition"),
        ("--clamshell U1-U2=U3", "2 packages cannot be paired with 1"),
        ("--name b --memory gddr6 --sites U1-U2 --channels 0", "is owned by U1 and U2"),
        ("--name b --memory ddr4 --sites U1 --channels 0 --lanes 99", "lanes"),
        ("--centroid none.csv --sites U1", "cannot read none.csv: no such file"),
    ],
)
def test_what_cannot_be_read_is_refused_in_words(ran: Ran, words: str, said: str) -> None:
    status, out, err = ran(*shlex.split(words), "-o", "out.toml")
    assert (status, out) == (2, "") and said in err
    assert not Path("out.toml").exists()


def test_each_problem_is_provoked_by_its_inputs(ran: Ran) -> None:
    columns = "site ch lane step result"
    Path("one.dump").write_text(dump("one", "gddr6", columns, ["U1 0 0 read pass"]))
    Path("two.dump").write_text(dump("two", "gddr6", columns, ["U1 0 0 read pass"]))
    rows = [f"{c} {lane} read pass" for c in range(4) for lane in (0, 1)]
    Path("bare.dump").write_text(dump("b", "gddr6", "ch lane step result", rows))
    rows = ["U1 0 0 read pass", "U1 0 1 read pass", "U2 1 - id no-response"]
    Path("silent.dump").write_text(dump("b", "gddr6", columns, rows))
    for code, kind in making.KINDS.items():
        assert kind.via == "new" and kind.provoked_by
        for words in kind.provoked_by:
            status, out, err = ran(*shlex.split(str(words)))
            parts = [p for p in re.split(r"\{[^}]*\}", f"{kind.message}|{kind.hint}") if p]
            assert all(each in err for p in parts for each in p.split("|")), (code, words, err)
            assert (status == 2) == (kind.severity == "error") and bool(out) == (status == 0)


@pytest.mark.parametrize(
    ("text", "spot"),
    [
        ("23,62", Spot(23, 62)),
        ("23.5, 62, 90", Spot(23.5, 62, 90)),
        ("23,5 62", Spot(23.5, 62)),
        ("23,5; 62,25; -90; Bottom", Spot(23.5, 62.25, 270, "bottom")),
        ("23,62,90,top", Spot(23, 62, 90, "top")),
    ],
)
def test_a_comma_parts_numbers_or_is_in_one_never_both(text: str, spot: Spot) -> None:
    assert board_answers.place(text) == spot


# --- at a terminal ------------------------------------------------------------------------------


def asked(tmp_path: Path, typed: str, *words: str) -> tuple[int, str, str]:
    """Exit status, what came on standard output, and what the terminal showed."""
    ours, theirs = pty.openpty()
    done = subprocess.Popen(
        [sys.executable, "-m", "memdiag", "board", "new", *words],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "dumb"},
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    shown = bytearray()

    def listen() -> None:
        try:
            while data := os.read(ours, 4096):
                shown.extend(data)
        except OSError:  # the other end is closed: EIO on Linux (pty(7))
            pass

    listener = threading.Thread(target=listen)
    listener.start()
    os.write(ours, typed.encode())
    out, _ = done.communicate(timeout=60)
    listener.join(timeout=10)
    os.close(ours)
    return done.returncode, out.decode(), shown.decode()


def test_a_terminal_asks_for_what_neither_knows_and_for_nothing_else(tmp_path: Path) -> None:
    rows = [f"U{c + 1} {c} {lane} read pass" for c in range(2) for lane in (0, 1)]
    (tmp_path / "a.dump").write_text(dump("b", "gddr6", "site ch lane step result", rows))
    typed = ["VDD_MEM", "twelve", "12x14", "10,20", "30,20,90", "", "20,40:9x9"]
    status, out, shown = asked(tmp_path, "".join(f"{line}\n" for line in typed), "a.dump")
    assert status == 0, shown
    board, _ = profiles.examine(out)
    assert board is not None and board.controller == (20, 40, (9, 9)) and board.outline is None
    assert [(s.x, s.y, s.rotation) for s in board.sites] == [(10, 20, 0), (30, 20, 90)]
    assert "a size is written as in 12x14" in shown  # asked again after `twelve`
    assert "name" not in shown.split("memdiag:")[0] and "designators" not in shown


def test_a_terminal_makes_a_whole_board_from_answers(tmp_path: Path) -> None:
    typed = ["b", "ddr4", "U1-U8", "0", "from 0, 1 each", "", "", "", "", ""]
    status, out, shown = asked(tmp_path, "".join(f"{line}\n" for line in typed))
    assert status == 0, shown
    board, _ = profiles.examine(out)
    assert board is not None
    assert links(board) == {f"U{i + 1}": [(0, 0, i)] for i in range(8)}
