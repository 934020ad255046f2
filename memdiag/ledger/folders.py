"""The folders of tickets that this user files to, remembered in a plain list beside the index.

They are this computer's own: another may see the same folder under another path, so they are not
kept in the index, which can be deleted.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from msgspec import Struct

from memdiag.ledger.entries import read_file
from memdiag.ledger.store import TicketError, check_id

LIST = "folders"
_MOST = 1 << 20


def data_folder() -> Path:
    """Where the user's own data belong on this system."""
    from platformdirs import user_data_path

    return user_data_path("memdiag", appauthor=False)


def remembered(data: Path) -> tuple[Path, ...]:
    """The folders of the list, in the order they were first used; none where it cannot be read."""
    try:
        lines = read_file(data / LIST, _MOST).decode("utf-8", "surrogateescape").splitlines()
    except OSError:
        return ()
    return tuple(dict.fromkeys(Path(line) for line in lines if Path(line).is_absolute()))


def remember(data: Path, root: Path) -> None:
    """Add a folder to the list. Raises OSError where that cannot be written."""
    root = root.resolve()
    if "\n" in str(root) or root in remembered(data):
        return
    data.mkdir(parents=True, exist_ok=True)
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NONBLOCK", 0)
    handle = os.open(data / LIST, flags, 0o644)
    try:
        # One write of one line: benches that add theirs at one time do not mix them.
        os.write(handle, f"{root}\n".encode("utf-8", "surrogateescape"))
    finally:
        os.close(handle)


class Found(Struct, frozen=True):
    """What looks like an entry or outcome, by its folder's name alone."""

    ticket: str
    begins: str
    """The first twelve digits of its hash."""


def listed(root: Path) -> Iterator[Found]:
    """Everything filed below a folder of tickets, by names alone. Raises OSError where the folder
    itself cannot be listed."""
    with os.scandir(root) as homes:
        names = sorted(h.name for h in homes if h.is_dir(follow_symlinks=False))
    for ticket in names:
        try:
            if check_id(ticket) != ticket:
                continue
        except TicketError:
            continue
        with suppress(OSError), os.scandir(root / ticket) as found:
            for one in found:
                number, _, rest = one.name.partition("-")
                begins = rest.rpartition("-")[2]
                if number.isdigit() and len(begins) == 12 and one.is_dir(follow_symlinks=False):
                    yield Found(ticket, begins)
