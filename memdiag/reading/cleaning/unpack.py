"""Packed input: gzip, xz and zstd, told by their content and unpacked within bounds.

Formats: RFC 1952 (gzip, several members in a row), the .xz file format 1.1 (several streams),
RFC 8878 (zstd, several frames and skippable ones). A stream that is cut or damaged keeps what
could be unpacked; one that swells beyond the bounds is stopped. Both are reported.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, cast

from memdiag.model.problems import Problem, Severity, problem
from memdiag.reading.cleaning.packers import PEEK, PIECE, NoPacker, members, packer

MIB = 1 << 20
IN_MEMORY = 1024 * MIB
"""Most bytes `unpack` gives: a text is held in memory several times over."""
STREAMED = 64 * 1024 * MIB
"""Most bytes `open_stream` gives."""
FREE = 256 * MIB
"""Below this size no ratio is asked after: equal rows pack thousands to one, and do no harm."""
MOST_RATIO = 250
"""Above `FREE`, the most a text may swell. Rows of a stress run that differ in their addresses
pack 4 to 40 times with these packers (measured on generated rows)."""

_FOREIGN = (
    (b"PK\x03\x04", "zip"),
    *((b"BZh%d1AY&" % level, "bzip2") for level in range(1, 10)),
    (b"7z\xbc\xaf\x27\x1c", "7z"),
    (b"\x04\x22\x4d\x18", "lz4"),
    (b"Rar!\x1a\x07", "rar"),
    (b"\x1f\x9d", "compress"),
)


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far packed data may swell: `most` bytes in all, `ratio` times beyond `free` bytes."""

    most: int
    free: int = FREE
    ratio: float = MOST_RATIO

    def allowed(self, packed: int) -> int:
        return min(self.most, max(self.free, int(self.ratio * packed)))


def unpack(data: bytes, bounds: Bounds = Bounds(IN_MEMORY)) -> tuple[bytes, tuple[Problem, ...]]:
    """The bytes of a dump, unpacked where they are packed, and what there was to say.

    Data that is not packed is given back as it is. Raises nothing.
    """
    name = packer(data[:PEEK])
    if name is None:
        return data, foreign(data)
    raw = Unpacking(io.BytesIO(data), name, len(data), bounds)
    got = raw.readall()
    return got, raw.problems


def open_stream(path: Path | str, bounds: Bounds = Bounds(STREAMED)) -> BinaryIO:
    """Open a dump for reading bytes, unpacked where it is packed. Close it after use.

    `stream_problems(stream)` tells, after reading, what there was to say. Raises OSError where
    the file cannot be opened or read.
    """
    file = Path(path).open("rb")  # noqa: SIM115 (the caller closes it)
    try:
        name = packer(file.peek(PEEK)[:PEEK])
        if name is None:
            return file
        if file.seekable():
            size, packed = Path(path).stat().st_size, cast(BinaryIO, file)
        else:  # a pipe, such as a shell's <(...): it cannot be read twice
            whole = file.read()
            file.close()
            size, packed = len(whole), io.BytesIO(whole)
        return io.BufferedReader(Unpacking(packed, name, size, bounds), PIECE)
    except BaseException:
        file.close()
        raise


def stream_problems(stream: BinaryIO) -> tuple[Problem, ...]:
    """What `open_stream` had to say of this stream so far; complete once it is read to its end."""
    raw = getattr(stream, "raw", None)
    return raw.problems if isinstance(raw, Unpacking) else ()


def foreign(data: bytes) -> tuple[Problem, ...]:
    """What there is to say of data packed in a way that is not known here; mostly nothing."""
    return tuple(
        problem("packer-unknown", packer=name) for magic, name in _FOREIGN if data.startswith(magic)
    )


class Unpacking(io.RawIOBase):
    """A packed file read as its unpacked bytes. `file` must be seekable; it is closed with this.

    `problems` tells what there was to say so far; complete once the end is reached.
    """

    def __init__(self, file: BinaryIO, name: str, size: int, bounds: Bounds) -> None:
        super().__init__()
        self.problems: tuple[Problem, ...] = ()
        self._file, self._name, self._size = file, name, size
        self._allowed = bounds.allowed(size)
        self._given = 0
        self._pieces = self._bounded()
        self._piece = memoryview(b"")

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._file.close()
        super().close()

    def readinto(self, buffer: Any) -> int:
        if not self._piece:
            self._piece = memoryview(next(self._pieces, b""))
        n = min(len(buffer), len(self._piece))
        buffer[:n] = self._piece[:n]
        self._piece = self._piece[n:]
        return n

    def _say(self, code: str, **fields: object) -> None:
        self.problems += (problem(code, None, packer=self._name, **fields),)

    def _bounded(self) -> Iterator[bytes]:
        """The unpacked bytes up to the bounds, then what there is to say of the whole."""
        try:
            for piece in members(self._file, self._name, self._size, self._wrong):
                room = self._allowed - self._given
                if len(piece) > room:
                    self._given += room
                    self._say(
                        "packed-bomb",
                        bound=size_text(self._allowed),
                        ratio=f"{self._given / max(1, self._size):,.0f}",
                    )
                    yield piece[:room]
                    return
                self._given += len(piece)
                yield piece
        except NoPacker:
            self._say("packer-missing")
        if not any(p.severity is not Severity.INFO for p in self.problems):
            self._say("packed-input", packed=size_text(self._size), unpacked=size_text(self._given))

    def _wrong(self, code: str, **fields: object) -> None:
        self._say(code, got=size_text(self._given), **fields)


def size_text(n: int) -> str:
    """`512 bytes`, `40 kB`, `1.5 GB`: decimal, as file managers show it."""
    if n < 1000:
        return f"{n} byte{'s' if n != 1 else ''}"
    for unit in ("kB", "MB", "GB"):
        n_in = n / 1000 ** ("kB", "MB", "GB").index(unit) / 1000
        if n_in < 999.5 or unit == "GB":
            return f"{n_in:.3g} {unit}"
    raise AssertionError
