"""Files, folders and patterns become the names of files to be judged, each once, in order."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from memdiag.depot.errors import BatchError


def names(words: Sequence[str], but: Path) -> list[str]:
    """The files that these words mean, in the order of their bytes, each once: folders with all
    below them, hidden files and the folder `but` left out; patterns (`**` for any folders).

    Raises BatchError for a word that means nothing.
    """
    found: set[str] = set()
    for word in words:
        meant = set(_meant(word, but.resolve()))
        if not meant:
            raise BatchError("batch-nothing", word=word)
        found |= meant
    return sorted(found, key=os.fsencode)


def watched(words: Sequence[str], but: Path) -> list[str]:
    """The same of what is there by now: a word may mean nothing yet."""
    found = {name for word in words for name in _meant(word, but.resolve())}
    return sorted(found, key=os.fsencode)


def _meant(word: str, but: Path) -> Iterator[str]:
    there = os.path.lexists(word)
    for hit in (Path(word),) if there else _matching(Path(word)):
        if hit.is_dir():
            yield from _below(hit, but)
        else:
            yield os.path.normpath(hit)


def _matching(pattern: Path) -> Iterator[Path]:
    """What a pattern fits, hidden files and what lies in hidden folders left out."""
    within = pattern.relative_to(pattern.anchor)
    try:
        for hit in Path(pattern.anchor).glob(str(within)):
            if not any(part.startswith(".") and part != ".." for part in hit.parts):
                yield hit
    except (ValueError, OSError):
        return  # no pattern


def _below(folder: Path, but: Path) -> Iterator[str]:
    """Every file below a folder; no pipes and devices. Links to folders are not followed, for they
    may lead in a ring."""
    for where, folders, files in os.walk(folder):
        here = Path(where)
        if here.resolve().is_relative_to(but):
            folders.clear()
            continue
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            path = here / name
            if not name.startswith(".") and (path.is_file() or not path.exists()):
                yield os.path.normpath(path)  # a link that leads nowhere is said when it is read
