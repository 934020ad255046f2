"""Cleaned lines -> runs and problems, by a layout; every line is accounted for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from msgspec import Struct

from memdiag.layouts.matcher import Match, Miss
from memdiag.model import Row, Run
from memdiag.model.problems import Position, Problem
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import converters, matching, misses, placing
from memdiag.reading.account import Account, LineClass
from memdiag.reading.bounds import Tally
from memdiag.reading.chunks import MOST_LINE
from memdiag.reading.cleaning.clean import LONGEST, LONGEST_UNSTEADY, Line
from memdiag.reading.outside import Outside
from memdiag.reading.planner import Planner, State
from memdiag.reading.row_count import RowCount
from memdiag.reading.run_builder import ColumnRows, Pasted, RunBuilder, with_lost
from memdiag.reading.section import Section
from memdiag.reading.unwrap import Unwrapper

VERSION = "1"


class Reading(Struct, frozen=True):
    """What came of a text: its runs, the problems that belong to none of them, the account."""

    runs: tuple[Run, ...]
    problems: tuple[Problem, ...]
    account: Account


class Reader:
    """Takes cleaned lines, in parts or all at once. `words` are the words a technician may use,
    `said` problems known before."""

    def __init__(
        self,
        planner: Planner,
        name: str,
        pasted: Pasted,
        words: Vocabulary,
        said: Sequence[Problem] = (),
    ) -> None:
        self.planner, self.layout, self.words = planner, planner.layout, words
        self.account = Account()
        self.dump: RunBuilder | None = None
        self._name, self._pasted = name, pasted
        self._tally = Tally()
        self._longest = LONGEST if self.layout.is_steady else LONGEST_UNSTEADY
        self._runs: list[Run] = []
        self._outside = Outside(words)
        self._last_tables: tuple[Section, ...] = ()  # what the dump before was in when it ended
        self._unwrapper = Unwrapper(self)
        self._headless_told = {
            p.position.line for p in said if p.code == "head-missing" and p.position is not None
        }

    @property
    def state(self) -> State:
        """What decides which lines may come now."""
        return matching.state_of(self.dump)

    def match(self, text: str) -> Match | Miss:
        """The line rule by which a text would be read now."""
        return matching.match(text, self.planner, self.dump)

    def rows(self, text: str) -> list[Row] | None:
        """The rows that a text would give now, None where it is no row."""
        return matching.rows(text, self.planner, self.dump)

    # -- lines --------------------------------------------------------------------------------

    def feed(self, lines: Sequence[Line], width: int | None) -> None:
        """Read these lines, later than all before. `width` is the terminal's, where lines look
        cut at it. Raises bounds.Refused for a text beyond a bound."""
        at = 0
        while at < len(lines):
            line, text = lines[at], lines[at].text.rstrip()
            if line.noise or not text:
                self._enter(line, LineClass.NOISE if line.noise else LineClass.BLANK)
            elif len(text) > self._longest:
                self._too_long(line, len(text))
            else:
                found = self.match(text)
                whole = self._unwrapper.whole(lines, at, width, found) if width else None
                if whole is not None:
                    line, found = whole, self.match(whole.text.rstrip())
                self._take(line, found)
            at += line.took

    def take_columns(self, rows: ColumnRows) -> None:
        """Rows of the open dump that were read in columns, later than all before."""
        assert self.dump is not None
        before = self.dump.not_understood
        self.dump.take_columns(rows)
        self.account.add_rows(rows.first, rows.last, rows.contrary)
        self._tally.add_columns(rows.first, rows.last, rows.contrary, before)

    def _take(self, line: Line, found: Match | Miss) -> None:
        if isinstance(found, Miss):
            self._enter(line, self._missed(line, found))
            return
        take = _TAKE.get(found.kind, Reader._row)
        self._enter(line, take(self, line, found))
        if found.kind == "end":
            self._finish()

    def _enter(self, line: Line, line_class: LineClass) -> None:
        """Enter a line in the account."""
        last = line.number + line.took - 1
        self.account.add(line.number, line_class, last)
        dump = self.dump
        if dump is None:
            self._tally.add(line_class, line.number)
        else:
            dump.reached(last)
            self._tally.add(line_class, line.number, dump.alone, dump.not_understood)

    def _too_long(self, line: Line, n: int) -> None:
        shown = f"{n:,}" if n < MOST_LINE else f"{MOST_LINE:,} or more"
        dump = self._open(line)
        dump.problems.add("line-too-long", line.position(), n=shown, most=self._longest)
        dump.lose_line(line.position(), f"a line of {shown} characters")
        self._enter(line, LineClass.PROBLEM)

    # -- one line of each rule ----------------------------------------------------------------

    def _noise(self, line: Line, found: Match) -> LineClass:
        return LineClass.NOISE

    def _head(self, line: Line, found: Match) -> LineClass:
        self._finish()
        self._unwrapper.dump_begins()
        self.dump = dump = self._new(line, headed=True)
        for cell in found.cells:
            if cell.column == "version" and cell.text != VERSION:
                shown = converters.shorten(cell.text or "")
                dump.problems.add("other-version", line.position(cell.at), found=shown)
        dump.run_line(found.cells, line.position)
        return LineClass.HEAD

    def _end(self, line: Line, found: Match) -> LineClass:
        if self.dump is None:
            self._outside.add_end(line.position())
            return LineClass.OUTSIDE
        self.dump.end(line.number, found.cells)
        return LineClass.END

    def _section(self, line: Line, found: Match) -> LineClass:
        cell = found.cells[0]
        self._open(line).open_section(cell.text or "", line.position(cell.at))
        return LineClass.SECTION

    def _run_line(self, line: Line, found: Match) -> LineClass:
        self._open(line).run_line(found.cells, line.position)
        return LineClass.RUN

    def _context(self, line: Line, found: Match) -> LineClass:
        self._open(line).add_context(found.cells)
        return LineClass.CONTEXT

    def _columns(self, line: Line, found: Match) -> LineClass:
        self._open(line).header_line(found.cells, line.position)
        return LineClass.COLUMNS

    def _row(self, line: Line, found: Match) -> LineClass:
        dump = self._open(line)
        if found.kind == "row" and placing.is_ruler(line.text):
            return LineClass.NOISE
        if found.kind == "row" and not dump.is_readable:
            dump.lose_row(line.position())
            return LineClass.PROBLEM
        made = dump.rows(found, line.position, len(line.text.rstrip()) + 1)
        return LineClass.ROW if dump.keep(made, line.position()) else LineClass.PROBLEM

    def _missed(self, line: Line, miss: Miss) -> LineClass:
        if self.dump is None:
            like = matching.could_be_row(line.text, self.layout, self._last_tables)
            self._outside.add_line(line.position(), line.text, like_a_row=like)
            return LineClass.OUTSIDE
        if self.dump.section is not None and self.dump.section.kind is None:
            self.dump.keep_text(line.text)
            return LineClass.KEPT
        at, fields = misses.told(line.text, miss)
        self.dump.problems.add("not-understood", line.position(at), **fields)
        self.dump.lose_line(line.position(at), f"a line that is not understood: {fields['found']}")
        return LineClass.PROBLEM

    # -- dumps --------------------------------------------------------------------------------

    def _open(self, line: Line) -> RunBuilder:
        """The open dump; a new one without a head where there is none."""
        if self.dump is None:
            self.dump = self._new(line, headed=False)
            if "head" in self.layout.kinds and line.number not in self._headless_told:
                self.dump.problems.add("dump-headless", Position(line.number))
        return self.dump

    def _new(self, line: Line, *, headed: bool) -> RunBuilder:
        self._outside.dump_begins()
        self._tally.dump_begins(line.number)
        if self._runs:
            self._settle()
        ends = "end" in self.layout.kinds
        dump = RunBuilder(self.layout.name, self.words, line.number, headed, RowCount(ends))
        dump.reached(line.number)
        return dump

    def _finish(self) -> None:
        if self.dump is not None:
            said = self._unwrapper.said()
            self._tally.dump_ends(self.dump.alone, self.dump.not_understood)
            self._runs.append(self.dump.finish(self._name, self._pasted, said))
            self._last_tables = tuple(self.dump.tables_read)
            self.dump = None

    def _settle(self) -> None:
        """What was lost outside of dumps goes to the last one."""
        lost = self._outside.lost()
        if self._runs and lost.rows:
            self._runs[-1] = with_lost(self._runs[-1], lost)

    def close(self) -> Reading:
        """What was read; the hash of the text is still to come."""
        self._finish()
        self._settle()
        return Reading(tuple(self._runs), self._outside.closed(), self.account)


_TAKE: dict[str, Callable[[Reader, Line, Match], LineClass]] = {
    "noise": Reader._noise,
    "head": Reader._head,
    "end": Reader._end,
    "section": Reader._section,
    "run_line": Reader._run_line,
    "context": Reader._context,
    "columns": Reader._columns,
}
"""What is done with a line of each rule; the others give rows."""
