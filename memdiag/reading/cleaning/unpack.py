"""Packed input: gzip, xz and zstd, told by their content and unpacked within bounds.

Formats: RFC 1952 (gzip, several members in a row), the .xz file format 1.1 (several streams),
RFC 8878 (zstd, several frames and skippable ones). Of a stream that is cut or damaged what could
be unpacked is kept, and told; one that swells beyond the bounds is refused.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any, BinaryIO

from msgspec import Struct

from memdiag.model.problems import Problem, Severity, problem
from memdiag.reading.cleaning.packers import PEEK, PIECE, members, packer

MIB = 1 << 20
MOST = 64 * 1024 * MIB
"""Most bytes of a text, unpacked. No more than a few blocks are held of it."""
MOST_PIPED = 1024 * MIB
"""Most bytes of a text that comes through a pipe, which may have no end."""
IN_MEMORY = 128 * MIB
"""Most bytes of a text that has to be held as a whole, several times over: one that is not in
UTF-8, or whose lines end with a lone carriage return."""
FREE = 64 * MIB
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


class Bounds(Struct, frozen=True):
    """How far packed data may swell: `most` bytes in all, `ratio` times beyond `free` bytes."""

    most: int
    free: int = FREE
    ratio: float = MOST_RATIO

    def allowed(self, packed: int) -> int:
        return min(self.most, max(self.free, int(self.ratio * packed)))


WIDEST = Bounds(MOST)


class TooLarge(ValueError):
    """What holds or unpacks to more than is read. `problem` names the bound."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.sentence())


def too_large(most: int) -> TooLarge:
    """What is raised for a text of more than `most` bytes."""
    way, hint = _WAYS.get(most, ("at all", "cut it in several files"))
    return TooLarge(problem("text-too-large", None, bound=size_text(most), way=way, hint=hint))


_WAYS = {
    MOST_PIPED: ("from a pipe", "write it to a file and name that"),
    IN_MEMORY: ("that is not in UTF-8 with ordinary line ends", "save it as UTF-8 first"),
}


def opened(file: BinaryIO, size: int, bounds: Bounds = WIDEST) -> BinaryIO:
    """A seekable file of `size` bytes as the bytes of a dump, unpacked where it is packed.

    `stream_problems(stream)` tells, after reading, what there was to say. Reading raises TooLarge
    beyond the bounds, and OSError where the file cannot be read.
    """
    name = packer(file.read(PEEK))
    file.seek(0)
    if name is None:
        return file
    return io.BufferedReader(Unpacking(file, name, size, bounds), PIECE)


def stream_problems(stream: BinaryIO) -> tuple[Problem, ...]:
    """What `opened` had to say of this stream so far; complete once it is read to its end."""
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
        """The unpacked bytes, then what there is to say of the whole. Raises TooLarge."""
        for piece in members(self._file, self._name, self._size, self._wrong):
            self._given += len(piece)
            if self._given > self._allowed:
                bound, ratio = size_text(self._allowed), self._allowed / max(1, self._size)
                said = {"packer": self._name, "bound": bound, "ratio": f"{ratio:,.0f}"}
                raise TooLarge(problem("packed-bomb", None, **said))
            yield piece
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
