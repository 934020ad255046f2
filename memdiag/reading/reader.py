"""Cleaned lines -> runs and problems, by a layout; every line is accounted for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Layout, Match, Miss
from memdiag.model import schema
from memdiag.model.problems import Position, Problem
from memdiag.model.records import Row, Run
from memdiag.reading import converters
from memdiag.reading.account import Account, Fate
from memdiag.reading.cleaning import clean
from memdiag.reading.cleaning.clean import Cleaned, Line
from memdiag.reading.problem_list import ProblemList
from memdiag.reading.run_builder import Dump, Pasted, Place, Refused, count, merged
from memdiag.reading.unwrap import ROW_KINDS, rejoined

LONGEST = 10_000
"""Characters in a line at most: no row is as long, and a pattern tried on more could take long."""

MOST_LINE = 1 << 16
"""Characters of a line that are looked at; of longer ones a stream gives no more."""

VERSION = "1"


@dataclass(frozen=True, slots=True)
class Reading:
    """What came of a text: its runs, the problems that belong to none of them, the account."""

    runs: tuple[Run, ...]
    problems: tuple[Problem, ...]
    account: Account


@dataclass(frozen=True, slots=True)
class WholeText:
    """All lines of a text that was read at once."""

    lines: tuple[str, ...]

    def between(self, first: int, last: int) -> tuple[tuple[str, ...], Mapping[int, str]]:
        return self.lines[first - 1 : last], {}


def read(cleaned: Cleaned, layout: Layout, *, sha256: str, name: str = "-") -> Reading:
    """Read a cleaned text by a layout. Raises nothing, whatever the text."""
    reader = Reader(layout, name, WholeText(cleaned.pasted), cleaned.problems)
    reader.feed(cleaned.lines, cleaned.wrap_width)
    return reader.close(sha256)


class Reader:
    """Takes cleaned lines, in parts or all at once. `said` are problems known before."""

    def __init__(
        self, layout: Layout, name: str, pasted: Pasted, said: Sequence[Problem] = ()
    ) -> None:
        self.layout, self.name, self.pasted = layout, name, pasted
        self.kinds = layout.kinds
        self.runs: list[Run] = []
        self.outside = ProblemList()
        self.account = Account()
        self.dump: Dump | None = None
        self.joined: list[Line] = []
        self._headless_told = {
            p.position.line for p in said if p.code == "head-missing" and p.position is not None
        }
        self.lines: Sequence[Line] = ()
        self.width: int | None = None
        self._joined_width = 0
        self.misfits = 0  # full lines in a row that no line after them made whole
        self._states: dict[tuple[str | None, bool], frozenset[str]] = {}
        self._stray: tuple[int, int] | None = None

    def feed(self, lines: Sequence[Line], width: int | None) -> None:
        """Read these lines, later than all before. `width` is the terminal's, where lines look
        cut at it."""
        self.lines, self.width = lines, width
        at = 0
        while at < len(lines):
            at += self.take(at)

    # -- one line -----------------------------------------------------------------------------

    def take(self, at: int) -> int:
        """Read the line at that index; how many lines of the text it took."""
        line = self.lines[at]
        took = 1
        text = line.text.rstrip()
        if line.noise or not text:
            self._fate(line, Fate.NOISE if line.noise else Fate.BLANK)
        elif len(text) > LONGEST:
            self._open(line)
            n = f"{len(text):,}" if len(text) < MOST_LINE else f"{MOST_LINE:,} or more"
            self._problem(line, "line-too-long", 1, n=n, most=LONGEST)
        else:
            found = self.match(text)
            whole = rejoined(self, at, found) if self.width else None
            if whole is not None:
                self.joined.append(whole)
                self._joined_width = self._joined_width or self.width or 0
                line, took = whole, whole.took
                found = self.match(line.text.rstrip())
            if isinstance(found, Miss):
                self._missed(line, found)
            else:
                self._matched(line, found)
        return took

    def _fate(self, line: Line, fate: Fate) -> None:
        last = line.number + line.took - 1
        self.account.add(line.number, fate, last)
        if self.dump is not None:
            self.dump.last_line = last

    def match(self, text: str) -> Match | Miss:
        """The line rule that matches; where a table is open, its words decide between a header
        line and a row, which may look alike."""
        found = self.layout.match(text, self.wanted())
        if isinstance(found, Match) and found.kind in ("columns", "row"):
            if self.layout.columns_open:
                return found
            assert self.dump is not None
            header = self.dump.is_header([(c.text or "").lower() for c in found.cells])
            kind = "columns" if header else "row"
            if kind != found.kind:
                return self.layout.match(text, frozenset({kind}))
        return found

    def wanted(self) -> frozenset[str]:
        """The line rules that may come now."""
        section = self.dump.section if self.dump is not None else None
        name = "" if section is None else section.kind
        headed = section is not None and section.columns is not None
        state = (name, headed)
        wanted = self._states.get(state)
        if wanted is None:
            wanted = self._states[state] = self.kinds & self._may_come(name, headed)
        return wanted

    def _may_come(self, section: str | None, headed: bool) -> frozenset[str]:
        """By the open section: "" where none is, None where it is unknown."""
        always = {"head", "end", "section", "noise"}
        if self.layout.columns_open:
            always.add("columns")
        if section is None:
            return frozenset(always)  # the lines of an unknown section are kept as they are
        always |= {"context", "rows", *line_rules.RULES}
        if section == "run" or (not section and "section" not in self.kinds):
            always.add("run_line")
        elif section:
            always.add("row" if headed else "columns")
        return frozenset(always)

    def rows(self, text: str) -> list[Row] | None:
        """The rows that a text would give, None where it is no row."""
        found = self.match(text.rstrip())
        if isinstance(found, Miss) or found.kind not in ROW_KINDS or self.dump is None:
            return None
        if found.kind == "row" and not self.dump.readable():
            return None
        try:
            return list(self._made(found, lambda column: Position(1, column), 0))
        except Refused:
            return None

    def _made(self, found: Match, place: Place, end: int) -> Iterator[Row]:
        """The rows of a line, one or several. Raises `Refused`."""
        assert self.dump is not None
        local: dict[str, str] = {}
        for part in found.parts or (found,):
            if part.kind == "context":
                local = merged(local, part.cells)
            elif part.kind in ROW_KINDS:
                yield self.dump.make(line_rules.RULES.get(part.kind), part.cells, place, end, local)

    def _matched(self, line: Line, found: Match) -> None:
        kind = found.kind
        if kind == "noise":
            self._fate(line, Fate.NOISE)
            return
        if kind == "head":
            self._head(line, found)
            return
        if kind == "end" and self.dump is None:
            self.outside.add("stray-end", line.position())
            self._fate(line, Fate.OUTSIDE)
            return
        dump = self._open(line)
        if kind == "end":
            self._end(dump, line, found)
        elif kind == "section":
            cell = found.cells[0]
            dump.open_section(cell.text or "", line.position(cell.at))
            self._fate(line, Fate.SECTION)
        elif kind == "run_line":
            dump.run_line(found.cells, line.position)
            self._fate(line, Fate.RUN)
        elif kind == "context":
            dump.context = merged(dump.context, found.cells)
            self._fate(line, Fate.CONTEXT)
        elif kind == "columns":
            names = [cell for cell in found.cells if cell.column != "section"]
            for cell in found.cells:
                if cell.column == "section":
                    dump.open_section(cell.text or "", line.position(cell.at))
            if dump.section is not None and dump.section.kind not in (None, "run"):
                dump.set_columns(names, line.position)
            self._fate(line, Fate.COLUMNS)
        elif kind == "row" and not dump.readable():
            dump.lose(line.number)
            self._fate(line, Fate.PROBLEM)
        else:
            try:
                dump.keep(list(self._made(found, line.position, len(line.text.rstrip()) + 1)))
                self._fate(line, Fate.ROW)
            except Refused as refused:
                dump.refuse(refused)
                self._fate(line, Fate.PROBLEM)

    def _missed(self, line: Line, miss: Miss) -> None:
        dump = self.dump
        if dump is None:
            first, n = self._stray or (line.number, 0)
            self._stray = (first, n + 1)
            self._fate(line, Fate.OUTSIDE)
            return
        if dump.section is not None and dump.section.kind is None:
            dump.kept += 1
            self._fate(line, Fate.KEPT)
            return
        if dump.section is not None and dump.section.kind != "run":
            dump.printed += 1
        rest = line.text[miss.at - 1 :]
        word = rest.split(maxsplit=1)
        at = miss.at + (len(rest) - len(rest.lstrip()) if word else 0)
        found = repr(converters.shorten(word[0])) if word else "the end of the line"
        self._problem(
            line,
            "not-understood",
            at,
            found=found,
            expected=_either(miss.expected),
            hint=_hint(word, miss),
        )

    def _problem(self, line: Line, code: str, at: int, **fields: object) -> None:
        target = self.dump.problems if self.dump is not None else self.outside
        target.add(code, line.position(at), **fields)
        self._fate(line, Fate.PROBLEM)

    # -- dumps --------------------------------------------------------------------------------

    def _open(self, line: Line) -> Dump:
        """The open dump; a new one without a head where there is none."""
        if self.dump is None:
            self.dump = self._new(line)
            told = line.number in self._headless_told
            if "head" in self.kinds and not told:
                self.dump.problems.add("dump-headless", Position(line.number))
        return self.dump

    def _new(self, line: Line) -> Dump:
        self._tell_stray()
        dump = Dump(self.layout.name, line.number, "end" in self.kinds)
        dump.last_line = line.number
        return dump

    def _head(self, line: Line, found: Match) -> None:
        self._finish()
        self.misfits = max(0, self.misfits - 5)  # another dump may be cut where this one was not
        self.dump = dump = self._new(line)
        dump.headed = True
        for cell in found.cells:
            if cell.column == "version" and cell.text != VERSION:
                dump.problems.add(
                    "other-version",
                    line.position(cell.at),
                    found=converters.shorten(cell.text or ""),
                )
        dump.run_line(found.cells, line.position)
        self._fate(line, Fate.HEAD)

    def _end(self, dump: Dump, line: Line, found: Match) -> None:
        dump.end_line = line.number
        for cell in found.cells:
            if cell.column == "rows" and cell.text is not None:
                dump.promised = int(cell.text) if len(cell.text) < 19 else converters.LARGEST_WHOLE
        self._fate(line, Fate.END)
        self._finish()

    def _finish(self) -> None:
        if self.dump is not None:
            self.dump.problems.extend(clean.rejoined(self.joined, self._joined_width))
            self.joined = []
            self.runs.append(self.dump.finish(self.name, self.pasted))
            self.dump = None

    def _tell_stray(self) -> None:
        if self._stray is not None:
            first, n = self._stray
            self.outside.add("outside", Position(first), lines=count(n, "line"))
            self._stray = None

    def close(self, sha256: str) -> Reading:
        """The runs; `sha256` is the hash of the text they came from."""
        self._finish()
        self._tell_stray()
        runs = (replace(run, source=replace(run.source, sha256=sha256)) for run in self.runs)
        return Reading(tuple(runs), self.outside.closed(), self.account)


def _hint(word: Sequence[str], miss: Miss) -> str:
    literals = [e.strip("'") for e in miss.expected if e.startswith("'")]
    if word and literals:
        hint = schema.nearest(word[0], literals)
        if hint.startswith("did"):
            return hint
    return "mend the line, or teach the layout to know it"


def _either(words: Sequence[str]) -> str:
    """`a, b or c`, at most six of them."""
    shown = list(words[:6]) + ([f"{len(words) - 6} more"] if len(words) > 6 else [])
    if not shown:
        return "a line of the layout"
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"
