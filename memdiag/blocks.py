"""Large tables: blocks of lines read in columns where the reader's state allows it.

A block goes to `Blocks.feed`. Lines that are plainly rows of the open table, or of one of the
layout's own row rules, are taken in columns; all others go to the reader one by one, in their
place, so that what they change (a heading, a section, the end) holds for the rows that follow.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from memdiag import bulk, columns
from memdiag.account import Fate
from memdiag.bulk import Plan
from memdiag.columns import Block, Cut, Guard, Index
from memdiag.errorlog import ErrorLog
from memdiag.fits import linear
from memdiag.layout import Start
from memdiag.logbuilder import distinct
from memdiag.patterns import ALL
from memdiag.prefixes import MARKED
from memdiag.reader import LONGEST, Reader
from memdiag.tidier import Tidier
from memdiag.ways import Finder, Ways

Flags = npt.NDArray[np.bool_]

WINDOW = 2 << 20
"""Most bytes that are read in columns at once."""
_LEAST_WINDOW = 32 << 10
_LINES = 128  # read one by one before columns are tried again
_MOST_LINES = 4096
_FEW = 200  # rows: columns that gave fewer were not worth it

_MARKED = Guard(f"^(?:{MARKED.pattern})", ALL)
# Finds at least those lines, and is much faster: what stands in front of a line has another sign
# than a word's in its first two words, or begins with a month.
_ROUGHLY_MARKED = Guard(
    r"^[ \t]*(?:[^ \t]*[^\w.+, \t-]|[^ \t]+[ \t]+[^ \t]*[^\w.+, \t-]"
    r"|(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[ \t])",
    ALL,
)


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A piece of the text, cut: for each plan, the lines of its shape."""

    data: bytes
    block: Block
    cuts: tuple[list[Cut], ...]


Prefixes = tuple[tuple[str, str], ...]


def _prepare(data: bytes, ways: Ways, prefixes: Prefixes) -> _Prepared:
    """Cut lines in columns; needs no state, and may run beside."""
    whole = Block(data)
    usable = _usable(whole)
    block = _without(whole, usable, prefixes)
    cuts = []
    for _, plan, rivals in ways.plans:
        lines = np.flatnonzero(usable)
        found = columns.cut(block, lines, plan.shape, plan.wanted, rivals)
        for cut in found:
            usable[cut.lines] = False
            _leave_marked(block, cut)
        cuts.append(found)
    return _Prepared(data, whole, tuple(cuts))


def _without(block: Block, usable: Flags, prefixes: Prefixes) -> Block:
    """The lines without what stands in front of the dump's own lines. Those that lack it are not
    usable."""
    for _, pattern in prefixes:
        if not linear(pattern):
            usable[:] = False
            return block
        cut = pc.replace_substring_regex(block.strings, pattern, "", max_replacements=1)
        after = Block.of(cut)
        usable &= np.diff(after.starts) < np.diff(block.starts)
        block = after
    return block


def _usable(block: Block) -> Flags:
    """Lines of plain ASCII that are not too long."""
    usable: Flags = np.diff(block.starts) <= LONGEST
    odd = (block.bytes - np.uint8(32)) > np.uint8(94)  # wraps round below the blank
    if np.count_nonzero(odd) > len(block):  # more than the line ends
        odd &= (block.bytes != 10) & (block.bytes != 9)
        upto = np.concatenate((np.zeros(1, np.int64), np.cumsum(odd, dtype=np.int64)))
        usable &= upto[block.starts[1:]] == upto[block.starts[:-1]]
    return usable


def _leave_marked(block: Block, cut: Cut) -> None:
    """Leave lines to the cleaning that have something in front which it may cut."""
    if cut.opening is None:
        marked = block.guarded(_ROUGHLY_MARKED)[cut.lines]
    else:
        one, two = cut.opening
        words = (one.dictionary.to_pylist(), two.dictionary.to_pylist())
        code = one.indices.to_numpy().astype(np.int64) * len(words[1]) + two.indices.to_numpy()
        found, _, inverse = distinct(code, len(words[0]) * len(words[1]))
        rough = re.compile(_ROUGHLY_MARKED.pattern).search
        hits = [
            rough(f"{words[0][c // len(words[1])]} {words[1][c % len(words[1])]} ") is not None
            for c in found.tolist()
        ]
        if not any(hits):
            return
        marked = np.array(hits, bool)[inverse]
    if marked.any():
        cut.fine &= ~(marked & block.guarded(_MARKED)[cut.lines])


class Blocks:
    """Reads blocks of whole lines. `tidier` cleans the lines that are read one by one."""

    def __init__(self, reader: Reader, tidier: Tidier, *, window: int = WINDOW) -> None:
        self.reader, self.tidier = reader, tidier
        self.most = window
        self.window = min(window, _LEAST_WINDOW)
        self.slow_lines = min(_LINES, max(1, window // 64))
        self._ways: dict[Any, Ways | None] = {}
        self.finder = Finder(reader.layout)
        self._beside = ThreadPoolExecutor(1)
        self._ahead: tuple[int, int, Ways, Future[_Prepared]] | None = None

    def close(self) -> None:
        self._beside.shutdown(cancel_futures=True)

    def feed(self, data: bytes) -> None:
        """Read these lines, later than all before. The last one may lack its line end."""
        at = 0
        while at < len(data):
            ways = self._now()
            if ways is None:
                end = _after_lines(data, at, self.slow_lines)
                self.tidier.read(self.reader, data[at:end])
                at = end
                continue
            end = _window(data, at, self.window)
            prepared = self._prepared(data, at, end, ways)
            at += self._columns(prepared, ways)
        self._ahead = None

    def _prepared(self, data: bytes, at: int, end: int, ways: Ways) -> _Prepared:
        """The lines from `at` to `end`, cut; and those after them begun with beside, for nothing
        mostly changes in between. Arrow and numpy let go of the interpreter while they work."""
        ahead, self._ahead = self._ahead, None
        if ahead is not None and ahead[0] == at and ahead[1] == end and ahead[2] is ways:
            found = ahead[3].result()
        else:
            found = _prepare(data[at:end], ways, self.tidier.prefixes)
        if self.window == self.most >= WINDOW and end < len(data):
            after = _window(data, end, self.window)
            job = self._beside.submit(_prepare, data[end:after], ways, self.tidier.prefixes)
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
        return (id(dump), id(section), header, tuple(dump.context.items()), self.tidier.prefixes)

    # -- columns --------------------------------------------------------------------------------

    def _columns(self, prepared: _Prepared, ways: Ways) -> int:
        """Take rows in columns, and read the lines between them one by one, until one of those
        changes what the others mean. How many bytes were read."""
        block = prepared.block
        taken = _Taken(len(block), self.tidier.next_line)
        dump = self.reader.dump
        assert dump is not None
        context = dict(dump.context)
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
        slow |= full & follows
        return np.flatnonzero(slow)

    def _adapt(self, rows: int, whole: bool) -> None:
        """Larger windows while they are used to their ends; smaller ones, and more lines one by
        one, where they are not."""
        if whole:
            self.window = min(self.most, self.window * 4)
        elif self.window > _LEAST_WINDOW:
            self.window = max(_LEAST_WINDOW, self.window // 4)
        if rows < _FEW and self.most == WINDOW:
            self.slow_lines = min(_MOST_LINES, self.slow_lines * 2)
        else:
            self.slow_lines = min(_LINES, self.slow_lines)


class _Taken:
    """The rows of a block that were read in columns, in the order of their lines."""

    def __init__(self, n: int, first_line: int) -> None:
        self.mask = np.zeros(n, bool)
        self.first_line = first_line
        self.committed = 0
        self._logs: list[tuple[ErrorLog, Index]] = []
        self._counts: list[bulk.Made] = []

    def add(self, plan: Plan, cut: Cut, context: dict[str, str]) -> None:
        if plan.table == "errors":
            log = bulk.errors(plan, cut, context, self.first_line)
            if log is not None:
                self._logs.append(log)
                self.mask[log[1]] = True
        else:
            made = bulk.counts(plan, cut, context)
            if made is not None:
                self._counts.append(made)
                self.mask[made.lines] = True

    def commit(self, reader: Reader, tidier: Tidier, block: Block, first: int, last: int) -> None:
        """Give the rows of these lines (numbers in the block) to the open dump."""
        if first >= last:
            return
        dump = reader.dump
        assert dump is not None
        for log, lines in self._logs:
            low, high = np.searchsorted(lines, (first, last)).tolist()
            if low < high:
                dump.errors.add_part(log, slice(low, high))
        for made in self._counts:
            low, high = np.searchsorted(made.lines, (first, last)).tolist()
            if low < high:
                part = made.part(slice(low, high))
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


def _after_lines(data: bytes, at: int, n: int) -> int:
    """The place after n more lines."""
    for _ in range(n):
        at = data.find(b"\n", at) + 1
        if at == 0:
            return len(data)
    return at


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
    return _after_lines(data, 0, lines)
