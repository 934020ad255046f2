"""What a worker finds in its own surroundings and judges by: so that two that do not judge alike
are never mixed in one batch."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from memdiag import __version__


def digest(grammar: str | None = None) -> str:
    """A hash of this memdiag's version, of the profiles and of the layouts that it would find, and
    of the layout that is named, if any."""
    made = hashlib.sha256()
    for part in _parts(grammar):
        made.update(len(part).to_bytes(8, "big") + part)
    return made.hexdigest()


def _parts(grammar: str | None) -> Iterator[bytes]:
    from memdiag.boards import profiles
    from memdiag.layouts import registry

    yield __version__.encode()
    found = [
        ("board", name, part) for name, path in profiles.shelf() for part in profiles.parts(path)
    ]
    found += [("layout", entry.name, entry.path) for entry in registry.entries()]
    if grammar is not None:
        found.append(("layout", "", Path(grammar)))
    for kind, name, path in found:
        yield f"{kind} {name}".encode("utf-8", "surrogatepass")
        yield content(path)


def content(path: Path) -> bytes:
    """The bytes of a profile, a layout or a shop file; none where it cannot be read, which is told
    where it is used."""
    from memdiag.resources import read_regular

    try:
        return read_regular(path, 1 << 24)
    except OSError:
        return b""
