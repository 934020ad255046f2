"""A batch: the same rows as a plain loop, whatever the workers, the order, the hash seed, and
however often it was stopped; and Parquet that others read back."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import memdiag
from memdiag.depot import batch as batches
from memdiag.depot import parts
from memdiag.depot.course import Course, Order
from memdiag.depot.errors import BatchError
from memdiag.depot.judging import How, Limits
from memdiag.model.batch import DATASETS
from tests.depot.bench import ROOT, batch, content, dump, fill, rows
from tests.depot.faults import HERE
from tests.support.marks import lengthy

SAMPLES = ROOT / "samples"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of samples, and what came of it in one go with one worker."""
    here = tmp_path_factory.mktemp("bench")
    (here / "in").mkdir()
    for name in ("missing-package", "four-dumps", "ddr4-dead-line", "dirty-paste", "healthy"):
        shutil.copy(SAMPLES / f"{name}.dump", here / "in")
    (here / "in" / "notes.txt").write_text("ask again on Monday\n")
    batch(here / "in", here / "out", workers=1, block=2)
    return here


def test_the_rows_are_those_of_a_plain_loop(bench: Path) -> None:
    """`memdiag.load` and `memdiag.judge`, one dump after another, are the reference."""
    found = rows(bench / "out", "verdicts")
    table = rows(bench / "out", "tables")
    expected = []
    for path in sorted((bench / "in").glob("*.dump")):
        for number, run in enumerate(memdiag.load(path), 1):
            verdict = memdiag.judge(run)
            s = verdict.summary
            expected.append((str(path), number, run.source.sha256, s.cause, s.site, s.action))
            mine = [r for r in table if (r["input"], r["number"]) == (str(path), number)]
            assert len(mine) == len(verdict.table)
            for row, one in zip(mine, verdict.table, strict=True):
                assert row["ber_high"] == one.ber_high and row["errors"] == one.errors
                assert row["channel"] == str(one.channel) and row["lane"] == one.lane
    keys = ("input", "number", "sha256", "cause", "site", "action")
    judged = [tuple(row[k] for k in keys) for row in found if row["aside"] is None]
    assert judged == expected and len(judged) == 8
    (aside,) = [row for row in found if row["aside"]]
    assert aside["input"].endswith("notes.txt") and aside["board"] == "-"


def test_pandas_reads_what_pyarrow_reads(bench: Path) -> None:
    import pandas as pd

    for dataset in DATASETS:
        frame = pd.read_parquet(bench / "out" / dataset)
        ours = rows(bench / "out", dataset)
        assert list(frame.columns) == [*(c.name for c in DATASETS[dataset]), "board"]
        frame = frame.sort_values(["input", "number"], kind="stable", na_position="first")
        assert frame["input"].tolist() == [row["input"] for row in ours]
        numbers = [None if pd.isna(n) else int(n) for n in frame["number"]]
        assert numbers == [row["number"] for row in ours]
    verdicts = pd.read_parquet(bench / "out" / "verdicts")
    least = "input sha256 run cause site action probability place_probability released lost seconds"
    assert set(least.split()) <= set(verdicts.columns)


@pytest.mark.parametrize("workers", [2, 3])
def test_the_workers_change_nothing(bench: Path, tmp_path: Path, workers: int) -> None:
    """Each worker has a hash seed of its own."""
    batch(bench / "in", tmp_path / "out", workers=workers, block=2)
    assert content(tmp_path / "out") == content(bench / "out")


@pytest.mark.long
def test_the_order_of_the_inputs_changes_nothing(bench: Path, tmp_path: Path) -> None:
    names = sorted(str(path) for path in (bench / "in").iterdir())
    batch(tuple(names), tmp_path / "a", block=2)
    batch((*reversed(names), names[0]), tmp_path / "b", block=2)
    assert content(tmp_path / "a") == content(tmp_path / "b")
    assert content(tmp_path / "a", but=("batch.json",)) == content(
        bench / "out", but=("batch.json",)
    )


@pytest.mark.long
def test_times_are_the_only_difference_between_two_batches(bench: Path, tmp_path: Path) -> None:
    """The names of all files are the same, for they are made from all but the times."""
    for name in ("a", "b"):
        batch(bench / "in", tmp_path / name, How(), block=2)
    a, b = content(tmp_path / "a"), content(tmp_path / "b")
    assert list(a) == list(b)
    differing = {name.split("/")[0] for name in a if a[name] != b[name]}
    assert differing <= {"verdicts", "summary.json", "summary.html"}
    for found, other in zip(
        rows(tmp_path / "a", "verdicts"), rows(tmp_path / "b", "verdicts"), strict=True
    ):
        seconds = found.pop("seconds"), other.pop("seconds")
        assert all(s is None or s > 0 for s in seconds)
        assert found == other


# -- stopped, and gone on with -------------------------------------------------------------------


@pytest.mark.parametrize("after", [1, *map(lengthy, range(2, 9))])
def test_a_batch_that_was_stopped_ends_as_one_that_was_not(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Stopped at each write of a file in turn, before it is in its place."""
    written = 0
    whole = batches.Folder.write

    def write(self: batches.Folder, name: str, data: bytes) -> None:
        nonlocal written
        written += 1
        if written > 2 * after:
            raise KeyboardInterrupt
        whole(self, name, data)

    monkeypatch.setattr(batches.Folder, "write", write)
    with pytest.raises(KeyboardInterrupt):
        batch(bench / "in", tmp_path / "out", workers=2, block=2)
    monkeypatch.undo()
    batch(bench / "in", tmp_path / "out", workers=2, block=2)
    assert content(tmp_path / "out") == content(bench / "out")


def test_a_batch_that_was_killed_goes_on_without_its_parent(tmp_path: Path) -> None:
    """By SIGKILL, which nobody can act upon: no worker outlives it for long, what was half written
    is taken away, and what was done is not done again."""
    fill(tmp_path / "in", 12)
    code = (
        "import sys; from tests.depot.bench import batch; from memdiag.depot.judging import How\n"
        "from pathlib import Path\n"
        f"how = How(timed=False, judge='{HERE}:' + sys.argv[2])\n"
        "batch('in', Path(sys.argv[1]), how, workers=2, block=2)"
    )

    def started(out: str, judge: str) -> subprocess.Popen[bytes]:
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        words = [sys.executable, "-c", code, out, judge]
        return subprocess.Popen(words, cwd=tmp_path, env=env)

    killed = started("killed", "judge_slowly")
    until = time.monotonic() + 60
    while not list((tmp_path / "killed").glob("done/000001-*")) and time.monotonic() < until:
        time.sleep(0.02)
    killed.send_signal(signal.SIGKILL)
    killed.wait()
    done = {path: path.stat().st_mtime_ns for path in (tmp_path / "killed").glob("done/000001-*")}
    assert 0 < len(done) < 6
    left = tmp_path / "killed" / "verdicts" / "board=quince-2"
    (left / "000001-000005-0123456789abcdef.parquet").write_bytes(b"left by a kill")
    (left / ".part-0a1b").write_bytes(b"PAR1")
    assert started("killed", "judge").wait(100) == 0
    assert all(path.stat().st_mtime_ns == at for path, at in done.items())
    assert started("whole", "judge").wait(100) == 0
    assert content(tmp_path / "killed") == content(tmp_path / "whole")


def test_what_comes_later_is_judged_and_what_is_done_stays(tmp_path: Path) -> None:
    fill(tmp_path / "in", 3)
    batch(tmp_path / "in", tmp_path / "out")
    before = content(tmp_path / "out", but=("summary.json", "summary.html"))
    (tmp_path / "in" / "later.dump").write_text(dump(9, bad=True))
    summary = batch(tmp_path / "in", tmp_path / "out")
    after = content(tmp_path / "out")
    assert summary.inputs == 4
    assert before.items() <= after.items()
    assert [r["input"][-10:] for r in rows(tmp_path / "out", "verdicts")][-1] == "later.dump"
    batch(tmp_path / "in", tmp_path / "out")
    assert content(tmp_path / "out") == after


def test_the_summary_of_a_batch_that_went_on_is_that_of_its_files(tmp_path: Path) -> None:
    fill(tmp_path / "in", 7, notes="nothing to see\n")
    one = batch(tmp_path / "in", tmp_path / "out", block=2)
    again = batch(tmp_path / "in", tmp_path / "out", block=2)
    assert one == again
    (board,) = one.boards
    assert (one.inputs, one.dumps, dict(one.aside)) == (8, 7, {"no-dump": 1})
    assert dict(board.causes)["clear"] == one.released == 5
    assert board.profile is not None


# -- dumps that kill, hang and swell -------------------------------------------------------------


def test_faulty_dumps_are_set_aside_and_the_rest_goes_on(tmp_path: Path) -> None:
    fill(
        tmp_path / "in",
        6,
        **{f"x-{word}": dump(more=f"# {word}\n") for word in ("dies", "hangs", "swells", "wrong")},
    )
    how = How(judge=f"{HERE}:judge", timed=False, limits=Limits(seconds=3))
    summary = batch(tmp_path / "in", tmp_path / "out", how, workers=2)
    assert summary.dumps == 6 and summary.inputs == 10
    assert dict(summary.aside) == {
        "batch-killed": 1,
        "batch-slow": 1,
        "batch-memory": 1,
        "batch-fault": 1,
    }
    told = {row["code"] for row in rows(tmp_path / "out", "problems")}
    assert set(dict(summary.aside)) <= told


# -- its folder ----------------------------------------------------------------------------------


def test_two_batches_do_not_share_a_folder(tmp_path: Path) -> None:
    from memdiag.depot.folder import held

    fill(tmp_path / "in", 1)
    batch(tmp_path / "in", tmp_path / "out")
    says = json.loads((tmp_path / "out" / "batch.json").read_text())
    with held(tmp_path / "out", says), pytest.raises(BatchError) as refused:
        batch(tmp_path / "in", tmp_path / "out")
    assert refused.value.problem.code == "batch-held"


def test_another_memdiag_does_not_go_on_with_it(tmp_path: Path) -> None:
    fill(tmp_path / "in", 1)
    batch(tmp_path / "in", tmp_path / "out")
    about = tmp_path / "out" / "batch.json"
    about.write_text(about.read_text().replace(memdiag.__version__, "0.0.9"))
    with pytest.raises(BatchError, match="differs in: tool"):
        batch(tmp_path / "in", tmp_path / "out")


def test_a_batch_without_a_worker_ends_and_says_so(tmp_path: Path) -> None:
    fill(tmp_path / "in", 2)
    with pytest.raises(BatchError) as ended:
        batch(tmp_path / "in", tmp_path / "out", How(judge=f"{HERE}:not_there"), workers=2)
    assert ended.value.problem.code == "batch-no-worker"


def test_its_own_folder_is_no_input(tmp_path: Path) -> None:
    fill(tmp_path, 2)
    for _ in range(2):
        assert batch(tmp_path, tmp_path / "out").inputs == 2


@pytest.mark.parametrize(
    "board", ["quince-2", "../../etc", "a/b=c%20d", "-", "12", "Zwölf", "x" * 300, ".", "nul\u2028"]
)
def test_a_board_of_any_name_has_a_folder_of_its_own(board: str) -> None:
    """And the name can be read back from it."""
    settled = parts.settled(board)
    folder = parts.folder_of(settled)
    assert "/" not in folder and len(folder.encode()) < 255 and folder not in (".", "..")
    assert parts.board_of(folder) == settled
    assert settled == (None if board == "-" else board) or len(board) > 80


def test_an_order_says_how_far_it_is(tmp_path: Path) -> None:
    fill(tmp_path / "in", 4)
    told: list[int] = []
    Course(Order((str(tmp_path / "in"),), tmp_path / "out", How()), told.append).run()
    assert told == [1, 2, 3, 4]
