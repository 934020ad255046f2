"""Where a text comes from (memory, a file, a pipe), made one kind of file to read, unpacked."""

from __future__ import annotations

import hashlib
import io
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, cast

from memdiag.model.problems import Problem
from memdiag.reading.chunks import BLOCK
from memdiag.reading.cleaning import packers, unpack

_SPOOLED = 16 << 20  # bytes of packed data from a pipe that are kept in memory


class Unreadable(ValueError):
    """A text that holds no dump. `problems` says why."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


class Text(NamedTuple):
    """An unpacked text: its file, what was said while it was made, the hash of what it was made
    from where that is not the text itself, and how many bytes of it are read at most."""

    file: BinaryIO
    told: tuple[Problem, ...]
    sha256: str | None
    most: int


@contextmanager
def opened(source: bytes | Path | BinaryIO, *, whole: bool = False) -> Iterator[Text]:
    """The text of bytes, of a file, or of what comes through a pipe. `whole`: it will be held in
    memory as a whole.

    Raises Unreadable for what is packed in a way that is not known, OSError where a file cannot be
    read.
    """
    if isinstance(source, bytes):
        yield _seekable(io.BytesIO(source), len(source), whole=whole)
    elif isinstance(source, Path):
        with source.open("rb") as file:
            if source.is_file():
                yield _seekable(file, source.stat().st_size, whole=whole)
            else:
                with _pipe(file) as text:
                    yield text
    else:
        with _pipe(source) as text:
            yield text


def refuse_foreign(packed: tuple[Problem, ...]) -> None:
    """Raises Unreadable for data that cannot be unpacked."""
    if packed and packed[0].code == "packer-unknown":
        raise Unreadable(packed)


def _seekable(file: BinaryIO, size: int, *, whole: bool = False) -> Text:
    head = file.read(packers.PEEK)
    refuse_foreign(unpack.foreign(head))
    most = unpack.IN_MEMORY if whole else unpack.MOST
    sha256 = None
    file.seek(0)
    if packers.packer(head) is not None:
        sha256 = _sha256(file)
        file.seek(0)
    return Text(unpack.opened(file, size, unpack.Bounds(most)), (), sha256, most)


@contextmanager
def _pipe(file: BinaryIO) -> Iterator[Text]:
    """What is read once and may have no end. Packed, it is set aside in a file first: where it is
    damaged it is read again."""
    pipe = io.BufferedReader(_Fed(file), BLOCK)
    head = pipe.peek(packers.PEEK)[: packers.PEEK]
    refuse_foreign(unpack.foreign(head))
    if packers.packer(head) is None:
        yield Text(pipe, (), None, unpack.MOST_PIPED)
        return
    with tempfile.SpooledTemporaryFile(max_size=_SPOOLED) as aside:
        size = 0
        while block := pipe.read(BLOCK):
            size += len(block)
            if size > unpack.MOST_PIPED:
                raise Unreadable((unpack.too_large(unpack.MOST_PIPED).problem,))
            aside.write(block)
        aside.seek(0)
        yield _seekable(cast(BinaryIO, aside), size)


class _Fed(io.RawIOBase):
    """A file that is read as it comes. It is not closed with this."""

    def __init__(self, file: BinaryIO) -> None:
        super().__init__()
        self._file = file

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def _sha256(file: BinaryIO) -> str:
    digest = hashlib.sha256()
    while block := file.read(BLOCK):
        digest.update(block)
    return digest.hexdigest()
