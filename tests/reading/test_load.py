"""The one way in: what it takes, what it gives, what it raises."""

from __future__ import annotations

import hashlib
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.model import Run
from memdiag.reading import load

DUMP = "bench-dump 1\n[run]\nid a\nremoved U6\n[training]\nsite step result\nU1 id pass\n[end] 1\n"


def test_text_bytes_and_files_are_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.dump"
    path.write_text(DUMP)
    runs = [load.load(source)[0] for source in (DUMP, DUMP.encode(), path)]
    assert {run.source.sha256 for run in runs} == {hashlib.sha256(DUMP.encode()).hexdigest()}
    assert {run.source.name for run in runs} == {"-", str(path)}
    assert runs[0].training == runs[1].training == runs[2].training


def test_sites_removed_on_the_command_line_join_those_of_the_dump() -> None:
    (run,) = load.load(DUMP, removed=("U7", "U6"))
    assert run.head.removed == ("U6", "U7")
    (run,) = load.load(DUMP.replace("removed U6\n", ""))
    assert run.head.removed is None
    (run,) = load.load(DUMP.replace("removed U6", "removed -"))
    assert run.head.removed == ()


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty-text"),
        ("\n \n", "empty-text"),
        ("hello\n", "no-dump"),
        ("[training]\n", "no-rows"),
        ("\x00\x01\x02\x03" * 50, "not-a-text"),
    ],
)
def test_a_text_without_a_dump_is_unreadable(text: str, code: str) -> None:
    with pytest.raises(load.Unreadable) as caught:
        load.load(text)
    assert code in [p.code for p in caught.value.problems]
    assert str(caught.value)


def test_a_head_or_a_row_makes_a_run() -> None:
    assert load.load("bench-dump 1\n")[0].source.rows == 0
    assert load.load("[counts]\nbits\n5\n")[0].counts[0].bits == 5


def test_what_cannot_be_used_is_raised(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="nowhere"):
        load.load(tmp_path / "nowhere")
    with pytest.raises(profiles.ProfileError):
        load.load(DUMP, board=str(tmp_path / "none.toml"))


def test_a_large_text_that_is_no_dump_is_told_soon() -> None:
    with pytest.raises(load.Unreadable):
        load.load(bytes(range(256)) * 8000)
    with pytest.raises(load.Unreadable):
        load.load("kernel: nothing here\n" * 40_000)


def test_dumps_can_be_read_by_several_processes(tmp_path: Path) -> None:
    paths = []
    for number in range(4):
        path = tmp_path / f"{number}.dump"
        path.write_text(DUMP.replace("id a", f"id run-{number}"))
        paths.append(path)
    with ProcessPoolExecutor(2) as pool:
        found: list[list[Run]] = list(pool.map(load.load, paths))
    assert [runs[0].head.id for runs in found] == [f"run-{n}" for n in range(4)]
