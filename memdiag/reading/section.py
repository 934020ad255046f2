"""The open section of a dump: its columns, and the rows that cannot be read under them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct, field

from memdiag.layouts.matcher import Cell
from memdiag.model import schema
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import headings
from memdiag.reading.headings import Heading

_TELLING = (
    ("training", {"step", "result"}),
    ("counts", {"bits", "errors"}),
    ("errors", {"address", "mask"}),
    ("errors", {"address", "wrote"}),
    ("rails", {"rail", "ohms"}),
)
"""Columns that, named together, show what a table without a known name holds."""


class Section(Struct, eq=False):
    """The open section. `kind` is None for one memdiag does not know."""

    name: str
    kind: str | None
    words: Vocabulary
    columns: tuple[str, ...] | None = None
    blocked: str = ""  # why its rows cannot be read
    at: Position = field(default=Position(1))
    lines: int = 0  # of one that memdiag does not know
    looks_like: str = ""  # the table that it looks like all the same
    _header: tuple[str, ...] = ()  # the words of its header line, in lower case
    _lost: int = 0  # rows not read because of that
    _first_lost: int = 0
    _why_lost: str = ""  # why the first of the lost rows could not be read

    @property
    def table(self) -> str | None:
        """The table it holds; None for the head and for what memdiag does not know."""
        return None if self.kind == "run" else self.kind

    @property
    def names_nothing(self) -> bool:
        """Whether it holds one line only, taken for column names under which no row can be read:
        a row may have a word that is the name of a column too."""
        return self.columns is not None and bool(self.blocked) and not self._lost

    @property
    def readable(self) -> bool:
        """Whether its rows can be read."""
        return self.columns is not None and not self.blocked

    def is_header(self, found: Sequence[Cell]) -> bool:
        """Whether a line of it can be a line of column names."""
        if self.table is None:
            return False
        known = schema.columns(self.table)
        if self.columns is not None and not self._may_begin(found, known):
            return False
        plain = tuple((cell.text or "").lower() for cell in headings.words(found))
        if self.columns is not None:
            every = len(plain) > 1 and all(name in known for name in plain)
            return every or plain in (self.columns, self._header)
        if any(name in known for name in plain):
            return True
        named = [h.name in known for h in headings.read(found, self.table, self.words)]
        return sum(named) > 1

    def _may_begin(self, found: Sequence[Cell], known: Sequence[str]) -> bool:
        """Whether a line begins as a further header of the open table would: looked at first, for
        nearly every line is a row."""
        first = headings.words(found[:1])
        word = (first[0].text or "").lower() if first else None
        starts = (self.columns or ())[:1] + self._header[:1]
        return word is None or word in known or word in starts

    def set_header(self, found: Sequence[Cell]) -> list[Heading]:
        """The columns that its header line names; none where it only names them again. `blocked`
        says what is wrong with them."""
        assert self.table is not None
        plain = tuple((cell.text or "").lower() for cell in headings.words(found))
        if self.columns is not None and plain == self._header:
            return []  # a rig prints it again on every page
        read = headings.read(found, self.table, self.words)
        names = tuple(heading.name for heading in read)
        self._header = plain
        self.columns, self.blocked = names, ""
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            self.blocked = f"two columns are named {twice}"
        lacking = [n for n in schema.NEEDED[self.table] if n not in names]
        if self.table == "errors":
            lacking += _lacking_words(set(names))
        if lacking:
            self.blocked = f"its header line lacks {' and '.join(lacking)}"
        return read

    def keep_text(self, text: str) -> None:
        """A line of a section that memdiag does not know."""
        self.lines += 1
        if self.looks_like:
            return
        words = text.replace("|", " ").replace(",", " ").split()
        if self.lines == 1:
            named = {self.words.meant("column", word) for word in words}
            self.looks_like = next((t for t, pair in _TELLING if pair <= named), "")
        if not self.looks_like and any(map(self.words.says_failure, words)):
            self.looks_like = "training"

    def lose(self, line: int) -> None:
        """A row whose columns are not known."""
        self._lost += 1
        self._first_lost = self._first_lost or line
        self.blocked = self.blocked or "no line of column names came before them"
        self._why_lost = self._why_lost or self.blocked  # a later header line may mend the rest

    def lost(self) -> Iterator[Problem]:
        """The one problem that tells of the rows that were lost; none where there are none."""
        if self._lost:
            rows = count(self._lost, "row")
            where = Position(self._first_lost)
            yield problem(
                "rows-unreadable", where, rows=rows, section=self.name, why=self._why_lost
            )


def _lacking_words(names: set[str]) -> list[str]:
    """The columns without which no error row can be read: where the word lies, and both halves of
    it where one is there. A table may leave out the words themselves."""
    lacking = []
    if "address" not in names and not {"bank", "row", "col"} <= names:
        lacking.append("address")
    if "mask" not in names and len({"wrote", "read"} & names) == 1:
        lacking.append("wrote and read, or mask")
    return lacking


def count(n: int, word: str) -> str:
    """`1 row`, `1,200 rows`."""
    return f"{n:,} {word}" if n == 1 else f"{n:,} {word}s"
