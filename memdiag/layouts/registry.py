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

import os
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from msgspec import Struct

from memdiag.layouts import pack
from memdiag.layouts.grammar_text import LayoutError, head_comments
from memdiag.layouts.line_parser import Cell
from memdiag.layouts.matcher import Layout, Match, Miss
from memdiag.model import spelling
from memdiag.model.problems import Position, problem
from memdiag.resources import read_regular, search_path, user_cache

__all__ = ["Cell", "Entry", "Layout", "LayoutError", "Match", "Miss", "entries", "find", "load"]

VARIABLE = "MEMDIAG_GRAMMARS"
BENCH = "bench"
LARGEST = 1 << 20
"""Bytes of a grammar file at most: what is larger is none."""


class Entry(Struct, frozen=True):
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
        source = read_regular(path, LARGEST).decode("utf-8-sig", "replace")
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

    Raises LayoutError for a grammar outside the law, OSError for an unreadable file and for what
    is none.
    """
    stat = path.stat()
    return _load(str(path.resolve()), str(path), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=64)
def _load(resolved: str, path: str, mtime: int, size: int) -> Layout:
    data = read_regular(Path(resolved), LARGEST)
    key = pack.key(data)
    kept = pack.kept(user_cache(), key)
    if kept is None:
        from memdiag.layouts import grammar_compile

        kept = grammar_compile.compile_pack(_text(data, path), path)
        pack.keep(user_cache(), key, kept)
    return unpack(kept, path)


def _text(data: bytes, path: str) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        at = Position(data.count(b"\n", 0, wrong.start) + 1)
        reason = "it is no UTF-8 text"
        said = problem("layout-syntax", at, file=path, reason=reason, quote="")
        raise LayoutError((said,)) from None


def unpack(made: pack.Pack, origin: str) -> Layout:
    """A layout from what `grammar_compile.compile_pack` made."""
    return Layout(
        name=made.name or Path(origin).stem,
        about=made.about,
        recognise=made.recognise,
        origin=origin,
        source=made.source,
        starts=made.starts,
        tables=made.tables,
        carried=made.carried,
        feeds_newline=made.feeds_newline,
        columns_open=made.columns_open,
        skips=made.skips,
    )
