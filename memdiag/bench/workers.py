"""Work on what came from outside, in processes that can be stopped.

A paste can be made so that it takes for ever, or all memory. It is read and judged in a worker
with a bound on its memory, which is killed when its time is up; the next one is started in its
place, and nobody else notices.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from pebble import ProcessExpired, ProcessPool

from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from memdiag.bench.config import Limits

T = TypeVar("T")


class Workers:
    """The processes that judge, one a core and two at the least, so that one hostile paste leaves
    another worker free. Started by `start`, ended by `stop`."""

    def __init__(self, limits: Limits) -> None:
        self._limits, self._waiting = limits, 0
        self._pool = ProcessPool(
            max_workers=max(2, os.cpu_count() or 2),
            initializer=_begin,
            initargs=(limits.memory,),
            # Not forked: the server has threads, and a fork would copy a lock that is held.
            context=multiprocessing.get_context("spawn"),
        )

    def start(self) -> None:
        """Start the processes, so that the first paste need not wait for them."""
        self._pool.schedule(_nothing)

    def stop(self) -> None:
        self._pool.stop()
        self._pool.join()

    async def run(self, job: Callable[..., T], *given: Any, filing: bool = False) -> T:
        """What `job(*given)` returns. Raises Refusal where it was stopped, or too many wait; what
        the job raises itself comes out here."""
        seconds = self._limits.filing if filing else self._limits.judging
        if self._waiting >= self._limits.waiting:
            raise Refusal.of(503, "bench-busy")
        self._waiting += 1
        try:
            done = self._pool.schedule(job, args=given, timeout=seconds)
            return await asyncio.wrap_future(done)
        except TimeoutError:
            raise Refusal.of(422, "bench-time", seconds=seconds) from None
        except (MemoryError, ProcessExpired):
            raise Refusal.of(422, "bench-memory") from None
        finally:
            self._waiting -= 1


def _begin(memory: int) -> None:
    """Bounds of a worker, and what every judging needs, loaded before the first paste comes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's to answer
    try:
        import resource
    except ImportError:  # Windows: the time limit alone stands there
        pass
    else:
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    from memdiag.bench import documents

    documents.warm()


def _nothing() -> None:
    """The first job: the pool starts its processes for it."""
