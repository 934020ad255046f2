"""One dump while it is read: its state, its rows, its problems, and the `Run` they make."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Cell
from memdiag.model import schema
from memdiag.model.problems import Position
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
from memdiag.reading import converters, header, row_builder
from memdiag.reading.count_builder import CountBuilder
from memdiag.reading.error_log_builder import PER_ADDRESS, LogBuilder
from memdiag.reading.problem_list import ProblemList

Place = Callable[[int], Position]
"""The position in the pasted text of a 1-based column of the line at hand."""


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


class Refused(ValueError):
    """A row that cannot be kept: the problem's code, place and fields."""

    def __init__(self, code: str, where: Position, fields: dict[str, object]) -> None:
        self.code, self.where, self.fields = code, where, fields
        super().__init__(code)


@dataclass(slots=True)
class Section:
    """The open section. `kind` is None for one memdiag does not know."""

    name: str
    kind: str | None
    line: int
    columns: tuple[str, ...] | None = None
    blocked: str = ""  # why its rows cannot be read
    lost: int = 0  # rows not read because of that
    first_lost: int = 0
    lost_why: str = ""  # why the first of the lost rows could not be read


@dataclass(slots=True)
class Dump:
    """A dump under way. `ends` says whether its layout prints an end line."""

    layout: str
    first_line: int
    ends: bool
    problems: ProblemList = field(default_factory=ProblemList)
    head: list[tuple[RunLine, int]] = field(default_factory=list)
    rows: dict[str, list[Any]] = field(default_factory=lambda: {k: [] for k in schema.OWN})
    errors: LogBuilder = field(default_factory=LogBuilder)
    counts: CountBuilder = field(default_factory=CountBuilder)
    context: dict[str, str] = field(default_factory=dict)
    section: Section | None = None
    last_line: int = 0
    printed: int = 0  # rows of known tables, read or not
    kept: int = 0  # lines of unknown sections
    unknown: int = 0  # unknown sections
    headed: bool = False
    end_line: int | None = None
    promised: int | None = None  # the N of the end line
    told: set[tuple[str, str]] = field(default_factory=set)

    # -- the head -----------------------------------------------------------------------------

    def run_line(self, found: Sequence[Cell], place: Place) -> None:
        """A line of the head: KEY and TEXT, or terminals named after the keys themselves."""
        key = next((c for c in found if c.column == "key"), None)
        if key is not None and key.text is not None:
            texts = [c for c in found if c.column == "text" and c.text is not None]
            value = " ".join(c.text or "" for c in texts)
            at = place((texts[0] if texts else key).at).column
            self.head.append((RunLine(place(key.at), key.text.lower(), value), at))
        for cell in found:
            if cell.column in schema.RUN_KEYS and cell.text is not None:
                where = place(cell.at)
                self.head.append((RunLine(where, cell.column, cell.text), where.column))

    # -- sections -----------------------------------------------------------------------------

    def open_section(self, name: str, where: Position) -> None:
        self.close_section()
        lower = name.lower()
        known = (*schema.OWN, "run")
        kind = lower if lower in known else None
        self.section = Section(name, kind, where.line)
        if kind is None:
            self.unknown += 1
            hint = schema.nearest(lower, known)
            if not hint.startswith("did"):
                hint = "its lines are kept as text and used for nothing"
            self.problems.add("unknown-section", where, name=converters.shorten(name), hint=hint)

    def close_section(self) -> None:
        at = self.section
        if at is not None and at.lost:
            rows = count(at.lost, "row")
            self.problems.add(
                "rows-unreadable",
                Position(at.first_lost),
                rows=rows,
                section=at.name,
                why=at.lost_why,
            )
        self.section = None

    def is_header(self, names: Sequence[str]) -> bool:
        """Whether a line of the open table can be a line of column names."""
        at = self.section
        if at is None or at.kind is None or at.kind == "run":
            return False
        known = schema.columns(at.kind)
        if at.columns is None:
            return any(name in known for name in names)
        return tuple(names) == at.columns or (len(names) > 1 and all(n in known for n in names))

    def set_columns(self, found: Sequence[Cell], place: Place) -> None:
        """The header line of the open table."""
        at = self.section
        assert at is not None and at.kind is not None
        names = tuple((c.text or "").lower() for c in found)
        known = schema.columns(at.kind)
        at.columns, at.blocked = names, ""
        for cell, name in zip(found, names, strict=True):
            where = place(cell.at)
            if name not in known and ("column", name) not in self.told:
                self.told.add(("column", name))
                hint = schema.nearest(name, known)
                if not hint.startswith("did"):
                    hint = "its cells are kept and used for nothing"
                self.problems.add(
                    "unknown-column",
                    where,
                    name=converters.shorten(name),
                    section=at.name,
                    hint=hint,
                )
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            at.blocked = f"two columns are named {twice}"
        lacking = [n for n in schema.NEEDED[at.kind] if n not in names]
        if at.kind == "errors" and "mask" not in names and not {"wrote", "read"} <= set(names):
            lacking.append("wrote and read, or mask")
        if lacking:
            at.blocked = f"its header line lacks {' and '.join(lacking)}"
        if at.blocked:
            self.problems.add("bad-columns", place(1), section=at.name, why=at.blocked)

    def readable(self) -> bool:
        """Whether the rows of the open table can be read."""
        at = self.section
        return at is not None and at.columns is not None and not at.blocked

    def lose(self, line: int) -> None:
        """A row of a table whose columns are not known."""
        at = self.section
        assert at is not None
        at.lost += 1
        at.first_lost = at.first_lost or line
        at.blocked = at.blocked or "no line of column names came before them"
        at.lost_why = at.lost_why or at.blocked  # a later header line may mend what follows it
        self.printed += 1

    # -- rows ---------------------------------------------------------------------------------

    def named(self, found: Sequence[Cell], end: int) -> tuple[Cell, ...]:
        """Cells under the columns of the open section. Raises `converters.Wrong`, its column the
        number of a column of text, where they are too few or too many."""
        at = self.section
        assert at is not None and at.columns is not None
        if len(found) != len(at.columns):
            over = len(found) > len(at.columns)
            column = found[len(at.columns)].at if over else end
            raise converters.Wrong(
                "cell-count",
                str(max(column, 1)),
                found=len(found),
                wanted=len(at.columns),
                columns=" ".join(at.columns),
            )
        return tuple(
            Cell(name, cell.text, cell.at) for name, cell in zip(at.columns, found, strict=True)
        )

    def make(
        self,
        kind: str | None,
        found: Sequence[Cell],
        place: Place,
        end: int,
        local: Mapping[str, str],
    ) -> Row:
        """The row of table `kind` (None: of the open section, by its columns), its missing cells
        filled from what its line says of all its rows (`local`) and from the context. `end` is
        the column after the line's last. Raises `Refused`."""
        own = kind is not None
        try:
            if kind is None:
                assert self.section is not None and self.section.kind is not None
                kind, found = self.section.kind, self.named(found, end)
            texts, places = gather(found)
            if own:  # the layout's own pattern says what a hex word is, with 0x or without
                for name in schema.HEX:
                    text = texts.get(name, "-")
                    if text not in row_builder.UNSAID and text[:2] not in ("0x", "0X"):
                        texts[name] = "0x" + text
            known = schema.columns(kind)
            for column, text in (*local.items(), *self.context.items()):
                if column in known and column not in texts:
                    texts[column] = text
            return row_builder.build(kind, texts, place(1))
        except converters.Wrong as wrong:
            if wrong.column.isdigit():
                at = int(wrong.column)
            else:
                at = places.get(wrong.column) or min(places.values(), default=1)
            fields = {"column": wrong.column, "section": kind, **wrong.fields}
            raise Refused(wrong.code, place(at), fields) from None

    def keep(self, made: Sequence[Row]) -> None:
        """Keep the rows of one line: all of them, or none (`refuse`)."""
        self.printed += len(made)
        for row in made:
            if isinstance(row, ErrorRow):
                self.errors.add(row)
            elif isinstance(row, CountRow):
                self.counts.add(row)
            else:
                self.rows[TABLE_OF[type(row)]].append(row)

    def refuse(self, refused: Refused) -> None:
        self.printed += 1
        self.problems.add(refused.code, refused.where, **refused.fields)

    # -- the end ------------------------------------------------------------------------------

    def finish(self, name: str, pasted: Pasted) -> Run:
        """The run, with every problem found on the way; the hash of its text is still to come."""
        self.close_section()
        head, wrong = header.read(self.head)
        self.problems.extend(wrong)
        complete = True
        if self.ends and self.end_line is None:
            complete = False
            self.problems.add("end-missing", Position(max(self.last_line, 1)))
        elif self.promised is not None:
            # Rows of sections memdiag does not know may be counted, with or without their headers.
            every = self.printed + self.kept
            if self.promised not in (self.printed, every, every - self.unknown):
                complete = False
                self.problems.add(
                    "end-count",
                    Position(self.end_line or 1),
                    promised=self.promised,
                    found=self.printed,
                )
        kept = self.rows
        read = sum(map(len, kept.values())) + len(self.errors) + len(self.counts)
        last = max(self.last_line, self.first_line)
        source = Source("", self.first_line, last, complete, read, self.layout, name, self.headed)
        text, later = pasted.between(self.first_line, last)
        log, counts = self.errors.finish(), self.counts.finish()
        if log is not None and self.errors.collapsed:
            code = "errors-thinned" if self.errors.thinned else "errors-collapsed"
            self.problems.add(
                code,
                total=f"{log.total:,}",
                rows=f"{len(log):,}",
                share=f"{100 * log.share:.3g} %",
                words=PER_ADDRESS,
            )
        if self.counts.added_up:
            self.problems.add(
                "counts-added-up", total=f"{len(self.counts):,}", rows=f"{len(counts):,}"
            )
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


def count(n: int, word: str) -> str:
    """`1 row`, `1,200 rows`."""
    return f"{n:,} {word}" if n == 1 else f"{n:,} {word}s"


def gather(found: Sequence[Cell]) -> tuple[dict[str, str], dict[str, int]]:
    """Cells by column, and where each stood. Two of one column are joined by a blank, the taps of
    a window by nothing."""
    texts: dict[str, str] = {}
    places: dict[str, int] = {}
    for cell in found:
        if not cell.column:
            continue
        tap = cell.column == line_rules.TAP
        column = "window" if tap else cell.column
        text = "-" if cell.text is None else cell.text
        if column in texts:
            texts[column] += text if tap else " " + text
        else:
            texts[column], places[column] = text, cell.at
    return texts, places


def merged(before: Mapping[str, str], found: Sequence[Cell]) -> dict[str, str]:
    """The context after another context line: what it sets replaces what was set before."""
    return {**before, **gather(found)[0]}
