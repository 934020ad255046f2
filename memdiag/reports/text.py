"""The verdict for a terminal: read from a metre away, at most 100 columns, no colour needed."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from memdiag.model import words as wording
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_probability
from memdiag.model.table import TableRow
from memdiag.model.verdict import Action, Finding, Quote, Verdict
from memdiag.reports import rows
from memdiag.reports.plain import printable

WIDTH = 100
MOST_QUIET = 4


def verdict_text(verdict: Verdict, *, every_row: bool = False) -> str:
    """The whole page: the answer, why, the table, what to measure next, cautions, footnotes."""
    parts = [_answer(verdict)]
    groups = rows.groups(verdict.findings)
    for number, group in enumerate(groups, 1):
        many = len(group) > 1
        parts.append(_group(number, group, verdict) if many else _finding(number, *group))
    parts.append(_table(verdict, every_row))
    steps = [s for group in groups if len(group) == 1 for s in group[0].next]
    if verdict.summary.action is Action.RETEST and not steps:
        steps = ["run the missing steps and a stress test, then judge again"]
    if steps:
        parts.append("NEXT\n" + listed(dict.fromkeys(steps)))
    if verdict.cautions:
        parts.append("CAUTION\n" + listed(verdict.cautions, "!"))
    notes = [*verdict.notes, *_footnotes(verdict)]
    if notes:
        parts.append("NOTES\n" + listed(notes, "*"))
    return printable("\n\n".join(part for part in parts if part) + "\n")


def _answer(verdict: Verdict) -> str:
    s = verdict.summary
    top = verdict.findings[0] if verdict.findings else None
    locus = (
        str(top.locus)
        if top is not None and s.action is not Action.NONE
        else (verdict.board.name or "board")
    )
    chance = show_probability(s.probability)
    if s.cause.value == "undecided" and top is not None and top.alternatives:
        best, p = top.alternatives[0]
        chance = f"most likely {best}, {show_probability(p)}"
    if top is not None and top.expected:
        chance = "as declared"
    first = f"{locus}: {s.cause.value.upper()} ({chance})"
    do = f"DO: {wording.action_words(s.action, top.locus) if top else _idle(s.action)}"
    head = verdict.run.head
    about = [f"board {head.board or verdict.board.name or '?'}"]
    about += [f"{k} {v}" for k in ("serial", "ticket", "stage", "id") if (v := getattr(head, k))]
    return "\n".join((first, do, _wrap(f"{s.text}. [{', '.join(about)}]")))


def _idle(action: Action) -> str:
    return "nothing to do" if action is Action.NONE else "RETEST what was not measured"


def _finding(number: int, f: Finding) -> str:
    head = f"{number}. {f.locus}: {f.cause.value}"
    if f.expected:
        head += ", expected"
    elif f.cause.value != "undecided":
        head += f", {show_probability(f.probability)}"
    if f.because_of:
        head += f" because of {f.because_of}"
    rest = [f"{c} {show_probability(p)}" for c, p in f.alternatives if p >= 0.02]
    lines = [head + f" -> {f.action}", _wrap(f.reason, 3)]
    if rest:
        lines.append(_wrap("instead: " + ", ".join(rest), 3))
    lines += [_quote(quote) for quote in f.evidence]
    return "\n".join(lines)


def _quote(quote: Quote) -> str:
    where = f"line {quote.line}: " if quote.line is not None else ""
    return _wrap(where + quote.says, 3)


def _group(number: int, group: Sequence[Finding], verdict: Verdict) -> str:
    """Sites disturbed by one fault: named together, with the strongest line of each."""
    sites = ", ".join(str(f.locus) for f in group)
    chance = show_probability(min(f.probability for f in group))
    least = "" if chance.startswith("over") else "at least "
    head = f"{number}. {sites}: spillover, {least}{chance} each, because of {group[0].because_of}"
    head += f" -> {group[0].action}"
    lines = [textwrap.fill(head, WIDTH, subsequent_indent="   ")]
    lines += [_wrap(text, 3) for text in rows.group_words(group, verdict.table)]
    for f in group:
        lines += [_quote(q) for q in f.evidence[:1]]
    return "\n".join(lines)


def _table(verdict: Verdict, every_row: bool) -> str:
    odd, clear = rows.telling(verdict)
    own, disturbed = rows.disturbed(odd)
    if every_row or len(clear) + len(disturbed) <= MOST_QUIET:
        return table_text(verdict.table)
    parts = [table_text(own)]
    parts += [rows.gist(disturbed, rows.DISTURBED)] if disturbed else []
    parts += [rows.gist(clear, every=not odd)] if clear else []
    return "\n".join(part for part in parts if part)


def table_text(table: Sequence[TableRow]) -> str:
    """Rows as a plain grid; '' for none. Columns that no row fills are left out."""
    if not table:
        return ""
    from tabulate import tabulate

    made = [rows.cells(row) for row in table]
    kept = [i for i in range(len(rows.HEADINGS)) if i == 0 or any(r[i] != "-" for r in made)]
    grid = [[r[i] for i in kept] for r in (list(rows.HEADINGS), *made)]
    # The rule is a row of its own: the library's ruled formats pad every column by two more.
    grid.insert(1, ["-" * max(map(len, column)) for column in zip(*grid, strict=True)])
    text: str = tabulate(
        grid, tablefmt="plain", colalign=[rows.ALIGN[i] for i in kept], disable_numparse=True
    )
    return text


def _footnotes(verdict: Verdict) -> list[str]:
    """Warnings and errors travel with the verdict: it was built without the lines they name."""
    worth = [p for p in verdict.problems if p.severity is not Severity.INFO]
    shown = [f"{p.severity}: {p.sentence()}" for p in worth[:8]]
    if len(worth) > len(shown):
        shown.append(f"and {len(worth) - len(shown)} more problems: memdiag read shows them all")
    return shown


def listed(texts: Sequence[str] | dict[str, None], mark: str = "-") -> str:
    return "\n".join(
        textwrap.fill(t, WIDTH, initial_indent=f"{mark} ", subsequent_indent="  ") for t in texts
    )


def _wrap(text: str, indent: int = 0) -> str:
    pad = " " * indent
    return textwrap.fill(text, WIDTH, initial_indent=pad, subsequent_indent=pad)
