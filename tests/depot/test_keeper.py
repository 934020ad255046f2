"""Workers that die, hang or ask for too much: the dump is set aside after a second try, and nothing
else is touched."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from memdiag.depot.judging import How, Job, Limits, judge_dump
from memdiag.depot.keeper import Keeper, NoWorker, Stable, Stopped
from memdiag.depot.rows import Rows
from tests.depot.bench import dump
from tests.depot.faults import HERE

FAULTS = How(judge=f"{HERE}:judge", timed=False, limits=Limits(seconds=30))


def job(text: str, name: str = "a.dump") -> Job:
    return Job(name, len(text), text.encode())


def reason(rows: Rows) -> tuple[object, object]:
    """The code and the words of why there is no verdict."""
    (verdict,) = rows.verdicts
    return verdict[-3], verdict[-2]


def without_times(rows: Rows) -> tuple[list[object], ...]:
    return ([row[:-1] for row in rows.verdicts], rows.findings, rows.problems, rows.tables)


@pytest.fixture(scope="module")
def keeper() -> Iterator[Keeper]:
    made = Keeper(FAULTS)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("word", "code", "said"),
    [
        ("dies", "batch-killed", "signal 9"),
        ("leaves", "batch-killed", "exit status 3"),
        ("swells", "batch-memory", "2,048 MiB"),
        ("wrong", "batch-fault", "KeyError"),
        ("restless", "batch-changed", "written to while it was read"),
    ],
)
def test_a_dump_that_ends_its_worker_is_set_aside_and_the_next_is_judged(
    keeper: Keeper, word: str, code: str, said: str
) -> None:
    found = keeper.judge(job(dump(more=f"# {word}\n")))
    assert reason(found)[0] == code and said in str(reason(found)[1])
    after = keeper.judge(job(dump()))
    assert without_times(after) == without_times(judge_dump(job(dump()), How()))


def test_a_dump_that_hangs_is_ended_at_its_time() -> None:
    keeper = Keeper(How(judge=f"{HERE}:judge", limits=Limits(seconds=2)))
    keeper.judge(job(dump()))  # the worker is up
    began = time.monotonic()
    found = keeper.judge(job(dump(more="# hangs\n")))
    assert reason(found)[0] == "batch-slow" and "2 s, twice" in str(reason(found)[1])
    assert time.monotonic() - began < 60
    assert keeper.judge(job(dump())).verdicts[0][-3] is None
    keeper.close()


def test_a_second_try_may_go_well(tmp_path: Path) -> None:
    keeper = Keeper(How(judge=f"{HERE}:judge_once", timed=False))
    text = dump(more=f"# dies once: {tmp_path / 'note'}\n")
    found = keeper.judge(job(text))
    assert (tmp_path / "note").exists()
    assert without_times(found) == without_times(judge_dump(job(text), How()))
    keeper.close()


def test_a_stable_that_is_closed_lets_nobody_wait() -> None:
    stable = Stable(How(judge=f"{HERE}:judge"))
    ended: list[str] = []

    def ask() -> None:
        try:
            stable.judge(job(dump(more="# hangs\n")))
        except Stopped:
            ended.append("stopped")

    asking = [threading.Thread(target=ask) for _ in range(2)]
    for one in asking:
        one.start()
    time.sleep(1.0)
    stable.close()
    for one in asking:
        one.join(30)
    assert ended == ["stopped", "stopped"]
    with pytest.raises(Stopped):
        stable.judge(job(dump()))


def test_a_worker_imports_nothing_from_the_folder_it_stands_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of dumps may hold anything, a `pickle.py` too."""
    (tmp_path / "pickle.py").write_text("raise SystemExit(7)\n")
    monkeypatch.chdir(tmp_path)
    keeper = Keeper(How())
    assert keeper.judge(job(dump())).verdicts[0][-3] is None
    keeper.close()


def test_a_worker_ends_with_its_keeper() -> None:
    """Also one that was killed itself: the pipe closes."""
    keeper = Keeper(How())
    keeper.judge(job(dump()))
    process = keeper._process
    assert process is not None and process.stdin is not None
    process.stdin.close()
    assert process.wait(30) == 0
    keeper.close()


def test_a_worker_that_cannot_be_started_is_no_dumps_fault() -> None:
    keeper = Keeper(How(judge="tests.depot.faults:not_there"))
    with pytest.raises(NoWorker, match="exit status 1"):
        keeper.judge(job(dump()))
