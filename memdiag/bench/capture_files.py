"""What comes from a console, on disk as it comes: the bytes, and the time each line came."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from memdiag.ledger.captured import HEAD, row

RAW, TIMES = ".raw", ".times.csv"


class Kept:
    """Two files in `folder`, named after the source and the moment: the bytes, and for each line
    of them the time at which its first byte came. Nothing is held back in memory: what was added
    is the system's to write, whatever becomes of this program.

    Raises OSError where they cannot be made or written.
    """

    def __init__(self, folder: Path, source: str, now: datetime) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.size = self.lines = 0
        self._in_line = self._unsafe = False
        self._raw = _new(folder, f"{_slug(source)}-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}")
        self.raw = Path(self._raw.name)
        self.times = self.raw.with_suffix(TIMES)
        try:
            self._times: BinaryIO = self.times.open("xb", buffering=0)
            _write(self._times, HEAD)
        except OSError:
            self._raw.close()
            self.raw.unlink()
            raise

    def add(self, data: bytes, at: float) -> None:
        """Append what came at `at` (seconds since 1970)."""
        _write(self._raw, data)
        self._unsafe = True
        fresh = data.count(b"\n") + (not data.endswith(b"\n")) - self._in_line
        self._in_line = not data.endswith(b"\n")
        self.size += len(data)
        _write(self._times, b"".join(row(self.lines + n, at) for n in range(1, fresh + 1)))
        self.lines += fresh

    def settle(self) -> None:
        """Force what was added to the disk itself: nothing is coming, so there is time."""
        if self._unsafe:
            self._unsafe = False
            for file in (self._raw, self._times):
                with suppress(OSError):  # a disk that cannot is no reason to stop listening
                    os.fsync(file.fileno())

    def close(self) -> None:
        """Nothing more will be added; files in which nothing is are taken away."""
        self.settle()
        self._raw.close()
        self._times.close()
        if not self.size:
            self.raw.unlink(missing_ok=True)
            self.times.unlink(missing_ok=True)


def _new(folder: Path, stem: str) -> BinaryIO:
    """A file of that name that was not there; with a number where it was."""
    number = 1
    while True:
        name = stem if number == 1 else f"{stem}-{number}"
        try:
            return (folder / f"{name}{RAW}").open("xb", buffering=0)
        except FileExistsError:
            number += 1


def _write(file: BinaryIO, data: bytes) -> None:
    """All of it: a disk that fills up takes a part and says how much."""
    rest = memoryview(data)
    while rest:
        rest = rest[file.write(rest) :]


def _slug(source: str) -> str:
    """A source as part of a file's name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", source)[-40:].strip("-") or "console"
