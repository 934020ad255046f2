"""What the HTML page shows, made ready for the templates: words and choices, no arithmetic.

A template gets plain texts only. Which rows and findings a sheet of paper keeps is decided here,
so that a large board still prints on two pages; the screen shows everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from memdiag.model import words as wording
from memdiag.model.board import Board
from memdiag.model.quantities import show_count, show_probability
from memdiag.model.records import Run, Scope
from memdiag.model.table import TableRow
from memdiag.model.verdict import HEATS, WANTS_WORK, Action, Cause, Finding, Locus, Verdict
from memdiag.reports import rows
from memdiag.reports.packages import Mark
from memdiag.reports.svg import Drawn

# What two pages of A4 hold at most, together.
PAPER_ROWS = 20
PAPER_FINDINGS = 3
PAPER_QUOTES = 4
PAPER_PROBLEMS = 4
PAPER_SPILLED = 6
PAPER_STRIPS = 2

WHOLE_DUMP = 400
"""A dump of at most this many lines is shown whole; of a longer one the head, the end, and what
is quoted with two lines round it."""
LONG_LINE = 300


@dataclass(frozen=True, slots=True)
class Plate:
    """The answer, to be read at arm's length: where, what, what to do, how sure. `fine` is the
    place inside the site: its channel, lane or line."""

    where: str
    fine: str
    cause: str
    do: str
    sure: str
    text: str
    work: bool
    hot: bool


@dataclass(frozen=True, slots=True)
class Item:
    """A finding. `paper` is False where only the screen shows it."""

    where: str
    cause: str
    sure: str
    action: str
    do: str
    reason: str
    expected: bool
    because_of: str
    others: tuple[str, ...]
    quotes: tuple[tuple[int | None, str, bool], ...]  # line, says, on paper
    next: tuple[str, ...]
    work: bool
    paper: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the dump as shown; `number` None stands for lines left out."""

    number: int | None
    text: str
    quoted: bool = False


def plate(verdict: Verdict) -> Plate:
    """The plate of a verdict: its most urgent finding, or that there is none."""
    summary = verdict.summary
    top = verdict.findings[0] if verdict.findings else None
    if top is None or summary.action is Action.NONE:
        idle = summary.action is Action.NONE
        return Plate(
            verdict.run.head.board or "the board",
            "",
            summary.cause.value,
            wording.ACTION_WORDS[Action.NONE] if idle else "RETEST what was not measured",
            show_probability(summary.probability),
            summary.text,
            not idle,
            False,
        )
    where = top.locus.site or str(top.locus)
    cause, sure = top.cause.value, show_probability(top.probability)
    if top.cause is Cause.UNDECIDED and top.alternatives:
        best, chance = top.alternatives[0]
        cause, sure = f"most likely {best.value}", show_probability(chance)
    if top.expected:
        sure = "as declared"
    return Plate(
        where,
        str(top.locus).removeprefix(where).strip(),
        cause,
        wording.action_words(summary.action, top.locus),
        sure,
        summary.text,
        summary.action in WANTS_WORK,
        summary.action in HEATS,
    )


def items(verdict: Verdict, *, alone: bool = True) -> tuple[tuple[Item, ...], tuple[Item, ...]]:
    """`(findings that stand by themselves, spillover)`, both in the verdict's order. Not `alone`
    on the page, paper has room for one less of them."""
    most = PAPER_FINDINGS if alone else PAPER_FINDINGS - 1
    own: list[Item] = []
    spilled: list[Item] = []
    for finding in verdict.findings:
        if finding.cause is Cause.SPILLOVER:
            spilled.append(_item(finding, len(spilled) < PAPER_SPILLED))
        else:
            own.append(_item(finding, len(own) < most))
    return tuple(own), tuple(spilled)


def _item(f: Finding, paper: bool) -> Item:
    where = str(f.locus)
    return Item(
        where,
        f.cause.value,
        show_probability(f.probability),
        f.action.value,
        wording.action_words(f.action, f.locus),
        f.reason,
        f.expected,
        f.because_of or "",
        tuple(f"{c.value} {show_probability(p)}" for c, p in f.alternatives if p >= 0.005),
        tuple((q.line, q.says, n < PAPER_QUOTES) for n, q in enumerate(f.evidence)),
        f.next,
        f.action in WANTS_WORK,
        paper,
    )


def marks(verdict: Verdict) -> dict[str, Mark]:
    """How each site is drawn: the most urgent finding that touches it; the summary's site is the
    one to work on, where there is work."""
    found: dict[str, Mark] = {}
    work = verdict.summary.site if verdict.summary.action in WANTS_WORK else None
    for finding in verdict.findings:
        for ref in sites_of(finding.locus, verdict.board):
            found.setdefault(ref, Mark(finding.cause.value, ref == work))
    return found


def sites_of(locus: Locus, board: Board) -> tuple[str, ...]:
    """The sites a finding's place covers."""
    if locus.site is not None:
        return (locus.site,)
    if locus.rail is not None:
        return tuple(s.ref for s in board.sites_on_rail(locus.rail))
    if locus.partition is not None:
        return tuple(s.ref for s in board.partitions.get(locus.partition, ()))
    dq = locus.dq if isinstance(locus.dq, int) else None
    scope = Scope(None, locus.channel, locus.rank, locus.lane, dq)
    return tuple(s.ref for s in board.owners(scope))


def head(run: Run) -> tuple[tuple[str, str], ...]:
    """The run's own words about itself, in the order a bench asks for them."""
    known = run.head.as_read()
    order = (
        "board",
        "serial",
        "ticket",
        "stage",
        "at",
        "memory",
        "rate",
        "ambient",
        "removed",
        "swapped",
        "replaced",
        "reflowed",
        "rig",
        "note",
        "id",
    )
    keys = [key for key in order if key in known] + [key for key in known if key not in order]
    return tuple((clip(key, 40), clip(str(known[key]), 160)) for key in keys)


def clip(words: str, most: int) -> str:
    """Words of a dump cut to what a page has room for; the dump below has all of them."""
    return words if len(words) <= most else words[: most - 3] + "..."


_NARROW = frozenset({"site", "ch", "lane", "worst", "eye UI", "errors", "cause"})
"""The columns a telephone shows."""


@dataclass(frozen=True, slots=True)
class Table:
    """The per-channel table: `(heading, class)` and for each row its cells and its class."""

    heads: tuple[tuple[str, str], ...]
    rows: tuple[tuple[tuple[str, ...], str], ...]
    left_off: int  # rows that paper does not show


def table(verdict: Verdict) -> Table:
    """The table without the columns of which the dump says nothing at all."""
    loud, _ = rows.telling(verdict)
    everything = len(verdict.table) <= PAPER_ROWS
    own_first = sorted(loud, key=lambda row: row.cause == Cause.SPILLOVER.value)[:PAPER_ROWS]
    on_paper = {id(row) for row in (verdict.table if everything else own_first)}
    telling = {id(row) for row in loud}
    heads = (*rows.HEADINGS[:-1], "rose / fell", "link check bad", "cells", "cause", "sure")
    made = [_cells(row) for row in verdict.table]
    kept = [i for i in range(len(heads)) if i == 0 or any(cells[i].strip("- /") for cells in made)]
    lines = []
    for row, cells in zip(verdict.table, made, strict=True):
        kind = " ".join(
            word
            for word, here in (("screen", id(row) not in on_paper), ("loud", id(row) in telling))
            if here
        )
        lines.append((tuple(cells[i] for i in kept), kind))
    shown = tuple((heads[i], "" if heads[i] in _NARROW else "wide") for i in kept)
    return Table(shown, tuple(lines), len(verdict.table) - len(on_paper))


def _cells(row: TableRow) -> tuple[str, ...]:
    *first, cause = rows.cells(row)
    sure = "-" if row.probability is None else show_probability(row.probability)
    more = (f"{_count(row.rose)} / {_count(row.fell)}", _count(row.edc_bad), _count(row.cells))
    return (*first, *more, cause, sure)


def on_paper(strips: Sequence[tuple[Drawn, bool]]) -> tuple[tuple[Drawn, bool], ...]:
    """Strips of a chart and whether paper shows them: where there are too many, the first ones
    with a marked site."""
    if len(strips) <= PAPER_STRIPS:
        return tuple((strip, True) for strip, _ in strips)
    marked = [number for number, (_, has) in enumerate(strips) if has][:PAPER_STRIPS]
    return tuple((strip, number in marked) for number, (strip, _) in enumerate(strips))


def _count(value: int | None) -> str:
    return "-" if value is None else show_count(value)


def dump(run: Run, quoted: Iterable[int]) -> tuple[Line, ...]:
    """The dump's lines to show. Lines left out are said with their number."""
    marked = frozenset(quoted)
    near = {number + step for number in marked for step in range(-2, 3)}
    first = run.source.first_line
    last = first + len(run.text) - 1
    shown: list[Line] = []
    skipped = 0
    for number, text in enumerate(run.text, first):
        wanted = number in near or number < first + 40 or number > last - 10
        if len(run.text) > WHOLE_DUMP and not wanted:
            skipped += 1
            continue
        if skipped:
            shown.append(Line(None, f"{skipped} lines not shown here"))
            skipped = 0
        shown.append(Line(number, _short(text), number in marked))
    return tuple(shown)


def _short(text: str) -> str:
    return text if len(text) <= LONG_LINE else f"{text[:LONG_LINE]} ... ({len(text)} characters)"


def quoted_lines(verdict: Verdict) -> frozenset[int]:
    """The lines that evidence or a problem points at."""
    lines = {q.line for f in verdict.findings for q in f.evidence if q.line is not None}
    return frozenset(lines | {p.position.line for p in verdict.problems if p.position is not None})


def causes_shown(all_marks: Mapping[str, Mark]) -> tuple[str, ...]:
    """The causes a legend must explain, in the order of the sites."""
    return tuple(dict.fromkeys(m.cause for m in all_marks.values() if m.cause))
