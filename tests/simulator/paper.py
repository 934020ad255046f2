"""A dump as somebody with a pencil reads it: lines, tables, cells, and what they speak of.

It shares no code with the reader that is put to the test: only format 1 as rigs print it, one blank
or more between cells. Lines are counted from 0 here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import pairwise

from msgspec import Struct

from memdiag.model import Board

Place = tuple[str, str, str, str]
"""Site, channel, rank and lane of a link, as text in lower case."""

SCOPE = ("site", "ch", "rank", "lane")
DATA = ("read", "write")
RESULTS = ("pass", "marginal", "fail", "no-response", "not-found", "not-run")
SPOKEN = ("pass", "marginal", "fail", "no-response", "not-found")
UNSAID = ("-", "n/a", "na", "none", "--")

_NUMBER = r"\d+(\.\d+)?(e[+-]?\d+)?"
_CELLS = {
    "lane": r"\d+",
    "rank": r"\d+",
    "dq": r"\d",
    "attempt": r"\d+",
    "step": r"(?!(pass|marginal|fail|no-response|not-found|not-run)$)[a-z][a-z-]*",
    "result": "|".join((*RESULTS, "p")),  # `p` is short for pass, and for nothing else
    "width": rf"{_NUMBER}(ui|ps|tap|taps)?",
    "height": rf"{_NUMBER}(mv)?",
    "window": r"[01]+",
    "taps": _NUMBER,
    "delay": rf"{_NUMBER}(ui|ps|tap|taps)?",
    "vref": _NUMBER,
    "tries": r"\d+",
    **dict.fromkeys(("bits", "errors", "rose", "fell", "edc", "cells"), _NUMBER),
}
"""What a cell of a column may look like (contract, section 2); others hold any word."""


class Table(Struct, frozen=True):
    """Where a table stands: its `[name]`, its header, its rows."""

    section: str
    opened: int
    header: int
    columns: tuple[str, ...]
    rows: tuple[int, ...]


class Paper(Struct, frozen=True, dict=True):
    """The lines of one dump."""

    lines: tuple[str, ...]

    @cached_property
    def end(self) -> int | None:
        """The line of `[end]`."""
        found = (k for k, line in enumerate(self.lines) if line.startswith("[end]"))
        return next(found, None)

    @property
    def told(self) -> int | None:
        """How many rows `[end]` says there are."""
        said = [] if self.end is None else self.lines[self.end].split()[1:]
        return int(said[0]) if said else None

    @cached_property
    def tables(self) -> tuple[Table, ...]:
        heads = [k for k, line in enumerate(self.lines) if line.startswith("[")]
        bounds = [*heads, len(self.lines)]
        found = []
        for first, last in pairwise(bounds):
            section = self.lines[first].split("]")[0].strip("[ ")
            inside = [k for k in range(first + 1, last) if cells(self.lines[k])]
            if section not in ("run", "end") and inside:
                columns = tuple(cells(self.lines[inside[0]]))
                found.append(Table(section, first, inside[0], columns, tuple(inside[1:])))
        return tuple(found)

    def table(self, section: str) -> Table | None:
        return next((t for t in self.tables if t.section == section), None)

    def rows(self, section: str) -> Iterator[tuple[int, dict[str, str]]]:
        """Line and cells by column of every row of a table, what is not said left out."""
        table = self.table(section)
        for k in () if table is None else table.rows:
            pairs = zip(table.columns, cells(self.lines[k]), strict=False)
            yield k, {c: v.lower() for c, v in pairs if v.lower() not in UNSAID}

    @cached_property
    def last_attempt(self) -> int:
        """The number of the last attempt in training."""
        return max((attempt(row) for _, row in self.rows("training")), default=1)

    def heard(self, board: Board) -> set[Place]:
        """Links that a data step or a count speaks of."""
        found: set[Place] = set()
        for _, row in self.rows("training"):
            if row.get("step") in DATA and row.get("result") in SPOKEN:
                found |= covered(row, board)
        for _, row in self.rows("counts"):
            if "errors" in row:
                found |= covered(row, board)
        return found

    def scans(self, board: Board) -> dict[tuple[int, str], set[Place]]:
        """The links that each step of each attempt has been done for."""
        found: dict[tuple[int, str], set[Place]] = {}
        for _, row in self.rows("training"):
            if "result" in row and "step" in row:
                found.setdefault((attempt(row), row["step"]), set()).update(covered(row, board))
        return found


def cells(line: str) -> list[str]:
    return line.split("#", maxsplit=1)[0].split()


def attempt(row: dict[str, str]) -> int:
    said = row.get("attempt", "1")
    return int(said) if said.isdigit() else 1


def links(board: Board) -> set[Place]:
    return {
        (site.ref.lower(), str(k.channel).lower(), str(k.rank), str(k.lane))
        for site in board.sites
        for k in site.links
    }


def covered(row: dict[str, str], board: Board) -> set[Place]:
    """The links a row speaks of: those that no cell of its scope leaves out."""
    return {
        link
        for link in links(board)
        if all(row.get(c, own) == own for c, own in zip(SCOPE, link, strict=True))
    }


def sound(words: Sequence[str], columns: Sequence[str]) -> bool:
    """Whether these words can be a row of such a table; its last cell may be missing."""
    if not len(columns) - 1 <= len(words) <= len(columns):
        return False
    return all(
        w.lower() in UNSAID or re.fullmatch(_CELLS.get(c, r"\S+"), w.lower())
        for c, w in zip(columns, words, strict=False)
    )


def put(line: str, column: int, word: str) -> str:
    """The line with another word in that cell; an empty word takes the cell away."""
    at = list(re.finditer(r"\S+", line))[column]
    rest = line[at.end() :] if word else line[at.end() :].lstrip()
    return (line[: at.start()] + word + rest).rstrip()
