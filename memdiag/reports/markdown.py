"""The verdict as Markdown, ready to paste into a ticket. Text of the dump cannot become markup."""

from __future__ import annotations

import re
from collections.abc import Sequence

from memdiag.model import words as wording
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_probability
from memdiag.model.table import TableRow
from memdiag.model.verdict import Action, Finding, Quote, Verdict
from memdiag.reports import rows

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>()#+!|~$@&-])")


def escape(text: object) -> str:
    """Text with every character that Markdown, HTML or a table would act on made plain."""
    flat = " ".join(str(text).split())
    return _SPECIAL.sub(
        lambda m: f"&#{ord(m.group())};" if m.group() in "<>&@|" else "\\" + m.group(), flat
    )


def verdict_markdown(verdict: Verdict) -> str:
    """The same page as on the terminal, in Markdown."""
    s, head = verdict.summary, verdict.run.head
    top = verdict.findings[0] if verdict.findings else None
    out = [f"## {escape(s.text)}", ""]
    do = (
        wording.action_words(s.action, top.locus)
        if top
        else ("nothing to do" if s.action is Action.NONE else "RETEST what was not measured")
    )
    out += [f"**{escape(do)}**", ""]
    keys = ("board", "serial", "ticket", "stage", "id", "at")
    known = [f"{k} {v}" for k in keys if (v := getattr(head, k))]
    if known:
        out += [escape(", ".join(known)), ""]
    groups = rows.groups(verdict.findings)
    for group in groups:
        out += [*(_group(group, verdict) if len(group) > 1 else _finding(*group)), ""]
    odd, clear = rows.telling(verdict)
    own, only = rows.disturbed(odd)
    if own:
        out += [table_markdown(own), ""]
    if only:
        out += [escape(rows.gist(only, rows.DISTURBED)), ""]
    if clear:
        out += [escape(rows.gist(clear, every=not odd)), ""]
    steps = dict.fromkeys(s for group in groups if len(group) == 1 for s in group[0].next)
    for title, texts in (
        ("Next", steps),
        ("Caution", verdict.cautions),
        ("Notes", [*verdict.notes, *_warnings(verdict)]),
    ):
        if texts:
            out += [f"### {title}", "", *(f"- {escape(t)}" for t in texts), ""]
    source = verdict.run.source
    out.append(f"dump sha256 `{source.sha256}`, {source.lines} lines, {source.rows} rows")
    return "\n".join(out) + "\n"


def _finding(f: Finding) -> list[str]:
    chance = "as declared" if f.expected else show_probability(f.probability)
    because = f" because of {escape(f.because_of)}" if f.because_of else ""
    out = [
        f"### {escape(f.locus)}: {f.cause} ({chance}){because}, {f.action}",
        "",
        escape(f.reason),
        "",
    ]
    rest = [f"{c} {show_probability(p)}" for c, p in f.alternatives if p >= 0.02]
    if rest:
        out += ["Instead: " + escape(", ".join(rest)), ""]
    return [*out, *(_quote(q) for q in f.evidence)]


def _group(group: Sequence[Finding], verdict: Verdict) -> list[str]:
    """Sites disturbed by one fault: named together, with the strongest line of each."""
    first = group[0]
    sites = ", ".join(escape(f.locus) for f in group)
    return [
        f"### {sites}: spillover because of {escape(first.because_of)}, {first.action}",
        "",
        *(escape(text) for text in rows.group_words(group, verdict.table)),
        "",
        *(_quote(q) for f in group for q in f.evidence[:1]),
    ]


def _quote(quote: Quote) -> str:
    return f"- {'' if quote.line is None else f'line {quote.line}: '}{escape(quote.says)}"


def table_markdown(table: Sequence[TableRow]) -> str:
    """Rows as a Markdown table."""
    from tabulate import tabulate

    text: str = tabulate(
        [[escape(c) for c in rows.cells(row)] for row in table],
        headers=rows.HEADINGS,
        tablefmt="github",
        colalign=rows.ALIGN,
        disable_numparse=True,
    )
    return text


def _warnings(verdict: Verdict) -> list[str]:
    return [
        f"{p.severity}: {p.sentence()}" for p in verdict.problems if p.severity is not Severity.INFO
    ]
