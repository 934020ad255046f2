"""The consoles that the page listens to, and what came from each of them.

A dump is put on the desk when it comes and judged in a worker as a paste is, with the time of each
of its lines; then the next one is listened for.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from msgspec import Struct, field
from starlette.concurrency import run_in_threadpool

from memdiag.bench import paste_view
from memdiag.bench.capture_cutter import Dump
from memdiag.bench.refusal import Refusal
from memdiag.ledger.captured import Captured
from memdiag.model.problems import Problem

if TYPE_CHECKING:
    from memdiag.bench.capture import Capture
    from memdiag.bench.capture_cutter import Ended, Event
    from memdiag.bench.config import Bench
    from memdiag.bench.desk import Desk, Paste
    from memdiag.bench.workers import Workers

MOST_HEARD, MOST_TOLD = 50, 8
"""Dumps and problems of a console that its page shows."""
_POLL = 0.2  # seconds that one look at a console waits


class Heard(Struct):
    """A dump that came: `number` from 1, `at` (seconds since 1970) when its first line began,
    `paste` where it lies on the desk, `answer` what came of it (empty until it is judged)."""

    number: int
    at: float
    ended: Ended
    paste: Paste
    answer: str = ""
    judged: bool = False

    @property
    def came(self) -> str:
        """The bench's own time of day at which it began."""
        return time.strftime("%H:%M:%S", time.localtime(self.at))


class Console(Struct):
    """One of them, its latest dump first."""

    name: str
    file: str
    capture: Capture
    heard: deque[Heard] = field(default_factory=lambda: deque(maxlen=MOST_HEARD))
    told: deque[Problem] = field(default_factory=lambda: deque(maxlen=MOST_TOLD))


class Consoles:
    """All of them. `listening` is how long they are listened to."""

    def __init__(
        self, captures: Sequence[Capture], bench: Bench, workers: Workers, desk: Desk
    ) -> None:
        self.all = [Console(c.name, str(c.kept.raw), c) for c in captures]
        self._bench, self._workers, self._desk = bench, workers, desk

    @asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        """From here to the end of the block: whatever comes is kept and judged."""
        tasks = []
        for console in self.all:
            console.capture.start()
            tasks.append(asyncio.create_task(self._listen(console)))
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            for console in self.all:
                await run_in_threadpool(console.capture.stop)

    async def _listen(self, console: Console) -> None:
        while not console.capture.ended:
            await self._take(console, await run_in_threadpool(console.capture.poll, _POLL))
        await self._take(console, await run_in_threadpool(console.capture.stop))

    async def _take(self, console: Console, events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, Dump):
                await self._judge(self._put(console, event))
            else:
                console.told.appendleft(event)

    def _put(self, console: Console, dump: Dump) -> Heard:
        """On the desk; in the place of what came of it before it stalled."""
        captured = Captured(console.name, dump.ended, dump.times)
        last = console.heard[0] if console.heard else None
        if last is not None and last.number == dump.number:
            if last.paste.raw != dump.text:
                last.paste.raw, last.paste.seen, last.judged = dump.text, None, False
            last.paste.captured, last.ended = captured, dump.ended
            return last
        paste = self._desk.put(dump.text, None)
        paste.captured = captured
        at = dump.times[0] if dump.times else time.time()
        console.heard.appendleft(Heard(dump.number, at, dump.ended, paste))
        return console.heard[0]

    async def _judge(self, heard: Heard) -> None:
        if heard.judged:
            return
        paste = heard.paste
        given = (paste.raw, paste.fixes, paste.board, self._bench.shop, 0)
        try:
            seen = await self._workers.run(paste_view.seen, *given)
        except Refusal as wrong:
            heard.answer = f"not judged: {wrong.problems[0].message}"
        else:
            heard.answer, paste.seen = seen.answer or seen.title, seen
        heard.judged = True
