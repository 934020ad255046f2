"""The same work over many jobs, on some processes."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any


def spread(work: Callable[[Any], Any], jobs: Sequence[Any], processes: int) -> list[Any]:
    """What each job gives, in their order."""
    if processes < 2:
        return [work(job) for job in jobs]
    # an executor, not a pool: it says so when a worker is killed, where a pool waits for ever
    context = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        return list(pool.map(work, jobs, chunksize=10))
