"""Keepers: each starts a worker, gives it dumps, and starts another where a dump ends it.

A dump that ends or outlasts its worker twice is set aside with the reason. The workers are
processes started afresh, with two pipes each and nothing shared: whatever one of them dies of, no
lock is left behind that others wait for. That also works inside a worker of a cluster, whose
processes may have no children of Python's own making.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO

from memdiag.depot import wire
from memdiag.depot.judging import Failed, How, Job, Reply
from memdiag.depot.rows import Rows, aside
from memdiag.model.problems import problem

TRIES = 2


STARTING = 120.0  # seconds that a worker may take to be ready


class Stopped(Exception):
    """The batch was stopped."""


class NoWorker(Exception):
    """No worker can be started, whatever it would be asked."""


class Keeper:
    """One worker, started when it is first needed. Not for several threads at one time, but for
    `stop`, which any may call."""

    def __init__(self, how: How) -> None:
        self._how = how
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = False

    def judge(self, job: Job) -> Rows:
        """The rows of a job, of one that cannot be judged the reason. Raises Stopped, NoWorker."""
        failed = Failed("batch-fault")
        for _ in range(TRIES):
            reply = self._ask(job)
            if isinstance(reply, Rows):
                return reply
            failed = reply
            self._end()  # what it left in the memory of the worker is not known
            if not failed.again:
                break
        return aside(job.name, problem(failed.code, None, reason=failed.reason))

    def stop(self) -> None:
        """End the worker at once, whatever it does; `judge` raises Stopped from then on."""
        self._stopped = True
        if self._process is not None:
            self._process.kill()

    def close(self) -> None:
        """End a worker that is idle."""
        self._end()

    def _ask(self, job: Job) -> Reply:
        process = self._started()
        seconds = self._how.limits.of(job)
        try:
            with _within(seconds, process) as late:
                wire.send(_pipe(process.stdin), job)
                reply: Reply = wire.receive(_pipe(process.stdout))
                return reply
        except (OSError, EOFError):
            if self._stopped:
                raise Stopped from None
            if late.is_set():
                return Failed("batch-slow", f"{seconds:,.0f}")
            return Failed("batch-killed", _ended(process.wait()))

    def _started(self) -> subprocess.Popen[bytes]:
        """A worker that is ready: what starting it takes is no dump's fault."""
        if self._process is not None and self._process.poll() is not None:
            self._end()  # it was idle for long
        for _ in range(TRIES):
            if self._stopped:
                raise Stopped
            if self._process is not None:
                return self._process
            self._process = process = _start()
            try:
                with _within(STARTING, process):
                    wire.send(_pipe(process.stdin), self._how)
                    wire.receive(_pipe(process.stdout))
            except (OSError, EOFError):
                status = process.wait()
                self._end()
            else:
                return process
        if self._stopped:
            raise Stopped
        raise NoWorker(_ended(status))

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what could not be written is still held
                    pipe.close()


@contextmanager
def _within(seconds: float, process: subprocess.Popen[bytes]) -> Iterator[threading.Event]:
    """Kills the process where what is done inside takes longer, and says so by the event."""
    late = threading.Event()

    def end() -> None:
        late.set()
        process.kill()

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield late
    finally:
        timer.cancel()


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    assert pipe is not None  # it was asked for when the process was started
    return pipe


def _start() -> subprocess.Popen[bytes]:
    """A worker that imports from where this process does, and from nowhere else (-P: not from the
    folder it happens to stand in, which may be one of dumps)."""
    here = os.pathsep.join(path for path in sys.path if path)
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "memdiag.depot.worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": here, "OPENBLAS_NUM_THREADS": "1"},
    )


def _ended(status: int) -> str:
    """How a process ended, in words."""
    if status < 0:
        return f"signal {-status}" + " (it may have asked for too much memory)" * (status == -9)
    return f"exit status {status}"


class Stable:
    """Keepers that judge alike. Any number of threads may ask for rows at one time: there are as
    many workers as have asked at one time."""

    def __init__(self, how: How) -> None:
        self._how = how
        self._turn = threading.Lock()
        self._free: list[Keeper] = []
        self._busy: set[Keeper] = set()
        self._closed = False

    def judge(self, job: Job) -> Rows:
        """The rows of a job, by a worker that is free. Raises Stopped once it is closed."""
        with self._turn:
            if self._closed:
                raise Stopped
            keeper = self._free.pop() if self._free else Keeper(self._how)
            self._busy.add(keeper)
        try:
            return keeper.judge(job)
        finally:
            with self._turn:
                self._busy.discard(keeper)
                if not self._closed:
                    self._free.append(keeper)
            if self._closed:
                keeper.close()

    def close(self) -> None:
        """End every worker, whatever it does."""
        with self._turn:
            self._closed = True
            free, busy = list(self._free), list(self._busy)
            self._free.clear()
        for keeper in busy:
            keeper.stop()
        for keeper in free:
            keeper.close()
