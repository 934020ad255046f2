"""Who does the work: the cores of this machine, or the workers of a cluster. Both run
`keeper.Stable.judge`, which is all that is ever done with a dump."""

from __future__ import annotations

import concurrent.futures as cf
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from memdiag.depot.errors import BatchError
from memdiag.depot.judging import How, Job
from memdiag.depot.keeper import NoWorker, Stable
from memdiag.depot.rows import Rows

_LOOK = 2.0  # seconds to wait before it is seen to whether the crew is still there
_MOST_HELD = 256 << 20  # bytes of jobs that wait


class Crew(Protocol):
    """`hands`: how many jobs it does at one time."""

    @property
    def hands(self) -> int: ...
    def submit(self, job: Job) -> cf.Future[Rows]: ...
    def result(self, job: Job, done: cf.Future[Rows]) -> Rows: ...
    def look(self) -> None:
        """Raises BatchError where the crew is lost."""


class Local:
    """Workers on this machine."""

    def __init__(self, stable: Stable, pool: cf.ThreadPoolExecutor, hands: int) -> None:
        self._stable, self._pool, self.hands = stable, pool, hands

    def submit(self, job: Job) -> cf.Future[Rows]:
        return self._pool.submit(self._stable.judge, job)

    def result(self, job: Job, done: cf.Future[Rows]) -> Rows:
        try:
            return done.result()
        except NoWorker as wrong:
            raise BatchError("batch-no-worker", reason=wrong) from None

    def look(self) -> None:
        """It is never lost: its workers are started anew."""


@contextmanager
def local(how: How, workers: int) -> Iterator[Local]:
    """So many workers on this machine; they end with this."""
    stable = Stable(how)
    with cf.ThreadPoolExecutor(workers) as pool:
        try:
            yield Local(stable, pool, workers)
        finally:
            stable.close()
            pool.shutdown(wait=False, cancel_futures=True)


def spread(todo: Iterator[tuple[int, Job]], crew: Crew) -> Iterator[tuple[int, Rows]]:
    """The rows of each numbered job, in the order in which they are done. No more jobs are drawn
    than keep every hand busy."""
    waiting: dict[cf.Future[Rows], tuple[int, Job]] = {}

    def done() -> Iterator[tuple[int, Rows]]:
        ended, _ = cf.wait(waiting, timeout=_LOOK, return_when=cf.FIRST_COMPLETED)
        crew.look()
        for future in ended:
            number, job = waiting.pop(future)
            yield number, crew.result(job, future)

    for number, job in todo:
        while waiting and (
            len(waiting) >= 2 * crew.hands
            or sum(len(j.data or b"") for _, j in waiting.values()) > _MOST_HELD
        ):
            yield from done()
        waiting[crew.submit(job)] = (number, job)
    while waiting:
        yield from done()
