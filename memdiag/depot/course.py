"""From an order to a summary: the folder, what is left to do, who does it, what comes later."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from msgspec import Struct, field

from memdiag import __version__
from memdiag.depot import inputs
from memdiag.depot.batch import BLOCK, Batch
from memdiag.depot.crews import Crew, local
from memdiag.depot.folder import Folder, about, held
from memdiag.depot.judging import How
from memdiag.model import Board
from memdiag.model.batch import BatchSummary

POLL = 2.0
"""Seconds between two looks for new files. A file is taken when it is the same at two of them."""


class Order(Struct, frozen=True):
    """What is to be judged, and where to. `options`: what the verdicts depend on beside the inputs,
    by name. `cluster`: the address of a scheduler, None for `workers` on this machine."""

    words: tuple[str, ...]
    folder: Path
    how: How
    options: Mapping[str, str | None] = field(default_factory=dict)
    workers: int = 1
    cluster: str | None = None
    block: int = BLOCK


class Course(Struct):
    """A batch on its way. `told` hears how many inputs were judged since it was begun or gone on
    with; `publish` gets the summary whenever there is a new one."""

    order: Order
    told: Callable[[int], None] = lambda _: None
    publish: Callable[[Folder, BatchSummary], None] = lambda _folder, _summary: None
    done: int = 0

    def run(self, *, follow: bool = False) -> BatchSummary:
        """Do all that is left. `follow`: and then what comes, until KeyboardInterrupt.

        Raises BatchError, and KeyboardInterrupt where it is stopped before it came to its end.
        What is whole by then is kept, and the same order goes on from there.
        """
        with held(self.order.folder, _says(self.order)) as folder:
            batch = Batch(folder, size=self.order.block, told=self.told)
            batch.recall()
            self.done = batch.done
            try:
                with _crew(self.order) as crew:
                    self._all(folder, batch, crew, follow=follow)
            finally:
                self.done = folder.count()
            return self._published(folder, batch)

    def _all(self, folder: Folder, batch: Batch, crew: Crew, *, follow: bool) -> None:
        for number in folder.rounds():
            batch.run(number, crew)
        known = {name for number in folder.rounds() for name in folder.plan(number)}
        if follow:
            self._follow(folder, batch, crew, known)
            return
        found = inputs.names(self.order.words, folder.path)
        if fresh := [name for name in found if name not in known]:
            batch.run(folder.add_round(fresh), crew)

    def _follow(self, folder: Folder, batch: Batch, crew: Crew, known: set[str]) -> None:
        before: dict[str, tuple[int, int]] = {}
        self._published(folder, batch)
        try:
            while True:
                found = inputs.watched(self.order.words, folder.path)
                now = {name: _size(name) for name in found if name not in known}
                fresh = [name for name, size in now.items() if before.get(name) == size]
                before = now
                if fresh:
                    known.update(fresh)
                    batch.run(folder.add_round(fresh), crew)
                    self._published(folder, batch)
                time.sleep(POLL)
        except KeyboardInterrupt:
            return

    def _published(self, folder: Folder, batch: Batch) -> BatchSummary:
        profiles = {name: _profile(name, self.order.how.board) for name in batch.tally.boards}
        summary = batch.tally.summary(profiles)
        self.publish(folder, summary)
        return summary


def words_of(folder: Path) -> tuple[str, ...] | None:
    """The inputs of the batch in a folder, None where it holds none. Raises BatchError."""
    found = about(folder)
    return None if found is None else tuple(map(str, found.get("inputs", ())))


def _says(order: Order) -> dict[str, object]:
    words = sorted({os.path.normpath(word) for word in order.words}, key=os.fsencode)
    return {
        "tool": __version__,
        "inputs": words,
        "from": os.fspath(Path.cwd()) if any(not Path(w).is_absolute() for w in words) else None,
        **order.options,
        "removed": list(order.how.removed),
        "seconds": order.how.timed,
        "boards and layouts": order.how.around,
        "block": order.block,
    }


@contextmanager
def _crew(order: Order) -> Iterator[Crew]:
    if order.cluster is None:
        with local(order.how, order.workers) as workers:
            yield workers
    else:
        from memdiag.depot.cluster import cluster

        with cluster(order.how, order.cluster) as there:
            yield there


def _size(name: str) -> tuple[int, int]:
    try:
        found = Path(name).stat()
    except OSError:
        return (-1, -1)
    return (found.st_size, found.st_mtime_ns)


def _profile(name: str | None, given: Board | None) -> Board | None:
    """The profile to draw a kind of board by."""
    from memdiag.boards import profiles

    if given is not None and given.name == name:
        return given
    try:
        return None if name is None else profiles.find(name)
    except profiles.ProfileError:
        return None
