"""What a ticket's folder holds: whole entries, outcomes, what is kept beside them, and what is
damaged and set aside.

People put other things into a ticket's folder, and hands or disks spoil what was filed. Nothing
found there stops a filing: what is no whole entry is named with its reason, and the rest goes on.
Files are read without waiting and to a bound, so that a pipe or device under a known name, or an
endless file, holds nobody up.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
from collections.abc import Mapping
from pathlib import Path

from msgspec import Struct

SUMS = "SHA256SUMS"
OUTCOME = "outcome.json"
MOST = 4 << 30
"""Bytes of a file that is read whole; a dump is filed as it came, so this is a dump's bound."""
SUMS_MOST = 1 << 20

_ENTRY = re.compile(r"(\d{2,})-.*-([0-9a-f]{12})")
_NUMBERED = re.compile(r"(\d{2,9})-")
_BESIDE = re.compile(r"(\d{2,})-([a-z]+)\.([0-9a-f]{12})")
_SUM = re.compile(r"([0-9a-f]{64})  ([^/\\]+)")


class Entry(Struct, frozen=True):
    """One filed dump: its folder, its number in the ticket, the hash and name of the raw dump."""

    folder: Path
    number: int
    sha256: str
    name: str

    def dump(self) -> bytes | None:
        """The raw dump, None where it is gone or no longer what was filed."""
        try:
            raw = read_file(self.folder / self.name)
        except OSError:
            return None
        return raw if hashlib.sha256(raw).hexdigest() == self.sha256 else None


class Noted(Struct, frozen=True):
    """One recorded outcome: its folder, its number in the ticket, the hash of `outcome.json`."""

    folder: Path
    number: int
    sha256: str


class Kept(Struct, frozen=True):
    """Something kept beside the runs: its folder, its number in the ticket, what it is (`note`,
    `photo`), and the hash and name of its file."""

    folder: Path
    number: int
    kind: str
    sha256: str
    name: str


Filing = Entry | Noted | Kept
"""Anything that is filed with a ticket."""


class Survey(Struct, frozen=True):
    """What a ticket holds, each in the order of filing. `aside` are sentences about what looks
    like an entry and cannot be used; `last` is the highest number that any folder has."""

    entries: tuple[Entry, ...] = ()
    outcomes: tuple[Noted, ...] = ()
    kept: tuple[Kept, ...] = ()
    aside: tuple[str, ...] = ()
    last: int = 0

    @property
    def folders(self) -> tuple[Entry | Noted, ...]:
        """Entries, then outcomes."""
        return (*self.entries, *self.outcomes)


def read_file(path: Path, most: int = MOST) -> bytes:
    """A plain file's bytes. Raises OSError where it is a link, pipe, device or folder, is larger
    than `most` bytes, or cannot be read; never waits for a writer."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
    handle = os.open(path, flags | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as stream:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            raise OSError(errno.EINVAL, "it is no plain file", str(path))
        if about.st_size > most:
            raise OSError(errno.EFBIG, "it is too large", str(path))
        # Asked for `most`, Python would set so much memory aside, whatever the file holds.
        return stream.read(about.st_size)


def survey(home: Path) -> Survey:
    """What stands in a ticket's folder; nothing where there is no such folder.

    Raises OSError where the folder itself cannot be listed.
    """
    whole: list[Filing] = []
    aside, last = [], 0
    try:
        found = sorted(home.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return Survey()
    for path in found:
        numbered = _NUMBERED.match(path.name)
        last = max(last, int(numbered[1]) if numbered else 0)
        try:
            one = _filing(path)
        except (OSError, ValueError) as wrong:
            aside.append(f"{path.name} is set aside: {_said(wrong)}")
            continue
        if one is not None:
            whole.append(one)
    whole.sort(key=lambda one: (one.number, one.folder.name))
    return Survey(
        tuple(one for one in whole if isinstance(one, Entry)),
        tuple(one for one in whole if isinstance(one, Noted)),
        tuple(one for one in whole if isinstance(one, Kept)),
        tuple(aside),
        last,
    )


def _filing(path: Path) -> Filing | None:
    """What is filed in a folder of that name, None where the name is of nothing that is. Raises
    OSError or ValueError where it is not whole."""
    if match := _ENTRY.fullmatch(path.name):
        return _one(path, int(match[1]), match[2])
    if match := _BESIDE.fullmatch(path.name):
        name = _named(path, match[3], f"{match[2]}.")
        return Kept(path, int(match[1]), match[2], sums(path)[name], name)
    return None


def _named(path: Path, begins: str, head: str) -> str:
    """The file of a folder whose name begins with `head` and its hash with `begins`. Raises
    OSError or ValueError where there is none."""
    if path.is_symlink() or not path.is_dir():
        raise ValueError("it is no folder of its own")
    for name, sha256 in sums(path).items():
        if sha256.startswith(begins) and name.startswith(head):
            return name
    raise ValueError(f"its {SUMS} names no {head.removesuffix('.')} of that hash")


def _one(path: Path, number: int, begins: str) -> Entry | Noted:
    """The entry or outcome in a folder. Raises OSError or ValueError where it is neither."""
    if path.is_symlink() or not path.is_dir():
        raise ValueError("it is no folder of its own")
    named = sums(path)
    for name, sha256 in named.items():
        if sha256.startswith(begins) and name.startswith("dump."):
            return Entry(path, number, sha256, name)
        if sha256.startswith(begins) and name == OUTCOME:
            return Noted(path, number, sha256)
    raise ValueError(f"its {SUMS} names no dump of that hash")


def sums(folder: Path) -> dict[str, str]:
    """File name -> sha256 of an entry. Raises OSError or ValueError where the list is missing or
    is none."""
    try:
        text = read_file(folder / SUMS, SUMS_MOST).decode("utf-8")
    except FileNotFoundError:
        raise ValueError(f"it has no {SUMS}") from None
    except UnicodeDecodeError:
        raise ValueError(f"its {SUMS} is no text") from None
    except OSError as wrong:
        raise ValueError(f"its {SUMS} cannot be read: {_said(wrong)}") from None
    found = {}
    for line in text.splitlines():
        match = _SUM.fullmatch(line)
        if match is not None and match[2] not in (".", "..") and "\x00" not in match[2]:
            found[match[2]] = match[1]
    return found


def damaged(entry: Filing) -> tuple[str, ...]:
    """The files of an entry that are missing or no longer what was filed."""
    try:
        named: Mapping[str, str] = sums(entry.folder)
    except (OSError, ValueError):
        return (SUMS,)
    wrong = []
    for name, want in named.items():
        try:
            have = hashlib.sha256(read_file(entry.folder / name)).hexdigest()
        except OSError:
            have = ""
        if have != want:
            wrong.append(name)
    return tuple(wrong)


def _said(wrong: OSError | ValueError) -> str:
    if isinstance(wrong, OSError):
        return (wrong.strerror or str(wrong)).lower()
    return str(wrong)
