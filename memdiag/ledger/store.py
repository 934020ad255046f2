"""A folder of repair tickets on disk: an entry is there whole, or it is not there.

Layout: `FOLDER/TICKET/NN-STAGE-HASH/` holds one dump and what was made of it, or
`NN-outcome-HASH/` what a repair showed, or `NN-note.HASH/`, `NN-photo.HASH/` what is kept beside
them, with `SHA256SUMS` over all its files (`sha256sum -c
SHA256SUMS` checks it). An entry is written in a hidden folder within the ticket, forced to the
disk, and renamed into place: a kill, a full disk or a pulled plug leaves at most a hidden folder,
which the next filing to that ticket sweeps away. Entries are never changed.

Benches that file to one ticket at one time take turns by a lock on the ticket's own folder, which
leaves no lock file behind and is let go by the system when its holder dies; other tickets wait for
nobody. Where the file system has no locks (some network shares), the rename alone still keeps
entries whole and unmixed.
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
from pathlib import Path, PurePath

from msgspec import Struct

from memdiag.ledger.entries import SUMS, Entry, Survey, survey

STAGING = ".memdiag-staging-"
WAIT = 120.0  # seconds to wait for another bench
STALE = 3600.0  # seconds after which a hidden folder is swept even where locks are unknown

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


class Filed(Struct, frozen=True):
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


class New(Struct, frozen=True):
    """What is to be filed: its files, and the word and hash that its folder is named by. `beside`:
    it is kept beside the runs and outcomes, and its folder's name tells it from theirs."""

    files: Mapping[str, bytes]
    word: str
    sha256: str
    beside: bool = False


def look(root: Path, ticket: str) -> Survey:
    """What a ticket holds; nothing where it has no folder. Raises TicketError."""
    try:
        return survey(root / check_id(ticket))
    except OSError as wrong:
        raise TicketError(
            f"cannot read {root}: {(wrong.strerror or str(wrong)).lower()}"
        ) from wrong


def entries(root: Path, ticket: str) -> tuple[Entry, ...]:
    """The entries of a ticket in the order they were filed; none where it has no folder."""
    return look(root, ticket).entries


def file_entry(
    root: Path, ticket: str, raw: bytes, stage: str, make: Callable[[Survey], Mapping[str, bytes]]
) -> Filed:
    """File `raw` with what `make` returns (file name -> content), given what the ticket holds.

    The same dump again changes nothing. Raises TicketError; then nothing was filed.
    """
    sha256 = hashlib.sha256(raw).hexdigest()
    called = dump_name(raw)
    there: list[Entry] = []

    def build(before: Survey) -> New | None:
        there.extend(entry for entry in before.entries if entry.sha256 == sha256)
        return None if there else New({called: raw, **make(before)}, stage, sha256)

    final = file_new(root, ticket, build)
    if final is None:
        return Filed(there[0], fresh=False)
    return Filed(Entry(final, int(final.name.split("-")[0]), sha256, called), fresh=True)


def file_new(root: Path, ticket: str, build: Callable[[Survey], New | None]) -> Path | None:
    """File what `build` makes of what the ticket holds, alone with it; the new folder, or None
    where it makes nothing. Raises TicketError; then nothing was filed."""
    home = root / check_id(ticket)
    try:
        if home.is_symlink() or (home.exists() and not home.is_dir()):
            raise TicketError(f"{home} is no folder of its own; move it away first")
        with _sole(home) as locked:
            _sweep(home, everything=locked)
            before = survey(home)
            new = build(before)
            if new is None:
                return None
            staging = _stage(home, new.files)
            try:
                rest = f"{_slug(new.word)}{'.' if new.beside else '-'}{new.sha256[:12]}"
                return _publish(staging, home, before.last + 1, rest)
            finally:
                shutil.rmtree(staging, ignore_errors=True)
    except OSError as wrong:
        raise TicketError(_reason(root, wrong)) from wrong


def dump_name(raw: bytes) -> str:
    """What the raw dump is called: `dump.txt`, or by the ending of its packer."""
    return "dump." + next((end for head, end in _PACKED.items() if raw.startswith(head)), "txt")


@contextmanager
def _sole(home: Path) -> Iterator[bool]:
    """Hold a ticket's folder, made where there is none, against other benches; yields False where
    the file system has no locks. An empty folder is not left behind."""
    made = False
    while True:
        with suppress(FileExistsError):
            home.mkdir()
            made = True
        with _lock(home) as handle:
            if not _is_at(handle, home):
                continue  # a bench that failed took its empty folder away as we waited
            try:
                yield handle is not None
            finally:
                if made:
                    with suppress(OSError):
                        home.rmdir()  # only where it is empty
        break
    if made:
        with suppress(OSError):  # it is filed; only its survival of a power cut is in doubt
            _force(home.parent)


def _is_at(handle: int | None, home: Path) -> bool:
    """Whether the locked folder is still the one of that name."""
    if handle is None:
        return True
    try:
        return os.path.samestat(os.fstat(handle), home.stat())
    except FileNotFoundError:
        return False


@contextmanager
def _lock(home: Path) -> Iterator[int | None]:
    """The handle of the locked folder; None where the file system has no locks."""
    try:
        import fcntl
    except ImportError:  # Windows
        yield None
        return
    handle = os.open(home, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
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
                        f"another bench has been filing to {home} for {WAIT:.0f} s; try again"
                    ) from None
                time.sleep(0.02)
        yield handle if locked else None
    finally:
        os.close(handle)


def _sweep(home: Path, *, everything: bool) -> None:
    """Remove what a killed filing left. Under the lock nobody else can be staging; without it
    only what is old is certain to be abandoned."""
    for path in home.glob(STAGING + "*"):
        with suppress(OSError):
            if everything or time.time() - path.stat().st_mtime > STALE:
                shutil.rmtree(path)


def _stage(home: Path, files: Mapping[str, bytes]) -> Path:
    """Write the files and their sums to a hidden folder, and force them to the disk."""
    staging = home / (STAGING + secrets.token_hex(6))
    staging.mkdir()
    try:
        sums = "".join(f"{hashlib.sha256(data).hexdigest()}  {n}\n" for n, data in files.items())
        for name, data in {**files, SUMS: sums.encode()}.items():
            if name != PurePath(name).name or name.startswith("."):
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
    with suppress(OSError):  # it is filed; only its survival of a power cut is in doubt
        _force(home)
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
