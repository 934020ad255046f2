"""Large tables: windows of lines read in columns where the reader's state allows it.

Lines that are plainly rows of the open table, or of one of the layout's own row rules, are taken in
columns; all others go to the reader one by one, in their place, so that what they change (a
heading, a section, the end) holds for the rows that follow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Self

import numpy as np
from msgspec import Struct

from memdiag.layouts.matcher import Miss
from memdiag.reading.chunks import Chunks, after_lines
from memdiag.reading.columnar.cutting import Block, Index
from memdiag.reading.columnar.prepared import Prepared, prepare
from memdiag.reading.columnar.taken_rows import TakenRows, fixed
from memdiag.reading.line_rows import ROW_KINDS
from memdiag.reading.planner import RowPlans
from memdiag.reading.reader import Reader


class _Ahead(Struct, frozen=True):
    """A window that is being cut beside while the one before it is read."""

    data: bytes  # the block it is a part of
    at: int
    end: int
    plans: RowPlans
    job: Future[Prepared]


class ColumnReader:
    """Reads windows of a block in columns. `read_lines` cleans and reads lines one by one."""

    def __init__(self, reader: Reader, chunks: Chunks, read_lines: Callable[[bytes], None]) -> None:
        self._reader, self._chunks, self._read_lines = reader, chunks, read_lines
        self._planner, self._pace = reader.planner, reader.planner.pace
        self._beside = ThreadPoolExecutor(1)
        self._ahead: _Ahead | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._beside.shutdown(cancel_futures=True)

    def read(self, data: bytes, at: int, plans: RowPlans) -> int:
        """Read lines of a block from `at` on, as the plans for the reader's state say. The place
        after them."""
        end = self._pace.window_end(data, at)
        prepared = self._prepared(data, at, end, plans)
        block = prepared.block
        done = self._take(prepared, plans)
        if done == len(block):
            return end
        return at + _bytes_of(prepared.data, block, done)

    def _prepared(self, data: bytes, at: int, end: int, plans: RowPlans) -> Prepared:
        """The lines from `at` to `end`, cut; and those after them begun with beside, for nothing
        mostly changes in between. Arrow and numpy let go of the interpreter while they work."""
        prefixes = self._chunks.prefixes
        ahead, self._ahead = self._ahead, None
        if (
            ahead is not None
            and ahead.data is data
            and (ahead.at, ahead.end) == (at, end)
            and ahead.plans is plans
        ):
            found = ahead.job.result()
        else:
            found = prepare(data[at:end], plans, prefixes)
        if self._pace.is_full and end < len(data):
            after = self._pace.window_end(data, end)
            job = self._beside.submit(prepare, data[end:after], plans, prefixes)
            self._ahead = _Ahead(data, end, after, plans, job)
        return found

    def _state(self) -> tuple[Any, ...]:
        """What must stay as it is for columns that were read to hold: the dump and its section
        are told by what they are, not by what they hold."""
        dump = self._reader.dump
        if dump is None:
            return (None,)
        section = dump.section
        header = None if section is None else section.columns
        return (dump, section, header, fixed(dump.context), self._chunks.prefixes)

    def _take(self, prepared: Prepared, plans: RowPlans) -> int:
        """Take rows in columns, and read the lines between them one by one, until one of those
        changes what the others mean. How many lines were read."""
        block, dump = prepared.block, self._reader.dump
        assert dump is not None
        taken = TakenRows(len(block), self._chunks.next_line)
        for (start, plan, _), cuts in zip(plans.plans, prepared.cuts, strict=True):
            for cut in cuts:
                if cut.empty is not None:
                    for cells in np.unique(cut.empty[cut.fine]).tolist():
                        if not self._planner.may_be_empty(start, plan, cells):
                            cut.fine &= cut.empty != cells
                taken.add(plan, cut, dump.context)
        state, done, rows = self._state(), 0, 0
        for first, last in _runs(self._slow(block, taken)):
            rows += self._commit(block, taken, done, first)
            self._read_lines(block.between(first, last))
            done = last
            if self._state() != state:
                break
        else:
            rows += self._commit(block, taken, done, len(block))
            done = len(block)
        self._pace.after_columns(rows, to_the_end=done == len(block))
        return done

    def _commit(self, block: Block, taken: TakenRows, first: int, last: int) -> int:
        """Give the rows of these lines (numbers in the block) to the open dump. How many of them
        were read in columns."""
        if first >= last:
            return 0
        assert self._reader.dump is not None
        rows = taken.between(first, last, self._reader.dump.context)
        if rows is None:  # a heading that cannot be used: each row will say so
            self._read_lines(block.between(first, last))
            return 0
        self._reader.take_columns(rows)
        n = last - first
        start = block.between(first, first + self._chunks.room(n))
        widest = int(np.diff(block.starts[first : last + 1]).max()) - 1
        self._chunks.skip(n, start, widest)
        return n

    def _slow(self, block: Block, taken: TakenRows) -> Index:
        """The lines to be read one by one: those not taken, and a full line before one of them,
        which a terminal may have cut."""
        slow = ~taken.mask
        assert self._reader.dump is not None
        # As long as each is told by itself it is read by itself; the others are only counted.
        slow[np.flatnonzero(taken.contrary)[: self._reader.dump.tells_contrary]] = True
        lengths = np.diff(block.starts)
        full = lengths == lengths.max(initial=0)
        follows = np.concatenate((slow[1:] & (lengths[1:] > 1), np.zeros(1, bool)))
        for line in np.flatnonzero(full & follows & ~slow).tolist():
            after = block.between(line + 1, line + 2).decode("utf-8", "replace").strip()
            found = self._reader.match(after)
            if isinstance(found, Miss) or found.kind in ROW_KINDS:
                slow[line] = True
        return np.flatnonzero(slow)


def _runs(lines: Index) -> Iterator[tuple[int, int]]:
    """Runs of numbers that follow each other, as (first, last + 1)."""
    if len(lines):
        breaks = np.flatnonzero(np.diff(lines) > 1) + 1
        for run in np.split(lines, breaks):
            yield int(run[0]), int(run[-1]) + 1


def _bytes_of(data: bytes, block: Block, lines: int) -> int:
    """How many bytes the first lines of a block took before CR LF became LF."""
    if len(data) == len(block.data):
        return int(block.starts[lines])
    return after_lines(data, 0, lines)
