"""The one road of a text: blocks of whole lines, in them chunks that are cleaned and read line by
line or in columns. A short text is one chunk; of a large one no more is held than a few blocks."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from typing import TYPE_CHECKING, BinaryIO

from memdiag.layouts.matcher import Layout
from memdiag.model.problems import Problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading.chunks import Chunks, KeptWhole
from memdiag.reading.cleaning import unpack
from memdiag.reading.cleaning.clean import Cleaned
from memdiag.reading.cleaning.prefixes import ANCHOR
from memdiag.reading.pace import WINDOW
from memdiag.reading.planner import Planner
from memdiag.reading.reader import Reader, Reading

if TYPE_CHECKING:
    from memdiag.reading.columnar.blocks import ColumnReader


def read_whole(cleaned: Cleaned, layout: Layout, *, name: str, words: Vocabulary) -> Reading:
    """Read a text that is one chunk. Raises bounds.Refused for one beyond a bound."""
    planner = Planner(layout, large=False)
    reader = Reader(planner, name, KeptWhole(cleaned.pasted), words, cleaned.problems)
    reader.feed(cleaned.lines, cleaned.wrap_width)
    return reader.close()


def read(
    blocks: Iterable[bytes],
    layout: Layout,
    *,
    name: str,
    words: Vocabulary,
    said: tuple[Problem, ...] = (),
    anchor: re.Pattern[str] = ANCHOR,
    in_columns: bool = True,
    window: int = WINDOW,
) -> tuple[Reading, tuple[Problem, ...]]:
    """Read blocks of whole lines of a large text. The second part is what the cleaning had to say.
    Raises bounds.Refused for a text beyond a bound.

    `said` are problems known before, `anchor` is as in `clean.tidy`. `in_columns` and `window` are
    for tests: rows one by one, or in columns of at most so many bytes at once.
    """
    chunks = Chunks(anchor)
    planner = Planner(layout, large=in_columns, window=window)
    reader = Reader(planner, name, chunks.kept, words, said)
    with ExitStack() as stack:
        road = Road(reader, chunks, stack)
        for block in blocks:
            road.feed(block)
    return reader.close(), chunks.problems


class Road:
    """Leads the blocks of a text through cleaning to the reader. `stack` closes what it opens."""

    def __init__(self, reader: Reader, chunks: Chunks, stack: ExitStack) -> None:
        self._reader, self._chunks, self._stack = reader, chunks, stack
        self._columns: ColumnReader | None = None

    def feed(self, block: bytes) -> None:
        """Read these lines, later than all before. The last one may lack its line end."""
        planner, at = self._reader.planner, 0
        while at < len(block):
            plans = planner.row_plans(self._reader.state)
            if plans is not None:
                at = self._column_reader().read(block, at, plans)
                continue
            end = planner.pace.lines_end(block, at)
            self.read_lines(block[at:end])
            planner.pace.after_lines()
            at = end

    def read_lines(self, data: bytes) -> None:
        """Clean these lines, and let the reader take them one by one."""
        chunk = self._chunks.next_chunk(data)
        self._reader.feed(chunk.lines, chunk.width)
        self._chunks.learn(chunk, self._reader.account)

    def _column_reader(self) -> ColumnReader:
        if self._columns is None:
            from memdiag.reading.columnar.blocks import ColumnReader

            self._columns = self._stack.enter_context(
                ColumnReader(self._reader, self._chunks, self.read_lines)
            )
        return self._columns


class Hashed:
    """A file that is hashed beside while it is read: hashing lets go of the interpreter. `known`
    is the hash to give instead. Reading more than `most` bytes raises unpack.TooLarge. `watch` is
    told how many bytes each piece has."""

    def __init__(
        self,
        file: BinaryIO,
        beside: ThreadPoolExecutor,
        known: str | None,
        most: int,
        watch: Callable[[int], None] | None = None,
    ) -> None:
        self._file, self._beside, self._known, self._watch = file, beside, known, watch
        self._left, self._most = most, most
        self._digest = hashlib.sha256()
        self._job: Future[None] | None = None

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self._left -= len(data)
        if self._left < 0:
            raise unpack.too_large(self._most)
        if self._watch is not None and data:
            self._watch(len(data))
        if self._known is None:
            self._wait()
            self._job = self._beside.submit(self._digest.update, data)
        return data

    def sha256(self) -> str:
        """The hash of what was read."""
        self._wait()
        return self._known or self._digest.hexdigest()

    def _wait(self) -> None:
        if self._job is not None:
            self._job.result()
