"""The packers themselves: gzip, xz and zstd as streams of pieces, with what can be saved of a
damaged one. Knows no bounds and no problem texts: those are `unpack`'s.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Generator, Iterator
from typing import Any, BinaryIO, Protocol

from msgspec import Struct

_MAGIC = (
    (b"\x1f\x8b", "gzip"),  # RFC 1952, 2.3.1
    (b"\xfd7zXZ\0", "xz"),  # .xz file format, 2.1.1.1
    (b"\x28\xb5\x2f\xfd", "zstd"),  # RFC 8878, 3.1.1
)
_SKIPPABLE = b"\x2a\x4d\x18"  # RFC 8878, 3.1.2: bytes 2 to 4, the first is 50 to 5F

PEEK = 8
"""Bytes that tell a packer."""

PIECE = 256 * 1024  # most bytes taken out at a time
_STEP = 64 * 1024  # bytes fed at a time
_ARROW_STEP = 64 * 1024  # bytes Arrow reads at a time
_XZ_MEMORY = 512 * 1024 * 1024  # an .xz file may ask for a 4 GiB dictionary; `xz -9` needs 65 MiB

Wrong = Callable[..., None]
"""Told `(code, **fields)` what was wrong."""


def packer(head: bytes) -> str | None:
    """Which packer made data that starts with `head` (8 bytes are enough); None: not packed."""
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    if len(head) >= 4 and 0x50 <= head[0] <= 0x5F and head[1:4] == _SKIPPABLE:
        return "zstd"
    return None


def members(file: BinaryIO, name: str, size: int, wrong: Wrong) -> Iterator[bytes]:
    """The unpacked bytes of a seekable file of `size` bytes, all members one after another."""
    if name == "zstd":
        yield from _zstd(file, wrong)
        return
    make = _Gzip if name == "gzip" else _Xz
    start = 0
    while start < size:
        file.seek(start)
        head = file.read(PEEK)
        if packer(head) != name:
            # Zero bytes may pad gzip (a tape's blocks) and .xz streams (2.2); anything else is
            # another thing that was appended.
            rest = head + file.read()
            if rest.strip(b"\0"):
                count = f"{len(rest):,} byte{'s' if len(rest) > 1 else ''}"
                wrong("packed-tail", count=count)
            return
        end = yield from _member(file, start, make, wrong)
        if end is None:
            return
        start = end


class _Unpacker(Protocol):
    """One member, stream or frame. `more` gives at most about `most` bytes for what it was fed."""

    def more(self, fed: bytes, most: int) -> bytes: ...
    @property
    def hungry(self) -> bool: ...
    @property
    def over(self) -> bool: ...
    @property
    def unused(self) -> bytes: ...


_Plan = tuple[tuple[int | None, int, int], ...]
"""How to feed: up to which offset (None: the end), bytes at a time, most bytes out at a time."""

_FAST: _Plan = ((None, _STEP, PIECE),)


class _End(Struct, frozen=True):
    """How a member ended: where its next member starts, or the offset of the bytes it broke at."""

    offset: int
    over: bool = False
    broken: Exception | None = None


def _member(
    file: BinaryIO, start: int, make: Callable[[], _Unpacker], wrong: Wrong
) -> Generator[bytes, None, int | None]:
    """One member from offset `start`. Returns the offset behind it, None where it broke off."""
    produced = 0
    run = _feed(file, start, make, _FAST)
    while True:
        try:
            piece = next(run)
        except StopIteration as stop:
            end: _End = stop.value
            break
        produced += len(piece)
        yield piece
    if end.over:
        return end.offset
    if end.broken is None:
        wrong("packed-cut")
    else:
        yield from _saved(file, start, make, produced, end.offset)
        wrong("packed-damaged", reason=_reason(end.broken))
    return None


def _feed(
    file: BinaryIO, start: int, make: Callable[[], _Unpacker], plan: _Plan
) -> Generator[bytes, None, _End]:
    """Unpack one member by the plan, as far as it goes."""
    file.seek(start)
    unpacker = make()
    for until, step, most in plan:
        while True:
            at = file.tell()
            fed = file.read(step if until is None else max(0, min(step, until - at)))
            if not fed:
                break
            try:
                got = unpacker.more(fed, most)
                while got or not (unpacker.over or unpacker.hungry):
                    if got:
                        yield got
                    got = b"" if unpacker.over else unpacker.more(b"", most)
            except Exception as broken:  # each library has its own kind
                return _End(at, broken=broken)
            if unpacker.over:
                return _End(file.tell() - len(unpacker.unused), over=True)
    return _End(file.tell())


def _saved(
    file: BinaryIO, start: int, make: Callable[[], _Unpacker], produced: int, broke_at: int
) -> Iterator[bytes]:
    """What a damaged member holds beyond the first `produced` bytes.

    Unpackers throw away the output of the call that fails. So the bytes it was fed are fed again
    one by one to find the one that breaks it, and then that one's output is taken byte by byte.
    """
    slow: _Plan = ((broke_at, _STEP, PIECE), (None, 1, PIECE))
    run = _feed(file, start, make, slow)
    last = broke_at
    while True:
        try:
            next(run)
        except StopIteration as stop:
            last = stop.value.offset
            break
    slowest: _Plan = ((broke_at, _STEP, PIECE), (last, 1, PIECE), (None, 1, 1))
    seen = 0
    for piece in _feed(file, start, make, slowest):
        seen += len(piece)
        if seen > produced:
            yield piece[-min(len(piece), seen - produced) :]


def _reason(broken: Exception) -> str:
    text = str(broken) or type(broken).__name__
    if "incorrect length check" in text:
        return "its length is not the one it states"
    if "incorrect data check" in text or "checksum" in text:
        return "its checksum does not match"
    if isinstance(broken, MemoryError) or "Memory usage limit" in text:
        return f"it asks for more than {_XZ_MEMORY >> 20} MiB of memory"
    return text.splitlines()[0][:120].rstrip(".").lower()


class _Gzip:
    def __init__(self) -> None:
        import zlib

        self._inner = zlib.decompressobj(wbits=31)  # 16 + 15: gzip wrapper, largest window
        self._left = b""

    def more(self, fed: bytes, most: int) -> bytes:
        got = self._inner.decompress(self._left + fed, most)
        self._left = self._inner.unconsumed_tail
        return got

    @property
    def hungry(self) -> bool:
        return not self._left

    @property
    def over(self) -> bool:
        return self._inner.eof

    @property
    def unused(self) -> bytes:
        return self._inner.unused_data


class _Xz:
    def __init__(self) -> None:
        import lzma

        self._inner = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_XZ_MEMORY)

    def more(self, fed: bytes, most: int) -> bytes:
        got: bytes = self._inner.decompress(fed, most)
        return got

    @property
    def hungry(self) -> bool:
        return bool(self._inner.needs_input)

    @property
    def over(self) -> bool:
        return bool(self._inner.eof)

    @property
    def unused(self) -> bytes:
        return bytes(self._inner.unused_data)


class _KeptOpen(io.RawIOBase):
    """Reads a file but does not close it, as Arrow closes what it is given; byte by byte from
    offset `slow_from` on, so that what comes before a damaged byte is given out first."""

    def __init__(self, file: BinaryIO, slow_from: int | None = None) -> None:
        super().__init__()
        file.seek(0)
        self._file, self._slow_from = file, slow_from

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        if self._slow_from is not None:
            size = min(size, max(1, self._slow_from - self._file.tell()))
        return self._file.read(size)


def _zstd(file: BinaryIO, wrong: Wrong) -> Iterator[bytes]:
    """zstd through Arrow, which reads all frames by itself."""
    import pyarrow

    def opened(slow_from: int | None = None) -> Any:
        source = pyarrow.PythonFile(_KeptOpen(file, slow_from), mode="r")
        return pyarrow.CompressedInputStream(source, "zstd")

    stream, produced = opened(), 0
    try:
        while piece := stream.read(PIECE):
            produced += len(piece)
            yield piece
        return
    except (OSError, pyarrow.ArrowException) as broken:
        reason = broken
    # A read that fails gives nothing of what it had: read again up to there, then byte by byte.
    stream, seen = opened(max(0, file.tell() - _ARROW_STEP)), 0
    try:
        while seen < produced:
            seen += len(stream.read(min(PIECE, produced - seen)))
        while piece := stream.read(1):
            yield piece
    except (OSError, pyarrow.ArrowException):
        pass
    if "runcated" in str(reason):
        wrong("packed-cut")
    else:
        wrong("packed-damaged", reason=_reason(reason))
