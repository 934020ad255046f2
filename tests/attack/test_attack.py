"""A bounded part of the attack: each bomb within bounds of memory and time, and mutated pastes.

`python -m tests.attack` tries all of it, for as long as one likes.
"""

from __future__ import annotations

import gzip
import os
import random
from pathlib import Path

import pytest

from memdiag.reading import load
from memdiag.reading.cleaning import unpack
from tests.attack.bombs import DUMP, PACKED, PLAIN, Bomb
from tests.attack.limited import ROOT, run
from tests.attack.mutator import pastes
from tests.attack.one import one

PLAIN_MIB = 1024  # of address space, of which half is what the libraries map
SECONDS = 40  # many times what is needed: a loaded machine is no failure

# Those that each stand for a place where time or memory once grew without bound.
CHOSEN = (
    *("8 lines of 9,000 commas", "lines of 5,000 cells", "70,000 bare heads", "20,000 tiny dumps"),
    *("125,000 lone carriage returns", "removed with 1,500 sites", "rows like the header"),
    *("rows of one letter", "unknown keys", "nothing but sections", "columns without end"),
)
BY_NAME = {bomb.name: bomb for bomb in (*PLAIN, *PACKED)}


@pytest.mark.parametrize("name", CHOSEN)
def test_a_bomb_is_read_or_refused_within_bounds(name: str, tmp_path: Path) -> None:
    path = tmp_path / "bomb.dump"
    path.write_bytes(BY_NAME[name].make())
    ended = run(["read", str(path)], most_mib=PLAIN_MIB, seconds=SECONDS)
    assert ended.is_clean, ended


@pytest.mark.long
@pytest.mark.parametrize(
    "name", ["256 MiB of nothing in gzip", "256 MiB of nothing in xz", "a line of 100 MiB in gzip"]
)
@pytest.mark.parametrize("piped", [False, True])
def test_what_swells_is_refused_in_words(name: str, piped: bool, tmp_path: Path) -> None:
    """From a file and from standard input alike, in the memory of a few blocks."""
    path = tmp_path / "bomb.dump"
    path.write_bytes(BY_NAME[name].make())
    arguments, stdin = (["read"], path) if piped else (["read", str(path)], None)
    ended = run(arguments, stdin, most_mib=PLAIN_MIB, seconds=SECONDS)
    assert ended.status == 2 and ended.is_clean, ended
    assert "times its packed size" in ended.err
    assert ended.mib < 250


def test_input_without_end_is_refused() -> None:
    for endless in (["cat", "/dev/zero"], ["yes", "U3 0 1 read pass"]):
        ended = run(["verdict"], endless, most_mib=PLAIN_MIB, seconds=SECONDS)
        assert ended.status == 2 and ended.is_clean, ended


@pytest.mark.long
def test_a_dump_without_end_is_refused_with_the_bound() -> None:
    script = "printf 'bench-dump 1\\n[end] 0\\n'; yes ''"
    ended = run(["verdict"], ["sh", "-c", script], most_mib=PLAIN_MIB, seconds=120)
    assert ended.status == 2 and "2,000,000" in ended.err, ended


def test_a_pipe_reads_as_a_file_does() -> None:
    """The same text, plain and packed, through a pipe."""
    read_end, write_end = os.pipe()
    with os.fdopen(write_end, "wb") as file:
        file.write(gzip.compress(DUMP.encode()))
    with os.fdopen(read_end, "rb") as pipe:
        (piped,) = load.load(pipe)
    (plain,) = load.load(DUMP)
    assert piped.training == plain.training
    assert {p.code for p in piped.problems} - {p.code for p in plain.problems} == {"packed-input"}


def test_a_text_larger_than_a_pipe_may_bring(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpack, "MOST_PIPED", 1000)
    for text in (b"#" * 2000 + DUMP.encode(), gzip.compress(random.Random(1).randbytes(2000))):
        read_end, write_end = os.pipe()
        with os.fdopen(write_end, "wb") as file:
            file.write(text)
        with os.fdopen(read_end, "rb") as pipe, pytest.raises(load.Unreadable) as refused:
            load.load(pipe)
        assert refused.value.problems[-1].code == "text-too-large"


def test_mutated_pastes_are_judged_or_refused() -> None:
    came = {one(text) for text, _ in zip(pastes(random.Random(20)), range(60), strict=False)}
    assert came == {"judged", "refused"}


def test_every_bomb_has_its_name_once() -> None:
    bombs: tuple[Bomb, ...] = (*PLAIN, *PACKED)
    assert len(BY_NAME) == len(bombs)
    assert all(bomb.make() for bomb in bombs if not bomb.packed)


@pytest.mark.parametrize("way", ["boards", "grammars"])
def test_a_pipe_on_the_search_path_is_passed_over(way: str, tmp_path: Path) -> None:
    """Nobody writes to it: who opened it would wait for ever."""
    os.mkfifo(tmp_path / ("a.toml" if way == "boards" else "a.lark"))
    variable = f"MEMDIAG_{way.upper()}"
    dump = ROOT / "samples" / "ddr4-healthy.dump"
    arguments = ["board", "list"] if way == "boards" else ["grammar", "list"]
    for command in (arguments, ["read", str(dump)]):
        ended = run(command, seconds=30, environment={variable: str(tmp_path)})
        assert ended.status == 0, ended


@pytest.mark.parametrize("option", ["--board", "--grammar"])
def test_a_pipe_that_is_named_is_refused(option: str, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.lark"
    os.mkfifo(pipe)
    dump = ROOT / "samples" / "ddr4-healthy.dump"
    ended = run(["read", str(dump), option, str(pipe)], seconds=30)
    assert ended.status == 2 and ended.is_clean, ended
