"""One dump while it is read: its state, its rows, its problems, and the `Run` they make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from memdiag.layouts.matcher import Cell, Match
from memdiag.model import schema
from memdiag.model.error_log import ErrorKey, ErrorLog
from memdiag.model.problems import Position, Problem
from memdiag.model.records import (
    CountRow,
    ErrorRow,
    HeatRow,
    RailRow,
    Row,
    Run,
    RunLine,
    Source,
    TrainingRow,
    ValueRow,
)
from memdiag.reading import converters, header, line_rows
from memdiag.reading.count_builder import Columns, CountBuilder
from memdiag.reading.error_log_builder import PER_ADDRESS, LogBuilder
from memdiag.reading.line_rows import PositionOf
from memdiag.reading.problem_list import ProblemList
from memdiag.reading.section import Section


class Pasted(Protocol):
    """The pasted lines, as far as they are kept."""

    def between(self, first: int, last: int) -> tuple[tuple[str, ...], Mapping[int, str]]:
        """The lines from `first` on, as far as all are there, and some of those after."""
        ...


TABLE_OF: dict[type[Row], str] = {
    TrainingRow: "training",
    RailRow: "rails",
    HeatRow: "heat",
    ValueRow: "values",
}


@dataclass(frozen=True, slots=True)
class ColumnRows:
    """The rows of lines `first` to `last`, one a line, read in columns: parts of error logs with
    their keys, and of count tables with the numbers of their lines."""

    first: int
    last: int
    logs: Sequence[tuple[ErrorLog, slice, tuple[ErrorKey, ...]]]
    counts: Sequence[tuple[Columns, npt.NDArray[np.int64]]]


@dataclass(slots=True, eq=False)
class RunBuilder:
    """A dump under way. `ends` says whether its layout prints an end line, `headed` whether a head
    began it."""

    layout: str
    first_line: int
    ends: bool
    headed: bool = False
    problems: ProblemList = field(default_factory=ProblemList)
    context: dict[str, str] = field(default_factory=dict)
    section: Section | None = None
    _head: list[tuple[RunLine, int]] = field(default_factory=list)
    _rows: dict[str, list[Any]] = field(default_factory=lambda: {k: [] for k in schema.OWN})
    _errors: LogBuilder = field(default_factory=LogBuilder)
    _counts: CountBuilder = field(default_factory=CountBuilder)
    _last_line: int = 0
    _printed: int = 0  # rows of known tables, read or not
    _kept: int = 0  # lines of unknown sections
    _unknown: int = 0  # unknown sections
    _end_line: int | None = None
    _promised: int | None = None  # the N of the end line
    _told_columns: set[str] = field(default_factory=set)

    def reached(self, line: int) -> None:
        """The dump goes on to this line at least."""
        self._last_line = line

    # -- head and headings --------------------------------------------------------------------

    def run_line(self, found: Sequence[Cell], position: PositionOf) -> None:
        """A line of the head: KEY and TEXT, or terminals named after the keys themselves."""
        key = next((c for c in found if c.column == "key"), None)
        if key is not None and key.text is not None:
            texts = [c for c in found if c.column == "text" and c.text is not None]
            value = " ".join(c.text or "" for c in texts)
            at = position((texts[0] if texts else key).at).column
            self._head.append((RunLine(position(key.at), key.text.lower(), value), at))
        for cell in found:
            if cell.column in schema.RUN_KEYS and cell.text is not None:
                where = position(cell.at)
                self._head.append((RunLine(where, cell.column, cell.text), where.column))

    def add_context(self, found: Sequence[Cell]) -> None:
        """A heading: what its cells say holds for the rows that follow."""
        self.context = line_rows.merged(self.context, found)

    # -- sections -----------------------------------------------------------------------------

    def open_section(self, name: str, where: Position) -> None:
        self._close_section()
        lower = name.lower()
        known = (*schema.OWN, "run")
        kind = lower if lower in known else None
        self.section = Section(name, kind)
        if kind is None:
            self._unknown += 1
            hint = schema.nearest(lower, known)
            if not hint.startswith("did"):
                hint = "its lines are kept as text and used for nothing"
            self.problems.add("unknown-section", where, name=converters.shorten(name), hint=hint)

    def _close_section(self) -> None:
        if self.section is not None:
            self.problems.extend(tuple(self.section.lost()))
        self.section = None

    def header_line(self, found: Sequence[Cell], position: PositionOf) -> None:
        """A line of column names, which may open the section they belong to."""
        for cell in found:
            if cell.column == "section":
                self.open_section(cell.text or "", position(cell.at))
        section = self.section
        if section is None or section.table is None:
            return
        known = schema.columns(section.table)
        cells = [cell for cell in found if cell.column != "section"]
        names = tuple((cell.text or "").lower() for cell in cells)
        section.set_columns(names)
        for cell, name in zip(cells, names, strict=True):
            if name not in known and name not in self._told_columns:
                self._told_columns.add(name)
                hint = schema.nearest(name, known)
                if not hint.startswith("did"):
                    hint = "its cells are kept and used for nothing"
                self.problems.add(
                    "unknown-column",
                    position(cell.at),
                    name=converters.shorten(name),
                    section=section.name,
                    hint=hint,
                )
        if section.blocked:
            self.problems.add("bad-columns", position(1), section=section.name, why=section.blocked)

    # -- rows ---------------------------------------------------------------------------------

    def rows(self, found: Match, position: PositionOf, end: int) -> list[Row]:
        """The rows that a line gives; none is kept yet. Raises `line_rows.Refused`."""
        return list(line_rows.rows(found, self.section, self.context, position, end))

    def keep(self, made: Sequence[Row]) -> None:
        """Keep the rows of one line: all of them, or none (`refuse`)."""
        self._printed += len(made)
        for row in made:
            if isinstance(row, ErrorRow):
                self._errors.add(row)
            elif isinstance(row, CountRow):
                self._counts.add(row)
            else:
                self._rows[TABLE_OF[type(row)]].append(row)

    def take_columns(self, rows: ColumnRows) -> None:
        """Keep rows that were read in columns."""
        for log, which, keys in rows.logs:
            self._errors.add_part(log, which, keys)
        for made, lines in rows.counts:
            self._counts.add_columns(made, lines)
        self._printed += rows.last - rows.first + 1
        self.reached(rows.last)

    def refuse(self, refused: line_rows.Refused) -> None:
        """A row that cannot be kept."""
        self._printed += 1
        self.problems.add(refused.code, refused.where, **refused.fields)

    def lose(self, line: int) -> None:
        """A row of the open table, whose columns are not known."""
        assert self.section is not None
        self.section.lose(line)
        self._printed += 1

    def keep_text(self) -> None:
        """A line of a section memdiag does not know."""
        self._kept += 1

    def pass_over(self) -> None:
        """A line that no rule takes; in a table it was one of its rows."""
        if self.section is not None and self.section.table is not None:
            self._printed += 1

    # -- the end ------------------------------------------------------------------------------

    def end(self, line: int, found: Sequence[Cell]) -> None:
        """The end line, and how many rows it promises."""
        self._end_line = line
        for cell in found:
            if cell.column == "rows" and cell.text is not None:
                self._promised = int(cell.text) if len(cell.text) < 19 else converters.MOST

    def finish(self, name: str, pasted: Pasted, more: Sequence[Problem] = ()) -> Run:
        """The run, with every problem found on the way and `more`; the hash of its text is still
        to come."""
        self.problems.extend(more)
        self._close_section()
        head, wrong = header.read(self._head)
        self.problems.extend(wrong)
        complete = self._is_complete()
        kept = self._rows
        read = sum(map(len, kept.values())) + len(self._errors) + len(self._counts)
        last = max(self._last_line, self.first_line)
        source = Source("", self.first_line, last, complete, read, self.layout, name, self.headed)
        text, later = pasted.between(self.first_line, last)
        log, counts = self._errors.finish(), self._counts.finish()
        self._tell_what_is_not_held(log, counts)
        return Run(
            head,
            source,
            tuple(kept["training"]),
            counts,
            log,
            tuple(kept["rails"]),
            tuple(kept["heat"]),
            tuple(kept["values"]),
            self.problems.closed(),
            text,
            later,
        )

    def _is_complete(self) -> bool:
        """Whether the dump ends, with as many rows as it promises; a problem says where not."""
        if self.ends and self._end_line is None:
            self.problems.add("end-missing", Position(max(self._last_line, 1)))
            return False
        # Rows of sections memdiag does not know may be counted, with or without their headers.
        every = self._printed + self._kept
        if self._promised in (None, self._printed, every, every - self._unknown):
            return True
        self.problems.add(
            "end-count", Position(self._end_line or 1), promised=self._promised, found=self._printed
        )
        return False

    def _tell_what_is_not_held(self, log: ErrorLog | None, counts: Sequence[CountRow]) -> None:
        if log is not None and self._errors.collapsed:
            code = "errors-thinned" if self._errors.thinned else "errors-collapsed"
            self.problems.add(
                code,
                total=f"{log.total:,}",
                rows=f"{len(log):,}",
                share=f"{100 * log.share:.3g} %",
                words=PER_ADDRESS,
            )
        if self._counts.added_up:
            self.problems.add(
                "counts-added-up", total=f"{len(self._counts):,}", rows=f"{len(counts):,}"
            )
