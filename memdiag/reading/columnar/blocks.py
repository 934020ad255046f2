"""Large tables: blocks of lines read in columns where the reader's state allows it.

A block goes to `Blocks.feed`. Lines that are plainly rows of the open table, or of one of the
layout's own row rules, are taken in columns; all others go to the reader one by one, in their
place, so that what they change (a heading, a section, the end) holds for the rows that follow.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import numpy as np

from memdiag.layouts.matcher import Miss, Start
from memdiag.model.error_log import ErrorLog
from memdiag.reading.account import Fate
from memdiag.reading.chunks import Tidier, after_lines, with_its_rest
from memdiag.reading.columnar import bulk
from memdiag.reading.columnar.bulk import Plan
from memdiag.reading.columnar.cutting import Block, Cut, Index
from memdiag.reading.columnar.prepared import Prepared, prepare
from memdiag.reading.planner import Finder, Ways
from memdiag.reading.reader import Reader
from memdiag.reading.unwrap import ROW_KINDS

WINDOW = 2 << 20
"""Most bytes that are read in columns at once."""
_LEAST_WINDOW = 32 << 10
_LINES = 128  # read one by one before columns are tried again
_MOST_LINES = 4096
_FEW = 200  # rows: columns that gave fewer were not worth it


class Blocks:
    """Reads blocks of whole lines. `tidier` cleans the lines that are read one by one."""

    def __init__(self, reader: Reader, tidier: Tidier, *, window: int = WINDOW) -> None:
        self.reader, self.tidier = reader, tidier
        self.most = window
        self.window = min(window, _LEAST_WINDOW)
        self.slow_lines = min(_LINES, max(1, window // 64))
        self.pause = 0  # lines to be read one by one before columns are tried again
        self._poor = 0  # tries that were not worth it, one after the other
        self._ways: dict[Any, Ways | None] = {}
        self.finder = Finder(reader.layout)
        self._beside = ThreadPoolExecutor(1)
        self._ahead: tuple[int, int, Ways, Future[Prepared]] | None = None

    def close(self) -> None:
        """No more blocks will come."""
        self._beside.shutdown(cancel_futures=True)

    def feed(self, data: bytes) -> None:
        """Read these lines, later than all before. The last one may lack its line end."""
        at = 0
        while at < len(data):
            ways = self._now()
            if ways is None or self.pause:
                end = after_lines(data, at, self.pause or self.slow_lines)
                end = with_its_rest(data, at, end)
                self.tidier.read(self.reader, data[at:end])
                at, self.pause = end, 0
                continue
            end = _window(data, at, self.window)
            prepared = self._prepared(data, at, end, ways)
            at += self._columns(prepared, ways)
        self._ahead = None

    def _prepared(self, data: bytes, at: int, end: int, ways: Ways) -> Prepared:
        """The lines from `at` to `end`, cut; and those after them begun with beside, for nothing
        mostly changes in between. Arrow and numpy let go of the interpreter while they work."""
        ahead, self._ahead = self._ahead, None
        if ahead is not None and ahead[0] == at and ahead[1] == end and ahead[2] is ways:
            found = ahead[3].result()
        else:
            found = prepare(data[at:end], ways, self.tidier.prefixes)
        if self.window == self.most >= WINDOW and end < len(data):
            after = _window(data, end, self.window)
            job = self._beside.submit(prepare, data[end:after], ways, self.tidier.prefixes)
            self._ahead = (end, after, ways, job)
        return found

    # -- the state ------------------------------------------------------------------------------

    def _now(self) -> Ways | None:
        """How rows can be read in columns now; None where they cannot."""
        if self.reader.dump is None:
            return None
        section = self.reader.dump.section
        table = None if section is None else section.kind
        header = None if section is None or section.blocked else section.columns
        wanted = self.reader.wanted()
        key = (table, header, wanted)
        if key not in self._ways:
            self._ways[key] = self.finder.find(table, header, wanted)
        return self._ways[key]

    def _state(self) -> tuple[Any, ...]:
        """What must stay as it is for columns that were read to hold."""
        dump = self.reader.dump
        if dump is None:
            return (None,)
        section = dump.section
        header = None if section is None else section.columns
        return (id(dump), id(section), header, _fixed(dump.context), self.tidier.prefixes)

    # -- columns --------------------------------------------------------------------------------

    def _columns(self, prepared: Prepared, ways: Ways) -> int:
        """Take rows in columns, and read the lines between them one by one, until one of those
        changes what the others mean. How many bytes were read."""
        block = prepared.block
        taken = _Taken(len(block), self.tidier.next_line)
        dump = self.reader.dump
        assert dump is not None
        context = dict(_fixed(dump.context))
        for (start, plan, _), cuts in zip(ways.plans, prepared.cuts, strict=True):
            for cut in cuts:
                self._empties(cut, plan, start)
                taken.add(plan, cut, context)
        slow = self._slow(block, taken)
        state, done = self._state(), 0
        for first, last in _runs(slow):
            taken.commit(self.reader, self.tidier, block, done, first)
            self.tidier.read(self.reader, block.between(first, last))
            done = last
            if self._state() != state:
                break
        else:
            taken.commit(self.reader, self.tidier, block, done, len(block))
            done = len(block)
        self._adapt(taken.committed, done == len(block))
        if done == len(block):
            return len(prepared.data)
        return _bytes_of(prepared.data, block, done)

    def _empties(self, cut: Cut, plan: Plan, start: Start) -> None:
        """Let only those rows pass whose empty cells the layout's rule allows."""
        if cut.empty is None:
            return
        width = len(plan.shape.taken)
        for mask in np.unique(cut.empty[cut.fine]).tolist():
            if not mask or (plan.own is False and self.finder.may_lack(start, width, mask)):
                continue
            cut.fine &= cut.empty != mask

    def _slow(self, block: Block, taken: _Taken) -> Index:
        """The lines to be read one by one: those not taken, and a full line before one of them,
        which a terminal may have cut."""
        slow = ~taken.mask
        lengths = np.diff(block.starts)
        full = lengths == lengths.max(initial=0)
        follows = np.concatenate((slow[1:] & (lengths[1:] > 1), np.zeros(1, bool)))
        for line in np.flatnonzero(full & follows & ~slow).tolist():
            after = block.between(line + 1, line + 2).decode("utf-8", "replace").strip()
            found = self.reader.match(after)
            if isinstance(found, Miss) or found.kind in ROW_KINDS:
                slow[line] = True
        return np.flatnonzero(slow)

    def _adapt(self, rows: int, whole: bool) -> None:
        """Larger windows while they are used to their ends; smaller ones, and more lines one by
        one, where they are not."""
        if whole:
            self.window = min(self.most, self.window * 4)
        elif self.window > _LEAST_WINDOW:
            self.window = max(_LEAST_WINDOW, self.window // 4)
        self._poor = 0 if whole or rows >= _FEW else self._poor + 1
        if self._poor:
            self.pause = min(_MOST_LINES, self.slow_lines << min(self._poor, 8))


def _fixed(context: dict[str, str]) -> tuple[tuple[str, str], ...]:
    """What headings say that rows cannot be given afterwards."""
    return tuple((name, text) for name, text in context.items() if name not in bulk.LATE)


class _Taken:
    """The rows of a block that were read in columns, in the order of their lines."""

    def __init__(self, n: int, first_line: int) -> None:
        self.mask = np.zeros(n, bool)
        self.first_line = first_line
        self.committed = 0
        self._logs: list[tuple[Plan, ErrorLog, Index]] = []
        self._counts: list[tuple[Plan, bulk.Made]] = []

    def add(self, plan: Plan, cut: Cut, context: dict[str, str]) -> None:
        if plan.table == "errors":
            log = bulk.errors(plan, cut, context, self.first_line)
            if log is not None:
                self._logs.append((plan, *log))
                self.mask[log[1]] = True
        else:
            made = bulk.counts(plan, cut, context)
            if made is not None:
                self._counts.append((plan, made))
                self.mask[made.lines] = True

    def _plans(self) -> list[Plan]:
        return [*(entry[0] for entry in self._logs), *(entry[0] for entry in self._counts)]

    def commit(self, reader: Reader, tidier: Tidier, block: Block, first: int, last: int) -> None:
        """Give the rows of these lines (numbers in the block) to the open dump."""
        if first >= last:
            return
        dump = reader.dump
        assert dump is not None
        said = {plan: bulk.late(plan, dump.context) for plan in self._plans()}
        if None in said.values():  # a heading that cannot be used: each row will say so
            tidier.read(reader, block.between(first, last))
            return
        for plan, log, lines in self._logs:
            low, high = np.searchsorted(lines, (first, last)).tolist()
            if low < high:
                keys = bulk.placed(log.keys, said[plan] or {})
                dump.errors.add_part(log, slice(low, high), keys)
        for plan, made in self._counts:
            low, high = np.searchsorted(made.lines, (first, last)).tolist()
            if low < high:
                part = made.part(slice(low, high), said[plan] or {})
                dump.counts.add_columns(part, part.lines + self.first_line)
        n = last - first
        dump.printed += n
        self.committed += n
        dump.last_line = self.first_line + last - 1
        reader.account.add(self.first_line + first, Fate.ROW, dump.last_line)
        widest = int(np.diff(block.starts[first : last + 1]).max()) - 1
        tidier.skip(n, block, first, widest)


def _window(data: bytes, at: int, size: int) -> int:
    """The end of the lines that fit in a window; of one line at least."""
    end = data.rfind(b"\n", at, at + size) + 1
    return end or data.find(b"\n", at) + 1 or len(data)


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
