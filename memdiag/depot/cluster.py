"""A crew on a Dask cluster. A worker of the cluster hands each dump to a process of its own, by the
same code that runs on one machine: so a dump that kills or hangs costs a process and no worker.
"""

from __future__ import annotations

import concurrent.futures as cf
import hashlib
import pickle
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from typing import Any

from memdiag import __version__
from memdiag.depot import surroundings
from memdiag.depot.errors import BatchError
from memdiag.depot.judging import How, Job
from memdiag.depot.keeper import NoWorker, Stable
from memdiag.depot.rows import Rows, aside
from memdiag.model.problems import problem

_PATIENCE = 20.0  # seconds that a cluster has to answer
_COUNTED = 10.0  # seconds for which the number of its hands is believed


class Other(Exception):
    """A worker would not judge as this memdiag does."""


class Cluster:
    """The workers of a cluster."""

    def __init__(self, client: Any, how: How, address: str) -> None:
        self._client, self._address = client, address
        self._how = pickle.dumps(how)
        self._executor = client.get_executor(pure=False)
        self._counted = 0.0
        self._hands = 1
        self._heard = time.monotonic()

    @property
    def hands(self) -> int:
        """Threads of the cluster's workers by now: workers come and go."""
        if time.monotonic() - self._counted > _COUNTED:
            with suppress(OSError, TimeoutError):
                self._hands = max(1, sum(self._client.nthreads().values()))
            self._counted = time.monotonic()
        return self._hands

    def submit(self, job: Job) -> cf.Future[Rows]:
        future: cf.Future[Rows] = self._executor.submit(judge_there, job, self._how)
        return future

    def result(self, job: Job, done: cf.Future[Rows]) -> Rows:
        """The rows. Raises BatchError where the cluster is gone, or would judge otherwise."""
        from distributed.scheduler import KilledWorker

        try:
            return done.result()
        except KilledWorker:
            reason = "the workers of the cluster died with it"
            return aside(job.name, problem("batch-killed", reason=reason))
        except NoWorker as wrong:
            raise BatchError("batch-no-worker", reason=wrong) from None
        except (Other, ImportError, AttributeError) as other:
            said = {"cluster": self._address, "reason": str(other), "version": __version__}
            raise BatchError("batch-cluster-other", **said) from None
        except (cf.CancelledError, OSError, TimeoutError) as gone:
            raise self._gone(gone) from None

    def look(self) -> None:
        """Raises BatchError where nothing was heard of the cluster for a while."""
        if self._client.status == "running":
            self._heard = time.monotonic()
        elif time.monotonic() - self._heard > _PATIENCE:
            raise self._gone()

    def _gone(self, wrong: BaseException | None = None) -> BatchError:
        reason = str(wrong or "") or "it does not answer"
        return BatchError("batch-cluster-gone", cluster=self._address, reason=reason)


@contextmanager
def cluster(how: How, address: str) -> Iterator[Cluster]:
    """The workers of the cluster whose scheduler has this address.

    Raises BatchError where there is none, or it has no workers.
    """
    client = _connected(address)
    try:
        yield Cluster(client, how, address)
    finally:
        if client.status == "running":
            with suppress(Exception):  # it may go away at any moment, and nothing is left to do
                client.run(let_go, pickle.dumps(how))
        with suppress(Exception):
            client.close(timeout=2)


def _connected(address: str) -> Any:
    """A client of `distributed`, which has no types."""
    try:
        import dask
    except ImportError:
        raise BatchError("batch-cluster-lacks") from None
    # What is wrong with a cluster is said once, in words: not by the library as well.
    quiet: Any = dict.fromkeys(("distributed", "distributed.client", "tornado"), "critical")
    dask.config.set({"logging": quiet, "distributed.admin.large-graph-warning-threshold": "1GB"})
    distributed: Any = import_module("distributed")

    said = {"cluster": address}
    try:
        # Before a client is made, for one that fails so does not end in silence.
        comm: Any = import_module("distributed.comm.registry")
        comm.get_backend(address.partition("://")[0] if "://" in address else "tcp")
        client = distributed.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as wrong:
        reason = (str(wrong).splitlines() or ["it does not answer"])[0]
        raise BatchError("batch-cluster-none", reason=reason, **said) from None
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
    except TimeoutError:
        client.close(timeout=2)
        raise BatchError("batch-cluster-none", reason="it has no workers", **said) from None
    return client


# -- what runs on a worker of the cluster ---------------------------------------------------------

_stables: dict[str, Stable] = {}
_turn = threading.Lock()


def judge_there(job: Job, how: bytes) -> Rows:
    """The rows of a job. Raises Other where this memdiag, its profiles or its layouts are not those
    of whom the batch is."""
    return _stable(how).judge(job)


def _stable(how: bytes) -> Stable:
    key = hashlib.sha256(how).hexdigest()
    with _turn:
        if key not in _stables:
            wanted: How = pickle.loads(how)
            if wanted.around != surroundings.digest(wanted.grammar):
                raise Other(f"a worker has memdiag {__version__}, or other boards and layouts")
            _stables[key] = Stable(wanted)
        return _stables[key]


def let_go(how: bytes) -> None:
    """End the processes that were started here to judge so."""
    with _turn:
        stable = _stables.pop(hashlib.sha256(how).hexdigest(), None)
    if stable is not None:
        stable.close()
