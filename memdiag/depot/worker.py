"""A worker: a process of its own that judges what its keeper sends, one dump after another.

It may be killed, hang or run out of memory by what it reads; its keeper sees it, and nobody else is
touched. It speaks over the pipes it was started with and ends when they close.
"""

from __future__ import annotations

import faulthandler
import gc
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import BinaryIO, TextIO

from memdiag.depot import wire
from memdiag.depot.judging import Changed, Failed, How, Job, Judge, Reply

READY = "ready"
"""What a worker says when it has imported all it needs and waits for the first dump."""

IDLE = 900.0
"""Seconds after which a worker that is asked for nothing ends: its keeper may be gone without
having been able to say so, and starts another where it is not."""


def main() -> None:
    """Serve until the keeper is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C at a terminal is the keeper's to act on
    requests, replies = _pipes()
    how = wire.receive(requests)
    judge = _judge(how)
    _bound(how.limits.memory)
    gc.freeze()
    wire.send(replies, READY)
    with Path(os.devnull).open("w") as nowhere:
        while True:
            with _until(IDLE, nowhere):
                job = wire.receive(requests)
            with _until(2 * how.limits.of(job), nowhere):
                reply = _reply(judge, job, how)
            wire.send(replies, reply)


def _reply(judge: Judge, job: Job, how: How) -> Reply:
    try:
        return judge(job, how)
    except MemoryError:
        return Failed("batch-memory", f"{how.limits.memory:,}")
    except Changed:
        return Failed("batch-changed")
    except Exception as bug:  # it costs this dump, not the batch
        return Failed("batch-fault", f"{type(bug).__name__}: {bug}", again=False)


def _judge(how: How) -> Judge:
    module, _, name = how.judge.partition(":")
    found: Judge = getattr(import_module(module), name)
    for heavy in ("memdiag.diagnosis.judge", "memdiag.reading.load"):
        import_module(heavy)  # not in the time of the first dump
    return found


def _pipes() -> tuple[BinaryIO, BinaryIO]:
    """The two pipes, out of reach of whatever prints or reads the standard streams."""
    requests = os.fdopen(os.dup(0), "rb")
    replies = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(nowhere, 1)
    return requests, replies


@contextmanager
def _until(seconds: float, nowhere: TextIO) -> Iterator[None]:
    """Ends this process where what is done inside takes longer, even in code that never comes back
    to Python: so that no worker outlives a keeper that was killed."""
    faulthandler.dump_traceback_later(seconds, exit=True, file=nowhere)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()


def _bound(mib: int) -> None:
    """Bounds the memory of this process where the system can: what asks for more is refused."""
    try:
        import resource
    except ImportError:  # Windows
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = mib << 20
    if hard == resource.RLIM_INFINITY or most < hard:
        resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


if __name__ == "__main__":
    try:
        main()
    except (EOFError, BrokenPipeError):
        sys.exit(0)
