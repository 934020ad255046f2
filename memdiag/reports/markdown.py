"""The verdict as Markdown, ready to paste into a ticket. Text of the dump cannot become markup."""

from __future__ import annotations

import re
from collections.abc import Sequence

from memdiag import wording
from memdiag.findings import Action, Finding, Verdict
from memdiag.problems import Severity
from memdiag.reports import rows
from memdiag.table import TableRow
from memdiag.units import show_probability

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>()#+!|~$@&-])")


def escape(text: object) -> str:
    """Text with every character that Markdown, HTML or a table would act on made plain."""
    flat = " ".join(str(text).split())
    return _SPECIAL.sub(lambda m: f"&#{ord(m.group())};" if m.group() in "<>&@|" else "\\" + m.group(), flat)


def verdict_markdown(verdict: Verdict) -> str:
    """The same page as on the terminal, in Markdown."""
    s, head = verdict.summary, verdict.run.head
    top = verdict.findings[0] if verdict.findings else None
    out = [f"## {escape(s.text)}", ""]
    do = wording.action_words(s.action, top.locus) if top else (
        "nothing to do" if s.action is Action.NONE else "RETEST what was not measured")  # fmt: skip
    out += [f"**{escape(do)}**", ""]
    known = [f"{k} {v}" for k in ("board", "serial", "ticket", "stage", "id", "at") if (v := getattr(head, k))]
    if known:
        out += [escape(", ".join(known)), ""]
    for f in verdict.findings:
        out += [*_finding(f), ""]
    odd, clear = rows.telling(verdict)
    if odd:
        out += [table_markdown(odd), ""]
    if clear:
        out += [escape(rows.gist(clear)), ""]
    steps = dict.fromkeys(step for f in verdict.findings for step in f.next)
    for title, texts in (("Next", steps), ("Caution", verdict.cautions),
                         ("Notes", [*verdict.notes, *_warnings(verdict)])):  # fmt: skip
        if texts:
            out += [f"### {title}", "", *(f"- {escape(t)}" for t in texts), ""]
    source = verdict.run.source
    out.append(f"dump sha256 `{source.sha256}`, {source.lines} lines, {source.rows} rows")
    return "\n".join(out) + "\n"


def _finding(f: Finding) -> list[str]:
    chance = "as declared" if f.expected else show_probability(f.probability)
    because = f" because of {f.because_of}" if f.because_of else ""
    out = [f"### {escape(f.locus)}: {f.cause} ({chance}){escape(because)}, {f.action}", "",
           escape(f.reason), ""]  # fmt: skip
    rest = [f"{c} {show_probability(p)}" for c, p in f.alternatives if p >= 0.02]
    if rest:
        out += ["Instead: " + escape(", ".join(rest)), ""]
    out += [
        f"- {'' if q.line is None else f'line {q.line}: '}{escape(q.says)}" for q in f.evidence
    ]
    return out


def table_markdown(table: Sequence[TableRow]) -> str:
    """Rows as a Markdown table."""
    from tabulate import tabulate

    return tabulate(
        [[escape(c) for c in rows.cells(row)] for row in table],
        headers=rows.HEADINGS, tablefmt="github", colalign=rows.ALIGN, disable_numparse=True,
    )  # fmt: skip


def _warnings(verdict: Verdict) -> list[str]:
    return [
        f"{p.severity}: {p.sentence()}"
        for p in verdict.problems
        if p.severity is not Severity.INFO
    ]
