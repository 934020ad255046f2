"""A compiled grammar as a file: plain data with a digest, believed only where it can be.

Nothing in it is code. A file that is not this user's own, is damaged, or says what no grammar can
say, is left alone and the grammar is compiled again, which costs a fraction of a second.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sys
from pathlib import Path

from msgspec import Struct

from memdiag import __version__
from memdiag.layouts import tables
from memdiag.layouts.matcher import Start
from memdiag.layouts.patterns import nature
from memdiag.resources import is_own, read_regular

LARGEST = 8 << 20
"""Bytes of a kept file at most."""

_COMPILERS = (
    "../model/schema.py",
    "line_rules.py",
    "grammar_text.py",
    "grammar_rules.py",
    "grammar_compile.py",
    "patterns.py",
    "matcher.py",
    "tables.py",
    "line_parser.py",
)


class Pack(Struct, frozen=True):
    """A compiled grammar. The fields are those of `matcher.Layout`."""

    name: str | None
    about: str
    recognise: str | None
    source: str
    starts: tuple[Start, ...]
    feeds_newline: bool
    skips: tuple[str, ...]
    columns_open: bool
    carried: dict[str, tuple[str, ...]]
    tables: tables.Tables


def key(data: bytes) -> str:
    """What a grammar's pack is kept under: changed with its text and with what compiled it. (Not
    with Lark's version: whichever made them, tables mean the same to `line_parser`.)"""
    versions = (__version__, sys.version_info[:3])
    digest = hashlib.sha256(repr(versions).encode())
    for module in _COMPILERS:  # a pack made by other code than this is of no use
        digest.update((Path(__file__).parent / module).read_bytes())
    digest.update(data)
    return digest.hexdigest()


def kept(folder: Path, key: str) -> Pack | None:
    """The pack that is kept under this key; None where there is none that can be believed."""
    import msgspec

    try:
        if not is_own(folder.stat()):
            return None
        data = read_regular(_file(folder, key), LARGEST, own=True)
        head, _, body = data.partition(b"\n")
        if head != _digest(key, body):
            return None
        made = msgspec.json.decode(body, type=Pack)
        return made if _is_sound(made) else None
    except (OSError, msgspec.MsgspecError, ValueError, RecursionError):
        return None


def keep(folder: Path, key: str, made: Pack) -> None:
    """Written beside under a name that nobody can foresee and moved into place, so that two
    processes never see half a file."""
    import msgspec

    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not is_own(folder.stat()):
            return
        body = msgspec.json.encode(made)
        partial = folder / f".{key}.{secrets.token_hex(8)}.part"
        handle = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_digest(key, body) + b"\n" + body)
            partial.replace(_file(folder, key))
        finally:
            partial.unlink(missing_ok=True)
    except OSError:
        pass  # a read-only home costs time at the next start, nothing else


def _file(folder: Path, key: str) -> Path:
    return folder / f"{key}.layout"


def _digest(key: str, body: bytes) -> bytes:
    """Of the key too: a file that was given another's name is no use."""
    return hashlib.sha256(key.encode() + b"\n" + body).hexdigest().encode()


def _is_sound(made: Pack) -> bool:
    """Whether what a pack says can be followed, and none of its patterns could take for ever."""
    rules = set(made.tables.begins) & set(made.tables.ends)
    names = {t.name for t in made.tables.terminals}
    said = {name for start in made.starts for name in start.opening} | set(made.skips)
    if tables.flaw(made.tables) or not {s.rule for s in made.starts} <= rules:
        return False
    patterns = made.tables.patterns.values()
    return said <= names | {tables.END} and not any(nature(p).hangs for p in patterns)
