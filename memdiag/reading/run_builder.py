"""One dump while it is read: its state, its rows, its problems, and the `Run` they make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.layouts.matcher import Cell, Match
from memdiag.model import (
    CountRow,
    ErrorRow,
    HeatRow,
    Lost,
    LostKind,
    RailRow,
    Row,
    Run,
    Source,
    TrainingRow,
    ValueRow,
    schema,
    spelling,
)
from memdiag.model.error_log import ErrorLog, LogKey
from memdiag.model.problems import Position, Problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import converters, line_rows
from memdiag.reading.count_builder import Columns, CountBuilder
from memdiag.reading.error_log_builder import PER_ADDRESS, LogBuilder
from memdiag.reading.header import HeadLines
from memdiag.reading.line_rows import LineRow, PositionOf
from memdiag.reading.lost_list import MOST_LOST, LostList
from memdiag.reading.problem_list import ProblemList
from memdiag.reading.repairs import Repairs
from memdiag.reading.row_count import RowCount
from memdiag.reading.section import Section, count


class Pasted(Protocol):
    """The pasted lines, as far as they are kept."""

    def between(self, first: int, last: int) -> tuple[tuple[str, ...], Mapping[int, str]]:
        """The lines from `first` on, as far as all are there, and some of those after."""
        ...


CONTRARY = "contradiction"
"""The kind that tells of a row that contradicts itself."""

TABLE_OF: dict[type[Row], str] = {
    TrainingRow: "training",
    RailRow: "rails",
    HeatRow: "heat",
    ValueRow: "values",
}


class ColumnRows(Struct, frozen=True):
    """The rows of lines `first` to `last`, one a line, read in columns: parts of error logs with
    their keys, and of count tables with the numbers of their lines; and the lines of rows that
    contradict themselves, which are lost."""

    first: int
    last: int
    logs: Sequence[tuple[ErrorLog, slice, tuple[LogKey, ...]]]
    counts: Sequence[tuple[Columns, npt.NDArray[np.int64]]]
    contrary: npt.NDArray[np.int64]


class RunBuilder(Struct, eq=False):
    """A dump under way. `headed` says whether a head began it."""

    layout: str
    words: Vocabulary
    first_line: int
    headed: bool
    _row_count: RowCount
    problems: ProblemList = field(default_factory=ProblemList)
    context: dict[str, str] = field(default_factory=dict)
    section: Section | None = None
    tables_read: list[Section] = field(default_factory=list)  # those that are closed
    alone: int = 0  # rows that are kept by themselves
    _head: HeadLines = field(default_factory=HeadLines)
    _rows: dict[str, list[Any]] = field(default_factory=lambda: {k: [] for k in schema.OWN})
    _errors: LogBuilder = field(default_factory=LogBuilder)
    _counts: CountBuilder = field(default_factory=CountBuilder)
    _last_line: int = 0
    _beside: int = 0  # lines that are no rows of a table, and were lost all the same
    _lost: LostList = field(default_factory=LostList)
    _repairs: Repairs = field(default_factory=Repairs)
    _tables: set[str] = field(default_factory=set)
    _told_columns: set[str] = field(default_factory=set)

    def reached(self, line: int) -> None:
        """The dump goes on to this line at least."""
        self._last_line = line

    # -- head and headings --------------------------------------------------------------------

    def run_line(self, found: Sequence[Cell], position: PositionOf) -> None:
        """A line of the head."""
        self._repairs.add(self._head.add(found, position), position(1))

    def add_context(self, found: Sequence[Cell]) -> None:
        """A heading: what its cells say holds for the rows that follow."""
        self.context = line_rows.merged(self.context, found)

    # -- sections -----------------------------------------------------------------------------

    def open_section(self, name: str, where: Position) -> None:
        self._close_section()
        lower = name.lower()
        known = (*schema.OWN, "run")
        kind = lower if lower in known else spelling.one_off(lower, known)
        self.section = Section(name, kind, self.words, at=where)
        shown = converters.shorten(name)
        if kind is None:
            self._row_count.add_unknown_section()
            near = spelling.did_you_mean(lower, known)
            hint = near or "its lines are kept as text and used for nothing"
            self.problems.add("unknown-section", where, name=shown, hint=hint)
        elif kind != lower:
            self.problems.add("section-misspelt", where, name=shown, taken=kind)
        if self.section.table is not None:
            self._tables.add(self.section.table)

    def _close_section(self) -> None:
        section, self.section = self.section, None
        if section is None:
            return
        self.tables_read.append(section)
        if section.names_nothing:
            self._beside += 1
            says = f"the only line of section [{converters.shorten(section.name)}] names no columns"
            self._lost.add((Lost(section.at, LostKind.LINE, says),))
        self.problems.extend(tuple(section.lost()))
        if section.looks_like:
            self._beside += 1
            name, table = converters.shorten(section.name), section.looks_like
            lines = count(section.lines, "line")
            self.problems.add("section-unread", section.at, name=name, table=table, lines=lines)
            says = (
                f"section [{name}], read by nobody, though it looks like a {table} table: {lines}"
            )
            self._lost.add((Lost(section.at, LostKind.LINE, says),))

    def header_line(self, found: Sequence[Cell], position: PositionOf) -> None:
        """A line of column names, which may open the section they belong to."""
        for cell in found:
            if cell.column == "section":
                self.open_section(cell.text or "", position(cell.at))
        section = self.section
        if section is None or section.table is None:
            return
        known = schema.columns(section.table)
        for heading in section.set_header([c for c in found if c.column != "section"]):
            where = position(heading.at)
            if heading.repair is not None:
                self._repairs.add((heading.repair,), where)
            elif heading.name not in known and heading.name not in self._told_columns:
                self._told_columns.add(heading.name)
                near = spelling.did_you_mean(heading.name, known)
                hint = near or "its cells are kept and used for nothing"
                self.problems.add(
                    "unknown-column",
                    where,
                    name=converters.shorten(heading.name),
                    section=section.name,
                    hint=hint,
                )
        if section.blocked:
            self.problems.add("bad-columns", position(1), section=section.name, why=section.blocked)

    @property
    def tells_contrary(self) -> int:
        """How many more rows that contradict themselves are told of one by one, at the most."""
        return max(self.problems.room(CONTRARY), self._lost.room)

    @property
    def not_understood(self) -> int:
        """Its lines so far with something that is not understood."""
        return self._lost.rows

    @property
    def is_readable(self) -> bool:
        """Whether the rows of the open table can be read."""
        return self.section is not None and self.section.readable

    # -- rows ---------------------------------------------------------------------------------

    def rows(self, found: Match, position: PositionOf, end: int) -> list[LineRow]:
        """The rows that a line gives; none is kept yet."""
        at = line_rows.Setting(self.section, self.context, self.words, position, end)
        return list(line_rows.rows(found, at))

    def keep(self, made: Sequence[LineRow], where: Position) -> bool:
        """Keep the rows of one line, as far as they can be read; whether there is any."""
        self._row_count.add_rows(len(made))
        for each in made:
            self._repairs.add(each.repairs, where)
            for fault in each.faults:
                self.problems.add(fault.code, fault.where, **fault.fields)
            if each.faults:
                self._lost.add(fault.lost for fault in each.faults)
            if each.row is not None:
                self._keep(each.row)
        return any(each.row is not None for each in made)

    def _keep(self, row: Row) -> None:
        if isinstance(row, ErrorRow):
            self._errors.add(row)
        elif isinstance(row, CountRow):
            self._counts.add(row)
        else:
            self._rows[TABLE_OF[type(row)]].append(row)
            self.alone += 1

    def take_columns(self, rows: ColumnRows) -> None:
        """Keep rows that were read in columns."""
        if rows.logs:
            self._errors.add_parts(rows.logs)
        for made, lines in rows.counts:
            self._counts.add_columns(made, lines)
        if len(rows.contrary):
            self.problems.add_alike(CONTRARY, len(rows.contrary), int(rows.contrary[-1]))
            self._lost.add_rows(len(rows.contrary))
        self._row_count.add_rows(rows.last - rows.first + 1)
        self.reached(rows.last)

    def lose_row(self, where: Position) -> None:
        """A row of the open table, whose columns are not known."""
        assert self.section is not None
        self.section.lose(where.line)
        self._row_count.add_rows(1)
        name = converters.shorten(self.section.name)
        says = f"a row of section [{name}], whose columns are not known"
        self._lost.add((Lost(where, LostKind.ROW, says),))

    def keep_text(self, text: str) -> None:
        """A line of a section memdiag does not know."""
        assert self.section is not None
        self.section.keep_text(text)
        self._row_count.add_kept_line()

    def lose_line(self, where: Position, says: str) -> None:
        """A line that no rule takes; in a table it was one of its rows."""
        if self.section is not None and self.section.table is not None:
            self._row_count.add_rows(1)
        else:
            self._beside += 1
        self._lost.add((Lost(where, LostKind.LINE, says),))

    # -- the end ------------------------------------------------------------------------------

    def end(self, line: int, found: Sequence[Cell]) -> None:
        """The end line."""
        self._row_count.end(line, found)

    def finish(self, name: str, pasted: Pasted, more: Sequence[Problem] = ()) -> Run:
        """The run, with every problem found on the way and `more`; the hash of its text is still
        to come."""
        self.problems.extend(more)
        self._close_section()
        head, wrong = self._head.read()
        lacks = tuple(self._row_count.lacks(self._last_line))
        self.problems.extend((*wrong, *lacks, *self._repairs.problems()))
        kept = self._rows
        read = sum(map(len, kept.values())) + len(self._errors) + len(self._counts)
        last = max(self._last_line, self.first_line)
        source = Source(
            "",
            self.first_line,
            last,
            not lacks,
            read,
            self.layout,
            name,
            self.headed,
            printed=self._row_count.printed + self._beside,
            lost=self._lost.rows,
            tables=frozenset(self._tables | {name for name in kept if kept[name]}),
        )
        text, later = pasted.between(self.first_line, last)
        log, counts = self._errors.finish(), self._counts.finish()
        self._tell_what_is_not_held(log, counts)
        if self._errors.repeats:
            first = Position(self._errors.first_repeat)
            n = f"{self._errors.repeats:,}"
            self.problems.add("rows-repeated", first, n=n, table="errors")
        return Run(
            head,
            source,
            tuple(kept["training"]),
            counts,
            log,
            tuple(kept["rails"]),
            tuple(kept["heat"]),
            tuple(kept["values"]),
            problems=self.problems.closed(),
            lost=self._lost.closed(),
            text=text,
            later=later,
        )

    def _tell_what_is_not_held(self, log: ErrorLog | None, counts: Sequence[CountRow]) -> None:
        if log is not None and not log.width.all():
            blank = log.width == 0
            first, n = int(log.line[blank].min()), int(log.weight_of(blank).sum())
            self.problems.add("words-left-out", Position(first), rows=count(n, "error row"))
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


def with_lost(run: Run, more: LostList) -> Run:
    """The run with what was lost outside of it."""
    source = run.source
    n = more.rows
    source = replace(source, printed=source.printed + n, lost=source.lost + n)
    kept = (*run.lost, *more.closed())[:MOST_LOST]
    return replace(run, source=source, lost=tuple(sorted(kept, key=lambda lost: lost.position)))
