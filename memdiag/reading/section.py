"""The open section of a dump: its columns, and the rows that cannot be read under them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from memdiag.layouts.matcher import Cell
from memdiag.model import schema
from memdiag.model.problems import Position, Problem, problem
from memdiag.reading import converters


@dataclass(slots=True, eq=False)
class Section:
    """The open section. `kind` is None for one memdiag does not know."""

    name: str
    kind: str | None
    columns: tuple[str, ...] | None = None
    blocked: str = ""  # why its rows cannot be read
    _lost: int = 0  # rows not read because of that
    _first_lost: int = 0
    _why_lost: str = ""  # why the first of the lost rows could not be read

    @property
    def table(self) -> str | None:
        """The table it holds; None for the head and for what memdiag does not know."""
        return None if self.kind == "run" else self.kind

    @property
    def readable(self) -> bool:
        """Whether its rows can be read."""
        return self.columns is not None and not self.blocked

    def is_header(self, names: Sequence[str]) -> bool:
        """Whether a line of it can be a line of column names."""
        if self.table is None:
            return False
        known = schema.columns(self.table)
        if self.columns is None:
            return any(name in known for name in names)
        return tuple(names) == self.columns or (len(names) > 1 and all(n in known for n in names))

    def set_columns(self, names: tuple[str, ...]) -> None:
        """The names in its header line. `blocked` says what is wrong with them."""
        assert self.table is not None
        self.columns, self.blocked = names, ""
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            self.blocked = f"two columns are named {twice}"
        lacking = [n for n in schema.NEEDED[self.table] if n not in names]
        if self.table == "errors" and "mask" not in names and not {"wrote", "read"} <= set(names):
            lacking.append("wrote and read, or mask")
        if lacking:
            self.blocked = f"its header line lacks {' and '.join(lacking)}"

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

    def named(self, found: Sequence[Cell], end: int) -> tuple[Cell, ...]:
        """Cells under its columns. Raises `converters.Wrong`, its column the number of a column of
        text (`end` is the one after the line's last), where they are too few or too many."""
        assert self.columns is not None
        if len(found) != len(self.columns):
            over = len(found) > len(self.columns)
            column = found[len(self.columns)].at if over else end
            raise converters.Wrong(
                "cell-count",
                str(max(column, 1)),
                found=len(found),
                wanted=len(self.columns),
                columns=" ".join(self.columns),
            )
        return tuple(
            Cell(name, cell.text, cell.at) for name, cell in zip(self.columns, found, strict=True)
        )


def count(n: int, word: str) -> str:
    """`1 row`, `1,200 rows`."""
    return f"{n:,} {word}" if n == 1 else f"{n:,} {word}s"
