"""A folder of repair tickets on disk: an entry is there whole, or it is not there.

Layout: `FOLDER/TICKET/NN-STAGE-HASH/` holds one dump and what was made of it, with `SHA256SUMS`
over all its files (`sha256sum -c SHA256SUMS` checks it). An entry is written in a hidden folder
beside the tickets, forced to the disk, and renamed into place: a kill, a full disk or a pulled
plug leaves at most a hidden folder, which the next filing sweeps away. Entries are never changed.

Benches that file at one time take turns by a lock on the folder itself, which leaves no lock file
behind and is let go by the system when its holder dies. Where the file system has no locks (some
network shares), the rename alone still keeps entries whole and unmixed.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

SUMS = "SHA256SUMS"
STAGING = ".memdiag-staging-"
WAIT = 120.0  # seconds to wait for another bench
STALE = 3600.0  # seconds after which a hidden folder is swept even where locks are unknown

_ENTRY = re.compile(r"(\d{2,})-.*-([0-9a-f]{12})")
# What packed files begin with (RFC 1952 gzip; the zip, xz, bzip2 and zstd formats).
_PACKED = {
    b"\x1f\x8b": "gz",
    b"PK\x03\x04": "zip",
    b"\xfd7zXZ": "xz",
    b"BZh": "bz2",
    b"\x28\xb5\x2f\xfd": "zst",
}
# Names that Windows keeps for devices, with any extension.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


class TicketError(Exception):
    """Filing was refused or failed, said in a technician's words. Nothing was filed."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One filed dump: its folder, its number in the ticket, the hash and name of the raw dump."""

    folder: Path
    number: int
    sha256: str
    name: str

    def dump(self) -> bytes | None:
        """The raw dump, None where it is gone or no longer what was filed."""
        try:
            raw = (self.folder / self.name).read_bytes()
        except OSError:
            return None
        return raw if hashlib.sha256(raw).hexdigest() == self.sha256 else None


@dataclass(frozen=True, slots=True)
class Filed:
    """What a filing came to; `fresh` is False where this dump had been filed before."""

    entry: Entry
    fresh: bool


def check_id(ticket: str) -> str:
    """The ticket id as a folder name. Raises TicketError where it can be none."""
    name = unicodedata.normalize("NFC", ticket.strip())
    hint = "use letters, digits and . _ - + # only, e.g. R-2041"
    if not name:
        raise TicketError(f"the ticket id is empty; {hint}")
    if "/" in name or "\\" in name or name in (".", ".."):
        raise TicketError(f"ticket id {_shown(ticket)} has a path in it; {hint}")
    wrong = [c for c in name if not (c.isalnum() or c in "._-+#")]
    if wrong:
        raise TicketError(f"ticket id {_shown(ticket)} has {_shown(wrong[0])} in it; {hint}")
    if not name[0].isalnum() or name.endswith("."):
        raise TicketError(
            f"ticket id {_shown(ticket)} must begin with a letter or digit and must "
            f"not end with a dot; {hint}"
        )
    if len(name.encode()) > 100:
        raise TicketError(f"ticket id of {len(name)} characters is too long; use at most 100")
    if _DEVICES.fullmatch(name):
        raise TicketError(f"ticket id {_shown(ticket)} is a device name on some systems; {hint}")
    return name


def entries(root: Path, ticket: str) -> tuple[Entry, ...]:
    """The entries of a ticket in the order they were filed; none where it has no folder."""
    home = root / check_id(ticket)
    found = []
    with suppress(FileNotFoundError, NotADirectoryError):
        for path in home.iterdir():
            match = _ENTRY.fullmatch(path.name)
            if match and path.is_dir() and not path.is_symlink():
                for name, sha256 in _sums(path).items():
                    if name.startswith("dump.") and sha256.startswith(match.group(2)):
                        found.append(Entry(path, int(match.group(1)), sha256, name))
                        break
    return tuple(sorted(found, key=lambda e: (e.number, e.folder.name)))


def file_entry(
    root: Path,
    ticket: str,
    raw: bytes,
    stage: str,
    make: Callable[[tuple[Entry, ...]], Mapping[str, bytes]],
) -> Filed:
    """File `raw` with what `make` returns (file name -> content), given the entries before it.

    The same dump again changes nothing. Raises TicketError; then nothing was filed.
    """
    name = check_id(ticket)
    sha256 = hashlib.sha256(raw).hexdigest()
    try:
        with _lock(root) as locked:
            home = root / name
            if home.is_symlink() or (home.exists() and not home.is_dir()):
                raise TicketError(f"{home} is no folder of its own; move it away first")
            _sweep(root, everything=locked)
            before = entries(root, name)
            for entry in before:
                if entry.sha256 == sha256:
                    return Filed(entry, fresh=False)
            called = dump_name(raw)
            files = {called: raw, **make(before)}
            number = max((entry.number for entry in before), default=0) + 1
            staging = _stage(root, files)
            try:
                final = _publish(staging, home, number, f"{_slug(stage)}-{sha256[:12]}")
            finally:
                shutil.rmtree(staging, ignore_errors=True)
            number = int(final.name.split("-")[0])
            return Filed(Entry(final, number, sha256, called), fresh=True)
    except OSError as wrong:
        raise TicketError(_reason(root, wrong)) from wrong


def dump_name(raw: bytes) -> str:
    """What the raw dump is called: `dump.txt`, or by the ending of its packer."""
    return "dump." + next((end for head, end in _PACKED.items() if raw.startswith(head)), "txt")


@contextmanager
def _lock(root: Path) -> Iterator[bool]:
    """Hold the folder against other benches; yields False where the file system has no locks."""
    try:
        import fcntl
    except ImportError:  # Windows
        yield False
        return
    handle = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        until = time.monotonic() + WAIT
        locked = False
        while not locked:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                locked = True
            except OSError as wrong:
                if wrong.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                    break
                if time.monotonic() > until:
                    raise TicketError(
                        f"another bench has been filing to {root} for {WAIT:.0f} s; try again"
                    ) from None
                time.sleep(0.02)
        yield locked
    finally:
        os.close(handle)


def _sweep(root: Path, *, everything: bool) -> None:
    """Remove what a killed filing left. Under the lock nobody else can be staging; without it
    only what is old is certain to be abandoned."""
    for path in root.glob(STAGING + "*"):
        with suppress(OSError):
            if everything or time.time() - path.stat().st_mtime > STALE:
                shutil.rmtree(path)


def _stage(root: Path, files: Mapping[str, bytes]) -> Path:
    """Write the files and their sums to a hidden folder, and force them to the disk."""
    staging = root / (STAGING + secrets.token_hex(6))
    staging.mkdir()
    try:
        sums = "".join(f"{hashlib.sha256(data).hexdigest()}  {n}\n" for n, data in files.items())
        for name, data in {**files, SUMS: sums.encode()}.items():
            if name != os.path.basename(name) or name.startswith("."):  # noqa: PTH119
                raise ValueError(f"{name!r} is no plain file name")
            with (staging / name).open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        _force(staging)
    except BaseException:
        shutil.rmtree(staging, ignore_errors=True)
        raise
    return staging


def _publish(staging: Path, home: Path, number: int, rest: str) -> Path:
    """Rename the staged folder to the first free number. A rename never replaces an entry: none
    is empty, and a folder that is not empty cannot be renamed onto."""
    made = not home.exists()
    home.mkdir(exist_ok=True)
    try:
        while True:
            final = home / f"{number:02d}-{rest}"
            if not any(home.glob(f"{number:02d}-*")):
                try:
                    staging.rename(final)
                    break
                except OSError as wrong:
                    if wrong.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                        raise
            number += 1
    except BaseException:
        if made:
            with suppress(OSError):
                home.rmdir()  # only where it is empty
        raise
    with suppress(OSError):  # it is filed; only its survival of a power cut is in doubt
        _force(home)
        if made:
            _force(home.parent)
    return final


def _force(folder: Path) -> None:
    """Force a folder's own list of names to the disk, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sums(folder: Path) -> dict[str, str]:
    """File name -> sha256 of an entry, empty where there is no such list: that is no entry.

    Raises OSError where the disk fails: an entry must not be overlooked for that.
    """
    try:
        lines = (folder / SUMS).read_text("utf-8").splitlines()
    except (FileNotFoundError, NotADirectoryError, UnicodeDecodeError):
        return {}
    pairs = [line.split("  ", 1) for line in lines]
    return {pair[1]: pair[0] for pair in pairs if len(pair) == 2}


def damaged(entry: Entry) -> tuple[str, ...]:
    """The files of an entry that are missing or no longer what was filed."""
    wrong = []
    for name, want in _sums(entry.folder).items():
        try:
            have = hashlib.sha256((entry.folder / name).read_bytes()).hexdigest()
        except OSError:
            have = ""
        if have != want:
            wrong.append(name)
    return tuple(wrong)


def _slug(stage: str) -> str:
    """A stage word as part of a folder name: a-z, 0-9 and single dashes, at most 40."""
    text = re.sub(r"[^a-z0-9]+", "-", stage.casefold())[:40].strip("-")
    return text or "run"


def _shown(text: str) -> str:
    return ascii(text if len(text) <= 40 else text[:37] + "...")


def _reason(root: Path, wrong: OSError) -> str:
    hints = {
        errno.ENOSPC: "free some space and attach again",
        errno.EDQUOT: "free some space and attach again",
        errno.EFBIG: "the file is larger than this system allows here",
        errno.EACCES: "ask for the right to write there, or name another folder",
        errno.EPERM: "ask for the right to write there, or name another folder",
        errno.EROFS: "the disk is read-only: name another folder",
        errno.ENOENT: "make the folder first, or check its name",
        errno.ENOTDIR: "name a folder, not a file",
    }
    hint = hints.get(wrong.errno or 0, "check the disk and attach again")
    words = (wrong.strerror or str(wrong)).lower()
    return f"cannot file in {root}: {words}; nothing was filed, {hint}"
