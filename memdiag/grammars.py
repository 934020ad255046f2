"""Layout grammars: finding, compiling and keeping the `.lark` files, and matching lines with them.

The law is in `memdiag.law` (names) and `memdiag.grammar_rules` (what a file may not do). In short:

- one Lark file teaches one layout; lines starting `// name:`, `// about:` and `// recognise:` at
  its head give its name, one line about it, and a regular expression which, found in any line of
  a text, says that the text has this layout;
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
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from memdiag import __version__, law
from memdiag.problems import Position, Problem, problem
from memdiag.resources import search_path, user_cache

if TYPE_CHECKING:
    import lark

VARIABLE = "MEMDIAG_GRAMMARS"
BENCH = "bench"
_PACK = 1
_COMPILERS = ("law.py", "grammar_rules.py")


class LayoutError(ValueError):
    """A grammar that cannot be used. `problems` says what is wrong with it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(p.sentence() for p in problems))


@dataclass(frozen=True, slots=True)
class Start:
    """One start symbol of the grammar: the line rules it can yield, a regular expression that its
    first token has to match (a cheap look before the parser is asked), and the terminals that
    token can be."""

    rule: str
    kinds: tuple[str, ...]
    first: str
    opening: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """A filled cell: the text under a column, and where it stood (1-based). `text` is None for a
    place that was left empty."""

    column: str
    text: str | None
    at: int


@dataclass(frozen=True, slots=True)
class Match:
    """A line that one of the line rules matched."""

    kind: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Miss:
    """A line that no rule matched: how far the best one came, and what it wanted there."""

    at: int
    expected: tuple[str, ...]


@dataclass(frozen=True)
class Layout:
    """A compiled layout."""

    name: str
    about: str
    recognise: str | None
    origin: str
    source: str
    starts: tuple[Start, ...]
    lark: lark.Lark = field(repr=False, compare=False)
    feeds_newline: bool = False
    _plans: dict[frozenset[str], list[tuple[Start, Callable[[str], object]]]] = field(
        default_factory=dict, repr=False, compare=False
    )

    @cached_property
    def kinds(self) -> frozenset[str]:
        """The line rules that this layout has."""
        return frozenset(kind for start in self.starts for kind in start.kinds)

    def _plan(self, wanted: frozenset[str]) -> list[tuple[Start, Callable[[str], object]]]:
        """The start symbols that can yield one of the wanted rules, in file order."""
        plan = self._plans.get(wanted)
        if plan is None:
            plan = [(s, re.compile(s.first).match) for s in self.starts if wanted & set(s.kinds)]
            self._plans[wanted] = plan
        return plan

    def match(self, text: str, wanted: frozenset[str]) -> Match | Miss:
        """Read one line with the rules that are `wanted`, in file order."""
        from lark.exceptions import UnexpectedInput

        if self.feeds_newline:
            text += "\n"
        best = Miss(1, ())
        for start, peek in self._plan(wanted):
            if peek(text) is None:
                if best.at == 1:
                    best = Miss(1, best.expected + start.opening)
                continue
            try:
                tree = self.lark.parse(text, start=start.rule)
            except UnexpectedInput as stop:
                at, expected = self._where(text, stop)
                if at > best.at:
                    best = Miss(at, expected)
                elif at == best.at:
                    best = Miss(at, best.expected + expected)
                continue
            found = _harvest(tree)
            if found is not None and found.kind in wanted:
                return found
        return Miss(best.at, tuple(dict.fromkeys(map(self.describe, best.expected))))

    def _where(self, text: str, stop: Exception) -> tuple[int, tuple[str, ...]]:
        """The column where the parser stopped, and the terminals it wanted there."""
        names = getattr(stop, "accepts", None) or getattr(stop, "allowed", None)
        names = names or getattr(stop, "expected", None) or ()
        column = getattr(stop, "column", None)
        token = getattr(stop, "token", None)
        if (
            (token is not None and token.type == "$END")
            or not isinstance(column, int)
            or column < 1
        ):
            column = len(text.rstrip()) + 1
        return column, tuple(sorted(map(str, names)))

    def describe(self, terminal: str) -> str:
        """A terminal in a technician's words: its literal text, or the column it fills."""
        if terminal == "$END":
            return "the end of the line"
        terms: dict[str, Any] = {t.name: t for t in self.lark.terminals}
        if terminal in terms and terms[terminal].pattern.type == "str":
            return repr(str(terms[terminal].pattern.value))
        column, value = law.filled(terminal.lstrip("_"))
        return f"{column} {value}" if value else column.replace("_", " ")


def _harvest(tree: Any) -> Match | None:
    """The outermost node named by the law, and its tokens in order."""
    from lark import Token, Tree

    kind = str(tree.data)
    if kind not in law.RULES and kind not in law.STRUCTURE:
        for child in tree.children:
            if isinstance(child, Tree):
                found = _harvest(child)
                if found is not None:
                    return found
        return None
    cells: list[Cell] = []

    def gather(node: Any) -> None:
        for child in node.children:
            if isinstance(child, Token):
                column, value = law.filled(child.type)
                text = str(child) if value is None else value
                cells.append(Cell(column, text, child.column or 1))
            elif child is None:
                cells.append(Cell("", None, 0))
            else:
                gather(child)

    gather(tree)
    return Match(kind, tuple(cells))


# -- files ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Entry:
    """A grammar file, as its head comments describe it; nothing is compiled yet."""

    name: str
    about: str
    recognise: str | None
    path: Path


_HEAD = re.compile(r"//[ \t]*(name|about|recognise)[ \t]*:[ \t]*(.*?)[ \t]*$")


def head_comments(source: str) -> dict[str, str]:
    """`name`, `about` and `recognise` from the comment lines that open the file."""
    found: dict[str, str] = {}
    for line in source.splitlines():
        if not line.strip():
            continue
        if not line.startswith("//"):
            break
        at = _HEAD.match(line)
        if at:
            found.setdefault(at.group(1), at.group(2))
    return found


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
        raise LayoutError((problem("no-such-layout", name=name, hint=law.nearest(name, known)),))
    return load(known[name])


def load(path: Path) -> Layout:
    """The compiled layout of a file, from memory or the cache where it is unchanged.

    Raises LayoutError for a grammar outside the law, OSError for an unreadable file.
    """
    stat = path.stat()
    return _load(str(path.resolve()), stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=64)
def _load(path: str, mtime: int, size: int) -> Layout:
    data = Path(path).read_bytes()
    key = _key(data)
    kept = _from_cache(key)
    if kept is None:
        from memdiag import grammar_rules

        try:
            source = data.decode("utf-8-sig")
        except UnicodeDecodeError as wrong:
            line = data.count(b"\n", 0, wrong.start) + 1
            raise LayoutError(
                (problem("layout-syntax", Position(line), file=path, reason="it is no UTF-8 text",
                         quote=""),)
            ) from None  # fmt: skip
        kept = grammar_rules.compile_pack(source, path)
        _to_cache(key, kept)
    return unpack(kept, path)


def unpack(pack: dict[str, Any], origin: str) -> Layout:
    """A layout from what `grammar_rules.compile_pack` made."""
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
    )


def _key(data: bytes) -> str:
    from lark import __version__ as lark_version

    versions = (_PACK, __version__, lark_version, sys.version_info[:3])
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
    return kept if isinstance(kept, dict) and kept.get("pack") == _PACK else None


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
