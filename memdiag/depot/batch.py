"""A batch: the inputs of a folder's plan, judged block by block, each written once it is whole."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from typing import Any

from msgspec import Struct, field

from memdiag.depot import parts
from memdiag.depot.crews import Crew, spread
from memdiag.depot.errors import BatchError
from memdiag.depot.folder import NOTHING, Folder, block_name
from memdiag.depot.jobs import jobs
from memdiag.depot.judging import Job
from memdiag.depot.rows import Rows
from memdiag.depot.tally import Tally

BLOCK = 500
"""Inputs of a block: what a batch that is killed has to do once more, at the most."""

Told = Callable[[int], None]
"""Told how many inputs are done."""


class _Block(Struct):
    """Inputs that are written together."""

    number: int
    names: Any = field(default_factory=hashlib.sha256)
    count: int = 0
    is_drawn: bool = False
    is_done: bool = False
    """By an earlier run of the batch."""
    rows: dict[int, Rows] = field(default_factory=dict)

    def add(self, name: str) -> None:
        self.count += 1
        self.names.update(name.encode() + b"\0")


class Batch(Struct):
    """A batch at work in its folder. `size`: inputs of a block; `done`: inputs that are written."""

    folder: Folder
    tally: Tally = field(default_factory=Tally)
    size: int = BLOCK
    told: Told = lambda _: None
    done: int = 0

    def recall(self) -> None:
        """Count what was done before. Raises BatchError where it cannot be read any more."""
        import pyarrow as pa

        if not self.folder.done(NOTHING):
            files = dict(part.file(block_name(NOTHING, 0)) for part in parts.empty())
            self.folder.finish(NOTHING, 0, {"count": 0}, files)
        for number in self.folder.rounds():
            for about in self.folder.done(number).values():
                self.done += about["count"]
                try:
                    self.tally.add_files(self.folder.path, about["files"])
                except (OSError, pa.ArrowException) as wrong:
                    said = {"folder": self.folder.path, "reason": str(wrong).splitlines()[0]}
                    raise BatchError("batch-spoilt", **said) from None

    def run(self, number: int, crew: Crew) -> None:
        """Do what is left of a round.

        Raises BatchError where the inputs are not what they were when it began, where the folder
        cannot be written to or the crew is lost. What is whole by then is kept.
        """
        work = _Round(self, number)
        for judged, (at, rows) in enumerate(spread(work.todo(), crew), 1):
            work.put(at, rows)
            self.told(judged)

    def write(self, number: int, block: _Block) -> None:
        """Write a block that is whole."""
        made = list(parts.parts([block.rows[at] for at in sorted(block.rows)]))
        files = dict(part.file(block_name(number, block.number)) for part in made)
        about = {"count": block.count, "names": block.names.hexdigest()}
        self.folder.finish(number, block.number, about, files)
        for part in made:
            self.tally.add(part)
        self.done += block.count


class _Round:
    """A round at work: its blocks are opened as their inputs are drawn."""

    def __init__(self, batch: Batch, number: int) -> None:
        self._batch, self._number = batch, number
        self._before = batch.folder.done(number)
        self._open: dict[int, _Block] = {}

    def todo(self) -> Iterator[tuple[int, Job]]:
        """The jobs that are not done, with their numbers in the round."""
        block = _Block(0, is_done=0 in self._before)
        for at, job in enumerate(jobs(self._batch.folder.plan(self._number))):
            number = at // self._batch.size
            if number != block.number:
                self._drawn(block)
                block = _Block(number, is_done=number in self._before)
            self._open[number] = block
            block.add(job.name)
            if block.is_done:
                continue
            if isinstance(job, Rows):
                block.rows[at] = job
            else:
                yield at, job
        if block.count:
            self._drawn(block)

    def put(self, at: int, rows: Rows) -> None:
        """What came of job `at`."""
        block = self._open[at // self._batch.size]
        block.rows[at] = rows
        self._end(block)

    def _drawn(self, block: _Block) -> None:
        block.is_drawn = True
        if block.is_done and self._before[block.number]["names"] != block.names.hexdigest():
            raise BatchError("batch-inputs", folder=self._batch.folder.path)
        self._end(block)

    def _end(self, block: _Block) -> None:
        """Let go of a block that is drawn and done, or whole now."""
        if block.is_drawn and block.is_done:
            del self._open[block.number]
        elif block.is_drawn and len(block.rows) == block.count:
            self._batch.write(self._number, self._open.pop(block.number))
