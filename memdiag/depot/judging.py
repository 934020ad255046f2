"""What is done with one dump: a pure function from its bytes to rows, wherever it runs."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from memdiag.depot.rows import Rows, aside
from memdiag.model import Board
from memdiag.model.problems import Problem, Severity, problem

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings

JUDGE = "memdiag.depot.judging:judge_dump"


class Job(Struct, frozen=True):
    """One input to be judged: its bytes, or the file (`path`) that a worker reads by itself where
    it is too large to be sent. `size` in bytes."""

    name: str
    size: int
    data: bytes | None = None
    path: str | None = None


class Limits(Struct, frozen=True):
    """What a dump may take: seconds, and one more for each MB of it; MiB of memory."""

    seconds: float = 300.0
    memory: int = 2048

    def of(self, job: Job) -> float:
        """Seconds that a job may take."""
        return self.seconds + job.size / 1e6


class How(Struct, frozen=True):
    """How every dump of a batch is judged. `timed`: how long each took is kept. `around` is the
    digest of all that a worker finds in its own surroundings (`surroundings.digest`). `judge` names
    the function that does it, as `module:function`."""

    board: Board | None = None
    grammar: str | None = None
    removed: tuple[str, ...] = ()
    shop: Settings | None = None
    limits: Limits = Limits()
    timed: bool = True
    around: str = ""
    judge: str = JUDGE


Judge = Callable[[Job, How], Rows]


class Failed(Struct, frozen=True):
    """Why a job was not done: `code` of a problem, and what to fill in there. `again`: another try
    may go better."""

    code: str
    reason: str = ""
    again: bool = True


Reply = Rows | Failed


class Changed(Exception):
    """A file was not the same before and after it was read."""


def judge_dump(job: Job, how: How) -> Rows:
    """The rows of an input. One that cannot be read is set aside with the reason.

    Raises Changed where the file of the job changes as it is read.
    """
    from memdiag.diagnosis.judge import judge
    from memdiag.reading.load import Unreadable, load

    began = time.perf_counter()
    source = job.data if job.data is not None else Path(job.path or "")
    before = _print(source)
    try:
        runs = load(
            source,
            board=how.board,
            grammar=how.grammar,
            removed=how.removed,
            name=job.name,
            words=None if how.shop is None else how.shop.words.vocabulary(),
        )
    except Unreadable as wrong:
        first, *others = sorted(wrong.problems, key=lambda p: p.severity is not Severity.ERROR)
        sha256 = None if job.data is None else hashlib.sha256(job.data).hexdigest()
        return aside(job.name, first, others, sha256=sha256, seconds=_since(began, how))
    except OSError as wrong:
        return aside(job.name, unreadable(wrong))
    if _print(source) != before:
        raise Changed(job.name)
    reading = (time.perf_counter() - began) / max(1, len(runs))
    found = Rows()
    for number, run in enumerate(runs, 1):
        started = time.perf_counter()
        verdict = judge(run, how.board, how.shop)
        took = reading + time.perf_counter() - started
        found.add(job.name, number, verdict, took if how.timed else None)
    return found


def unreadable(wrong: OSError) -> Problem:
    """Why a file could not be read."""
    return problem("batch-unreadable", reason=(wrong.strerror or str(wrong)).lower())


def _since(began: float, how: How) -> float | None:
    return time.perf_counter() - began if how.timed else None


def _print(source: bytes | Path) -> tuple[int, ...] | None:
    """What shows that a file was written to; None for bytes, which stay as they are, and for a
    file that is not there."""
    if isinstance(source, bytes):
        return None
    try:
        found = source.stat()
    except OSError:
        return None
    return file_print(found)


def file_print(found: os.stat_result) -> tuple[int, ...]:
    """What of a file changes when it is written to or another takes its place."""
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)
