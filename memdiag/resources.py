"""Where the shipped grammars and samples lie, and where a user keeps more.

In a wheel both folders are inside the package; in a checkout and an editable install they stand
beside it. The first that exists is taken.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(folder: str) -> Path:
    """The shipped folder of that name (`"grammars"`, `"samples"` or `"docs/schemas"`).

    Raises FileNotFoundError where the installation lacks it.
    """
    for candidate in (_PACKAGE / folder, _PACKAGE.parent / folder):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"this installation of memdiag lacks its {folder}/ folder: reinstall")


def user_config(folder: str) -> Path:
    """The user's own folder of that name; it need not exist."""
    from platformdirs import user_config_path

    return user_config_path("memdiag") / folder


def user_cache() -> Path:
    """Where compiled grammars may be kept; it need not exist."""
    from platformdirs import user_cache_path

    return user_cache_path("memdiag")


def search_path(folder: str, variable: str) -> Iterator[Path]:
    """Folders to search, nearest to the user first: the variable's, the user's, the shipped."""
    for part in os.environ.get(variable, "").split(os.pathsep):
        if part:
            yield Path(part)
    yield user_config(folder)
    yield shipped("samples" if folder == "boards" else folder)


def read_regular(path: Path, most: int, *, own: bool = False) -> bytes:
    """The bytes of a regular file. `own`: one that belongs to this user, that nobody else can
    write to, and that no link leads to.

    Raises OSError where there is none, where it is a pipe, a device or a folder (a pipe that
    nobody writes to would be waited for), and where it holds more than `most` bytes.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
    flags |= getattr(os, "O_BINARY", 0) | (getattr(os, "O_NOFOLLOW", 0) if own else 0)
    if not stat.S_ISREG(path.stat().st_mode):  # to open a device may already do something
        raise OSError(errno.EINVAL, "it is no regular file", str(path))
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb") as file:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "it is no regular file", str(path))
        if own and not is_own(found):
            raise PermissionError(errno.EPERM, "others can write to it", str(path))
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"it holds more than {most:,} bytes", str(path))
    return data


def is_own(found: os.stat_result) -> bool:
    """Whether a file or folder belongs to this user and nobody else can write to it. Where the
    system knows no such owners, what the user's own folder holds is the user's."""
    if not hasattr(os, "geteuid"):
        return True
    return found.st_uid == os.geteuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
