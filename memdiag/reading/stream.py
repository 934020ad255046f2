"""Large texts: read in blocks, in bounded memory, with the same outcome as read at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import BinaryIO, Protocol

from memdiag.layouts.matcher import Layout
from memdiag.model.problems import Problem
from memdiag.reading.chunks import Tidier, before_a_cut_row, with_its_rest
from memdiag.reading.cleaning import clean
from memdiag.reading.cleaning.prefixes import ANCHOR
from memdiag.reading.reader import MOST_LINE, Reader, Reading

LEAST = 256 << 10
"""Bytes from which on a text is read in blocks."""
BLOCK = 8 << 20


class Feeder(Protocol):
    def feed(self, data: bytes) -> None: ...


@dataclass(slots=True)
class OneByOne:
    """Reads every line by itself: the way where Arrow is not installed."""

    reader: Reader
    tidier: Tidier

    def feed(self, data: bytes) -> None:
        at = 0
        while at < len(data):
            end = data.rfind(b"\n", at, at + (64 << 10)) + 1 or data.find(b"\n", at) + 1
            end = with_its_rest(data, at, end or len(data))
            self.tidier.read(self.reader, data[at:end])
            at = end


def read(
    blocks: Iterator[bytes],
    layout: Layout,
    *,
    name: str,
    said: tuple[Problem, ...] = (),
    sha256: str | None = None,
    anchor: re.Pattern[str] = ANCHOR,
    in_columns: bool = True,
    window: int | None = None,
) -> tuple[Reading, tuple[Problem, ...]]:
    """Read blocks of whole lines by a layout. The second part is what the cleaning had to say.

    `said` are problems known before; `sha256` the hash of the text, None where the blocks are all
    of it and their hash is wanted; `anchor` is as in `clean.tidy`. `in_columns` and `window` are
    for tests: rows one by one, or in columns of at most so many bytes at once.
    """
    tidier = Tidier(anchor)
    reader = Reader(layout, name, tidier.kept, said)
    feeder = _feeder(reader, tidier, window) if in_columns else OneByOne(reader, tidier)
    digest = hashlib.sha256()
    with ThreadPoolExecutor(1) as beside:  # hashing lets go of the interpreter
        hashed = None
        for block in blocks:
            if sha256 is None:
                if hashed is not None:
                    hashed.result()
                hashed = beside.submit(digest.update, block)
            feeder.feed(block)
    reading = reader.close(sha256 or digest.hexdigest())
    return reading, (*tidier.problems, *clean.said(tidier.tally))


def _feeder(reader: Reader, tidier: Tidier, window: int | None) -> Feeder:
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        return OneByOne(reader, tidier)
    from memdiag.reading.columnar.blocks import WINDOW, Blocks

    return Blocks(reader, tidier, window=window or WINDOW)


def blocks(file: BinaryIO, size: int = BLOCK) -> Iterator[bytes]:
    """A file in blocks of whole lines of about `size` bytes. A line longer than a block loses its
    end: it is no row, and the reader will say so."""
    rest = b""
    dropping = False
    while True:
        data = file.read(size)
        if not data:
            break
        if dropping:
            end = data.find(b"\n")
            if end < 0:
                continue
            data, dropping = data[end:], False
        data = rest + data if rest else data
        end = before_a_cut_row(data, data.rfind(b"\n") + 1)
        rest = data[end:]
        if len(rest) >= max(size, MOST_LINE):
            rest, dropping = rest[:MOST_LINE], True
        if end:
            yield data[:end]
    if rest:
        yield rest
