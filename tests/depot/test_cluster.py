"""A batch on a Dask cluster of two workers on this machine, against a plain loop and plain
processes; workers that die, and a cluster that goes away."""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from memdiag.depot import cluster as clusters
from memdiag.depot import surroundings
from memdiag.depot.errors import BatchError
from memdiag.depot.judging import How, Job, Limits, judge_dump
from tests.depot.bench import batch, content, dump, fill
from tests.depot.faults import HERE

if os.environ.get("CI") == "true":
    distributed: Any = import_module("distributed")  # there it is a failure
else:
    distributed = pytest.importorskip("distributed", reason="the extra `depot` is not installed")

# The library's own threads and sockets end after the test that made them does.
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=logging.CRITICAL
    ) as made:
        yield made


def how(judge: str = "judge", **more: Any) -> How:
    return How(judge=f"{HERE}:{judge}", timed=False, around=surroundings.digest(), **more)


@pytest.mark.long
def test_a_cluster_gives_what_processes_and_a_loop_give(cluster: Any, tmp_path: Path) -> None:
    """Faulty dumps too: they end no worker of the cluster."""
    fill(tmp_path / "in", 8, dies=dump(more="# dies\n"), hangs=dump(more="# hangs\n"))
    limited = how(limits=Limits(seconds=4))
    before = set(cluster.scheduler.workers)
    batch(tmp_path / "in", tmp_path / "there", limited, cluster=cluster.scheduler_address, block=3)
    assert set(cluster.scheduler.workers) == before
    summary = batch(tmp_path / "in", tmp_path / "here", limited, workers=2, block=3)
    assert content(tmp_path / "there") == content(tmp_path / "here")
    assert summary.dumps == 8 and dict(summary.aside) == {"batch-killed": 1, "batch-slow": 1}

    # Dask's own results, against the plain function.
    jobs = [Job(p.name, p.stat().st_size, p.read_bytes()) for p in (tmp_path / "in").glob("0*")]
    with distributed.Client(cluster, set_as_default=False) as client:
        there = client.gather(client.map(judge_dump, jobs, [How(timed=False)] * len(jobs)))
    assert there == [judge_dump(job, How(timed=False)) for job in jobs]


@pytest.mark.long
def test_a_worker_of_the_cluster_may_be_killed_in_the_middle(cluster: Any, tmp_path: Path) -> None:
    fill(tmp_path / "in", 10)
    with distributed.Client(cluster, set_as_default=False) as client:
        processes = list(client.run(os.getpid).values())
    killing = threading.Timer(2.0, os.kill, (processes[0], signal.SIGKILL))
    killing.start()
    slow = how("judge_slowly")
    batch(tmp_path / "in", tmp_path / "there", slow, cluster=cluster.scheduler_address)
    killing.join()
    batch(tmp_path / "in", tmp_path / "here", slow, workers=2)
    assert content(tmp_path / "there") == content(tmp_path / "here")


@pytest.mark.long
def test_a_cluster_that_goes_away_is_said_and_the_batch_goes_on_without(tmp_path: Path) -> None:
    fill(tmp_path / "in", 12)
    slow = how("judge_slowly")
    made = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=logging.CRITICAL
    )
    out = tmp_path / "out"

    def leave() -> None:
        until = time.monotonic() + 60
        while not list(out.glob("done/000001-*")) and time.monotonic() < until:
            time.sleep(0.05)
        made.close()

    leaving = threading.Thread(target=leave)
    leaving.start()
    with pytest.raises(BatchError) as gone:
        batch(tmp_path / "in", out, slow, cluster=made.scheduler_address, block=2)
    leaving.join()
    assert gone.value.problem.code == "batch-cluster-gone"
    done = len(list(out.glob("done/000001-*")))
    assert 0 < done < 6
    batch(tmp_path / "in", out, slow, workers=2, block=2)
    batch(tmp_path / "in", tmp_path / "whole", slow, workers=2, block=2)
    assert content(out) == content(tmp_path / "whole")


def test_workers_that_would_judge_otherwise_are_refused(cluster: Any, tmp_path: Path) -> None:
    fill(tmp_path / "in", 1)
    other = How(timed=False, around="boards of another bench")
    with pytest.raises(BatchError) as refused:
        batch(tmp_path / "in", tmp_path / "out", other, cluster=cluster.scheduler_address)
    assert refused.value.problem.code == "batch-cluster-other"


def test_a_cluster_without_workers_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusters, "_PATIENCE", 2.0)
    fill(tmp_path / "in", 1)
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=None, processes=False) as empty,
        pytest.raises(BatchError, match="it has no workers"),
    ):
        batch(tmp_path / "in", tmp_path / "out", cluster=empty.scheduler_address)


def test_without_dask_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "dask", None)
    fill(tmp_path / "in", 1)
    with pytest.raises(BatchError) as refused:
        batch(tmp_path / "in", tmp_path / "out", cluster="tcp://127.0.0.1:1")
    assert refused.value.problem.code == "batch-cluster-lacks"
