"""Layout grammars: finding, compiling and keeping the `.lark` files, and matching lines with them.

The law is in `line_rules` (names) and `grammar_rules` (what a file may not do). In short:

- one Lark file teaches one layout; comments `// name:`, `// about:` and `// recognise:` at its head
  give its name, one line about it, and a regular expression which, found in any line of a text,
  says that the text has this layout;
- every line of a text is read on its own by one *line rule* (`training_row`, `error_row`,
  `run_line`, `context`, `noise`, `head`, `end`, `section`, `columns`, `row`, ... or any rule that
  gives these names as aliases), in file order, the first that matches the whole line;
- in a line rule, a terminal named after a column in upper case fills it (`LANE`), and
  `COLUMN__VALUE` fills it with that value whatever text matched (`RESULT__PASS: "ok"`). Terminals
  whose names start with `_`, and literals, carry nothing.

A compiled grammar is kept in the user's cache folder, under a key of its content and of the
versions that wrote it. This module knows no record.
"""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from memdiag import __version__
from memdiag.layouts.grammar_text import LayoutError, head_comments
from memdiag.layouts.matcher import Cell, Layout, Match, Miss, Start
from memdiag.model import spelling
from memdiag.model.problems import Position, problem
from memdiag.resources import search_path, user_cache

__all__ = ["Cell", "Entry", "Layout", "LayoutError", "Match", "Miss", "entries", "find", "load"]

VARIABLE = "MEMDIAG_GRAMMARS"
BENCH = "bench"
_COMPILERS = (
    "../model/schema.py",
    "line_rules.py",
    "grammar_text.py",
    "grammar_rules.py",
    "grammar_compile.py",
    "patterns.py",
    "matcher.py",
)


@dataclass(frozen=True, slots=True)
class Entry:
    """A grammar file, as its head comments describe it; nothing is compiled yet."""

    name: str
    about: str
    recognise: str | None
    path: Path


def entries() -> Iterator[Entry]:
    """Every grammar file on the search path, nearest to the user first; a name that came before
    hides the later ones."""
    seen: set[str] = set()
    for folder in search_path("grammars", VARIABLE):
        if not folder.is_dir():
            continue
        for path in sorted(folder.glob("*.lark")):
            entry = entry_of(path)
            if entry is not None and entry.name not in seen:
                seen.add(entry.name)
                yield entry


def entry_of(path: Path) -> Entry | None:
    """The entry of a file, None where it cannot be read."""
    try:
        source = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError:
        return None
    head = head_comments(source)
    return Entry(head.get("name") or path.stem, head.get("about", ""), head.get("recognise"), path)


def find(name: str) -> Layout:
    """The layout of that name, or of that file. Raises LayoutError."""
    path = Path(name)
    if path.suffix == ".lark" or os.sep in name:
        if not path.is_file():
            raise LayoutError((problem("no-such-layout", name=name, hint="no such file"),))
        return load(path)
    known = {entry.name: entry.path for entry in entries()}
    if name not in known:
        raise LayoutError(
            (problem("no-such-layout", name=name, hint=spelling.nearest(name, known)),)
        )
    return load(known[name])


def load(path: Path) -> Layout:
    """The compiled layout of a file, from memory or the cache where it is unchanged.

    Raises LayoutError for a grammar outside the law, OSError for an unreadable file.
    """
    stat = path.stat()
    return _load(str(path.resolve()), str(path), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=64)
def _load(resolved: str, path: str, mtime: int, size: int) -> Layout:
    data = Path(resolved).read_bytes()
    key = _key(data)
    kept = _from_cache(key)
    if kept is None:
        from memdiag.layouts import grammar_compile

        try:
            source = data.decode("utf-8-sig")
        except UnicodeDecodeError as wrong:
            line = data.count(b"\n", 0, wrong.start) + 1
            raise LayoutError(
                (
                    problem(
                        "layout-syntax",
                        Position(line),
                        file=path,
                        reason="it is no UTF-8 text",
                        quote="",
                    ),
                )
            ) from None
        kept = grammar_compile.compile_pack(source, path)
        _to_cache(key, kept)
    return unpack(kept, path)


def unpack(pack: dict[str, Any], origin: str) -> Layout:
    """A layout from what `grammar_compile.compile_pack` made."""
    from lark import Lark

    parser = Lark.load(io.BytesIO(pack["lark"]))
    return Layout(
        name=pack["name"] or Path(origin).stem,
        about=pack["about"],
        recognise=pack["recognise"],
        origin=origin,
        source=pack["source"],
        starts=tuple(Start(*s) for s in pack["starts"]),
        lark=parser,
        feeds_newline=pack["feeds_newline"],
        columns_open=pack["columns_open"],
        skips=pack["skips"],
    )


def _key(data: bytes) -> str:
    from lark import __version__ as lark_version

    versions = (__version__, lark_version, sys.version_info[:3])
    digest = hashlib.sha256(repr(versions).encode())
    for module in _COMPILERS:  # a pack made by other code than this is of no use
        digest.update((Path(__file__).parent / module).read_bytes())
    digest.update(data)
    return digest.hexdigest()


def _from_cache(key: str) -> dict[str, Any] | None:
    try:
        with (user_cache() / f"{key}.layout").open("rb") as file:
            kept = pickle.load(file)
    except Exception:
        # Absent, cut short, or written by something else: it is compiled again, at no other loss.
        return None
    return kept if isinstance(kept, dict) and "lark" in kept else None


def _to_cache(key: str, pack: dict[str, Any]) -> None:
    """Written beside and moved into place, so that two processes never see half a file."""
    try:
        folder = user_cache()
        folder.mkdir(parents=True, exist_ok=True)
        partial = folder / f".{key}.{os.getpid()}.part"
        partial.write_bytes(pickle.dumps(pack))
        partial.replace(folder / f"{key}.layout")
    except OSError:
        pass  # a read-only home costs time at the next start, nothing else
