"""What is kept beside the runs of a ticket: notes and photographs, whole and for good."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from msgspec import Struct

from memdiag import __version__
from memdiag.ledger import store
from memdiag.ledger.entries import Kept, Survey, damaged, read_file
from memdiag.ledger.errors import LedgerError

FORMAT = "memdiag-kept/1"
NOTE, PHOTO = "note", "photo"
ENDINGS = ("jpg", "png")
"""What a photograph may be: its bytes are written anew before they come here."""

_ABOUT = "kept.json"
_ABOUT_MOST, _PHOTO_MOST, _NOTE_MOST = 1 << 16, 32 << 20, 1 << 20


class About(Struct, frozen=True):
    """`kept.json`: when it was kept, and what it shows in words."""

    kept: str = ""
    caption: str = ""


class Shown(Struct, frozen=True):
    """A thing kept, ready to be shown: `text` is a note's, `caption` a photograph's."""

    number: int
    kind: str
    at: str
    text: str = ""
    caption: str = ""


def keep_note(root: Path, ticket: str, text: str, now: datetime | None = None) -> Path | None:
    """Keep a note; None where the ticket has the same one. Raises LedgerError where there is no
    such ticket, TicketError where it cannot be filed."""
    return _keep(root, ticket, NOTE, f"{NOTE}.txt", f"{text.strip()}\n".encode(), "", now)


def keep_photo(
    root: Path,
    ticket: str,
    data: bytes,
    ending: str,
    caption: str = "",
    now: datetime | None = None,
) -> Path | None:
    """Keep a photograph; as `keep_note`. `ending` is one of `ENDINGS`."""
    if ending not in ENDINGS:
        raise ValueError(f"a photograph ends in one of {ENDINGS}, not {ending!r}")
    return _keep(root, ticket, PHOTO, f"{PHOTO}.{ending}", data, caption, now)


def _keep(
    root: Path, ticket: str, kind: str, name: str, data: bytes, caption: str, now: datetime | None
) -> Path | None:
    sha256 = hashlib.sha256(data).hexdigest()
    if not store.look(root, ticket).entries:
        raise LedgerError("outcome-no-ticket", ticket=store.check_id(ticket), near="")

    def build(before: Survey) -> store.New | None:
        if any(one.sha256 == sha256 for one in before.kept):
            return None
        says = {
            "format": FORMAT,
            "tool": __version__,
            "ticket": ticket,
            "kind": kind,
            "kept": (now or datetime.now(UTC)).isoformat(timespec="seconds"),
            "caption": caption,
        }
        files = {name: data, _ABOUT: (json.dumps(says, indent=2) + "\n").encode()}
        return store.New(files, kind, sha256, beside=True)

    return store.file_new(root, ticket, build)


def shown(one: Kept) -> Shown | None:
    """What was kept, None where it is no longer what was filed."""
    if damaged(one):
        return None
    try:
        about = msgspec.json.decode(read_file(one.folder / _ABOUT, _ABOUT_MOST), type=About)
        text = read_file(one.folder / one.name, _NOTE_MOST) if one.kind == NOTE else b""
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    said = text.decode("utf-8", "replace").strip()
    return Shown(one.number, one.kind, about.kept, said, about.caption)


def photo(root: Path, ticket: str, number: int) -> tuple[bytes, str] | None:
    """The bytes and the ending of a photograph by its number in the ticket; None where there is
    none, or it is no longer what was filed. Raises TicketError for an id that can be none."""
    for one in store.look(root, ticket).kept:
        if one.number == number and one.kind == PHOTO:
            try:
                data = read_file(one.folder / one.name, _PHOTO_MOST)
            except OSError:
                return None
            same = hashlib.sha256(data).hexdigest() == one.sha256
            return (data, one.name.rpartition(".")[2]) if same else None
    return None
