"""What lies in an archive: zip, and tar as it is or packed with gzip, xz or zstd.

An archive is read from its beginning to its end and nothing of it is written to the disk. It may
swell as far as any packed text may (`reading.cleaning.unpack`): each member by itself, and all of
them together.
"""

from __future__ import annotations

import io
import tarfile
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from lzma import LZMAError
from pathlib import PurePosixPath
from typing import Any, BinaryIO, Self

from msgspec import Struct

from memdiag.model.problems import Problem, Severity, problem
from memdiag.reading.cleaning import packers, unpack
from memdiag.reading.cleaning.unpack import Bounds, TooLarge, size_text

MOST_MEMBERS = 1_000_000
MOST_OF_A_MEMBER = unpack.IN_MEMORY
"""Bytes: a member is held as a whole, to be sent to a worker."""

_PARQUET = b"PAR1"  # what such a file begins with (Apache Parquet format, "File Format")
_HEAD = 256 << 10  # bytes of a packed file in which its first block ends (RFC 8878: 128 KiB)
_TELLS_OF_THE_NEXT = (
    tarfile.GNUTYPE_LONGNAME,
    tarfile.GNUTYPE_LONGLINK,
    tarfile.XHDTYPE,
    tarfile.XGLTYPE,
    tarfile.SOLARIS_XHDTYPE,
)
_MOST_TOLD = 1 << 20
_CUT = "it ends too early"

_BROKEN = (
    OSError,
    EOFError,
    ValueError,
    LZMAError,
    zlib.error,
    tarfile.TarError,
    zipfile.BadZipFile,
    NotImplementedError,  # a packer that Python does not know
    RuntimeError,  # encrypted
)


class Member(Struct, frozen=True):
    """A file in an archive, and its bytes; `name` "" is the archive itself, of which `wrong` tells
    what was wrong. `data` is None where there is a problem."""

    name: str
    data: bytes | None
    wrong: Problem | None = None


def kind(file: BinaryIO, size: int) -> str | None:
    """What a seekable file of `size` bytes is that holds several texts: `"parquet"`, or an archive,
    `"zip"` or `"tar"`, packed or not. None for a text. The file is left at its beginning."""
    head = file.read(tarfile.BLOCKSIZE)
    if packers.packer(head) is not None:
        head += file.read(_HEAD)
    file.seek(0)
    if head[:4] in (b"PK\x03\x04", b"PK\x05\x06"):  # APPNOTE 4.3.7; 4.3.16 without members
        return "zip"
    if head.startswith(_PARQUET):
        return "parquet"
    try:
        block = unpack.opened(io.BytesIO(head), size).read(tarfile.BLOCKSIZE)
        tarfile.TarInfo.frombuf(block, "utf-8", "surrogateescape")
    except _BROKEN:
        return None
    return "tar"


def members(file: BinaryIO, size: int, packed: str) -> Iterator[Member]:
    """Every file in an archive of the kind `packed`, in its order; hidden ones left out. A name
    that comes again gets a number. What cannot be read is a member with what was wrong."""
    seen: Counter[str] = Counter()
    try:
        for name, data in _tar(file, size) if packed == "tar" else _zip(file, size):
            seen[name] += 1
            if len(seen) > MOST_MEMBERS:
                raise TooLarge(problem("batch-many", most=f"{MOST_MEMBERS:,}"))
            called = name if seen[name] == 1 else f"{name} ({seen[name]})"
            if isinstance(data, Problem):
                yield Member(called, None, data)
            elif kind(io.BytesIO(data), len(data)) is not None:
                yield Member(called, None, problem("batch-nested"))
            else:
                yield Member(called, data)
    except TooLarge as beyond:
        yield Member("", None, beyond.problem)
    except _BROKEN as broken:
        yield Member("", None, problem("batch-archive", reason=_reason(broken)))


class _Allowance:
    """Counts what an archive of `size` bytes gives, and raises TooLarge beyond the bounds."""

    def __init__(self, size: int) -> None:
        self._allowed = self._left = Bounds(unpack.MOST).allowed(size)
        self._size = size

    def take(self, number: int) -> None:
        self._left -= number
        if self._left < 0:
            ratio = f"{self._allowed / max(1, self._size):,.0f}"
            said = {"packer": "archive", "bound": size_text(self._allowed), "ratio": ratio}
            raise TooLarge(problem("packed-bomb", None, **said))


def _tar(file: BinaryIO, size: int) -> Iterator[tuple[str, bytes | Problem]]:
    allowance = _Allowance(size)
    stream = unpack.opened(file, size)
    how: Any = {"fileobj": stream, "mode": "r|", "tarinfo": _Header, "errors": "surrogateescape"}
    tar: Any
    with tarfile.open(**how) as tar:
        while (info := tar.next()) is not None:
            tar.members = []  # the list of a large archive is not kept
            if not info.isfile() or _is_hidden(info.name):
                continue
            if info.size > MOST_OF_A_MEMBER:
                yield info.name, _large()
                continue
            content = tar.extractfile(info)
            data = b"" if content is None else content.read(MOST_OF_A_MEMBER)
            if len(data) < info.size:
                raise EOFError(_CUT)
            allowance.take(len(data))
            yield info.name, data
    for said in unpack.stream_problems(stream):
        if said.severity is not Severity.INFO:
            yield "", said


class _Header(tarfile.TarInfo):
    """A header. One that only tells the next one's name or attributes is held as a whole, so no
    larger one is read than any such thing is; and where the end mark is not there, it is said."""

    @classmethod
    def frombuf(cls, buf: bytes | bytearray, encoding: str, errors: str) -> Self:
        if not buf:
            raise EOFError(_CUT)
        made = super().frombuf(buf, encoding, errors)
        if made.type in _TELLS_OF_THE_NEXT and made.size > _MOST_TOLD:
            raise TooLarge(problem("batch-archive", reason="a name in it is endless"))
        return made


def _zip(file: BinaryIO, size: int) -> Iterator[tuple[str, bytes | Problem]]:
    allowance = _Allowance(size)
    with zipfile.ZipFile(file) as archive:
        for info in archive.infolist():
            if info.is_dir() or _is_hidden(info.filename):
                continue
            allowed = Bounds(MOST_OF_A_MEMBER).allowed(info.compress_size)
            try:
                with archive.open(info) as content:
                    data = content.read(allowed + 1)
            except _BROKEN as broken:
                yield info.filename, problem("batch-archive", reason=_reason(broken))
                continue
            if len(data) > allowed:
                yield info.filename, _large()
                continue
            allowance.take(len(data))
            yield info.filename, data


def _large() -> Problem:
    return problem("batch-member", bound=size_text(MOST_OF_A_MEMBER))


def _is_hidden(name: str) -> bool:
    return any(part.startswith(".") and part != ".." for part in PurePosixPath(name).parts)


def _reason(broken: BaseException) -> str:
    """The first line of what a library says, with no name of an object or a file in it."""
    said = (str(broken) or type(broken).__name__).splitlines()[0]
    return said[:120].rstrip(".").lower()
