"""The text of a paste, line by line: what was quoted, what was not understood and why, what was put
right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec import Struct

from memdiag.model import Verdict
from memdiag.model.problems import Problem, Severity

WHOLE = 4000
"""A text of at most so many lines is shown whole; of a longer one its beginning, its end, and what
is marked with two lines round it."""
LONGEST = 2000
"""Characters of a line that are shown, and that a correction of it may have."""


class Marks(Struct):
    """What there is to say of a line. `run` is the number of the dump it belongs to; `lost` whether
    something of it was not understood; `open` whether it is to be corrected; `was` what stood there
    before it was, None where it was not."""

    run: int = 1
    says: tuple[str, ...] = ()
    lost: bool = False
    quoted: bool = False
    open: bool = False
    was: str | None = None


class TextLine(Struct, frozen=True):
    """A line as it is shown; `number` 0 stands for lines that are left out."""

    number: int
    text: str
    marks: Marks

    @property
    def anchor(self) -> str:
        return f"d{self.marks.run}-L{self.number}"

    @property
    def is_unclear(self) -> bool:
        return self.marks.lost

    @property
    def is_open(self) -> bool:
        """Whether it has a field to correct it in: what is not shown whole has none."""
        marks = self.marks
        wanted = marks.lost or marks.open or marks.was is not None
        return wanted and self.number > 0 and len(self.text) <= LONGEST


def marked(
    verdicts: Sequence[Verdict], problems: Iterable[Problem], kept: Mapping[int, str], edit: int
) -> dict[int, Marks]:
    """What there is to say, by the numbers of the lines. `kept` is what stood in corrected lines
    before, `edit` a line that is to be corrected."""
    found: dict[int, Marks] = {}
    for verdict in verdicts:
        for lost in verdict.run.lost:
            _at(found, lost.position.line).lost = True
        for line in _quoted(verdict):
            _at(found, line).quoted = True
    for p in problems:
        if p.position is not None and p.severity is not Severity.INFO:
            here = _at(found, p.position.line)
            here.says = (*here.says, *reasons([p]))
            here.lost = here.lost or p.severity is Severity.ERROR
    for line, was in kept.items():
        _at(found, line).was = was
    if edit > 0:
        _at(found, edit).open = True
    _number(found, verdicts)
    return found


def _at(found: dict[int, Marks], line: int) -> Marks:
    return found.setdefault(line, Marks())


def _quoted(verdict: Verdict) -> Iterator[int]:
    """The lines that the evidence leads to."""
    for finding in verdict.findings:
        yield from (quote.line for quote in finding.evidence if quote.line is not None)


def reasons(problems: Iterable[Problem]) -> list[str]:
    """Problems as they stand beside their line, whose number need not be said again."""
    return [f"{p.message}" + (f" ({p.hint})" if p.hint else "") for p in problems]


def _number(found: Mapping[int, Marks], verdicts: Sequence[Verdict]) -> None:
    """Which dump each line belongs to, for the links that lead to it."""
    for number, verdict in enumerate(verdicts, 1):
        source = verdict.run.source
        for line, marks in found.items():
            if source.first_line <= line <= source.last_line:
                marks.run = number


def shown(lines: Sequence[str], marks: Mapping[int, Marks]) -> list[TextLine]:
    """The lines to show, in order; what is left out is said with its number."""
    near = {number + step for number in marks for step in range(-2, 3)}
    made: list[TextLine] = []
    skipped = 0
    for number, text in enumerate(lines, 1):
        wanted = number in near or number <= 40 or number > len(lines) - 10
        if len(lines) > WHOLE and not wanted:
            skipped += 1
            continue
        if skipped:
            made.append(_left_out(skipped))
            skipped = 0
        made.append(TextLine(number, text, marks.get(number) or Marks()))
    return made


def _left_out(count: int) -> TextLine:
    return TextLine(0, f"{count} lines not shown here", Marks())
