"""Names of files become jobs: a text as it is, or each text of an archive or a Parquet file."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from memdiag.depot import archives, texts
from memdiag.depot.archives import Member
from memdiag.depot.judging import Job, file_print, unreadable
from memdiag.depot.rows import Rows, aside
from memdiag.model.problems import problem

SENT = 8 << 20
"""Bytes up to which a file is read here and sent to a worker; the worker reads a larger one."""


def jobs(names: Iterable[str]) -> Iterator[Job | Rows]:
    """The jobs of these files, in order; for what cannot be one, the rows that say why."""
    for name in names:
        try:
            yield from _jobs(name)
        except OSError as wrong:
            yield aside(shown(name), unreadable(wrong))


def shown(name: str) -> str:
    """A name as it is told and kept: text, whatever bytes it has on the disk."""
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


def _jobs(name: str) -> Iterator[Job | Rows]:
    path = Path(name)
    with _opened(path) as file:
        before = os.fstat(file.fileno())
        inside = _inside(path, file, before.st_size)
        if inside is not None:
            yield from _each(name, inside)
            if file_print(path.stat()) != file_print(before):
                yield aside(shown(name), problem("batch-changed"))
        elif before.st_size > SENT:
            yield Job(shown(name), before.st_size, path=str(path.absolute()))
        else:
            data = _steady(path, file)
            if data is None:
                data = _steady(path)  # whoever wrote to it may be done
            wrong = aside(shown(name), problem("batch-changed"))
            yield wrong if data is None else Job(shown(name), len(data), data)


def _inside(path: Path, file: BinaryIO, size: int) -> Iterator[Member] | None:
    """The texts in a file that holds several, None for one that is a text."""
    kind = archives.kind(file, size)
    if kind == "parquet":
        return texts.members(path)
    return None if kind is None else archives.members(file, size, kind)


def _steady(path: Path, file: BinaryIO | None = None) -> bytes | None:
    """The bytes of a file, opened already or anew; None where it was written to meanwhile."""
    if file is None:
        with _opened(path) as anew:
            return _steady(path, anew)
    before = os.fstat(file.fileno())
    data = file.read(SENT + 1)
    same = file_print(path.stat()) == file_print(before) and len(data) == before.st_size
    return data if same else None


def _opened(path: Path) -> BinaryIO:
    """A regular file. Raises OSError for anything else: a pipe that nobody writes to would be
    waited for."""
    if not stat.S_ISREG(path.stat().st_mode):
        raise OSError(errno.EINVAL, "it is no regular file")
    return path.open("rb")


def _each(name: str, members: Iterator[Member]) -> Iterator[Job | Rows]:
    for member in members:
        called = shown(f"{name}/{member.name}" if member.name else name)
        if member.data is None:
            yield aside(called, member.wrong or problem("batch-changed"))
        else:
            yield Job(called, len(member.data), member.data)
