"""A comparison for the terminal and the ticket: text and Markdown, from the same rows."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from memdiag.model.comparison import Comparison
from memdiag.model.verdict import HEATS
from memdiag.reports import comparison_rows as words
from memdiag.reports.plain import printable

WIDTH = 100

_TOO_WIDE = ((), ("p",), ("p", "eye"), ("p", "eye", "rate ratio"))
"""Columns left out, one step after the other, until the table fits; CSV and JSON have them all."""


def comparison_text(c: Comparison) -> str:
    """The page: the answer in three lines, each finding, the table, what would prove it, notes."""
    parts = [_answer(c)]
    if c.history is not None:
        parts.append("STAGES\n" + "\n".join(_wrap(line, 0, 3) for line in words.stages(c)))
        if c.history.tracks:
            parts.append("HISTORY\n" + _listed(map(words.track_words, c.history.tracks)))
    for number, change in enumerate(c.findings, 1):
        head = f"{number}. {words.finding_title(change)}: {change.kind.value.upper()}"
        parts.append(f"{_wrap(head, 0, 3)}\n{_wrap(change.because, 3, 3)}")
    parts.append(_table(c))
    for title, texts, mark in (
        ("TO PROVE IT", words.proof(c), "-"),
        ("CAUTION", cautions(c), "!"),
        ("NOTES", words.notes(c), "*"),
    ):
        if texts:
            parts.append(f"{title}\n{_listed(texts, mark)}")
    return printable("\n\n".join(part for part in parts if part) + "\n")


def _answer(c: Comparison) -> str:
    lines = [f"{c.outcome.value.upper()}: {c.headline}", c.why, f"DO: {c.todo}"]
    about = f"[{words.about(c.before)} -> {words.about(c.after)}, board {c.board.name or '?'}]"
    # Each of the three stays one line, so that the answer never scrolls.
    return "\n".join([*(words.clip(line, WIDTH) for line in lines), _wrap(about, 0, 1)])


def cautions(c: Comparison) -> tuple[str, ...]:
    """The cautions of the later verdict, where what is to be done puts heat on the board."""
    v = c.after_verdict
    if v is None or not any(f.action in HEATS for f in v.findings):
        return ()
    return v.cautions


def _table(c: Comparison) -> str:
    made, rest = words.rows(c)
    if not made:
        return rest
    from tabulate import tabulate

    filled = [i for i in range(len(words.HEADINGS)) if i < 2 or any(r[i] != "-" for r in made)]
    for left_out in _TOO_WIDE:
        kept = [i for i in filled if words.HEADINGS[i] not in left_out]
        grid = tabulate(
            [[r[i] for i in kept] for r in made],
            headers=[words.HEADINGS[i] for i in kept],
            colalign=[words.ALIGN[i] for i in kept],
            tablefmt="simple",
            disable_numparse=True,
        )
        if max(map(len, grid.splitlines())) <= WIDTH:
            break
    names = [words.HEADINGS[i] for i in kept]
    legend = ""
    if "rate ratio" in names:
        limits = f"{c.confidence * 100:g} % limits"
        legend = f"rate ratio: the rate after over the rate before, exact two-sided {limits}"
        legend += "; p two-sided, by Holm" if "p" in names else ""
    return "\n".join(part for part in (grid, legend, rest) if part)


def _listed(texts: Iterable[str], mark: str = "-") -> str:
    return "\n".join(
        textwrap.fill(t, WIDTH, initial_indent=f"{mark} ", subsequent_indent="  ") for t in texts
    )


def _wrap(text: str, first: int, rest: int) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=" " * first, subsequent_indent=" " * rest)


def comparison_markdown(c: Comparison) -> str:
    """The same page in Markdown; nothing from a dump can become markup."""
    from memdiag.reports.markdown import escape

    about = f"{words.about(c.before)} -> {words.about(c.after)}, board {c.board.name or '?'}"
    out = [
        f"## {escape(c.outcome.value)}: {escape(c.headline)}",
        "",
        escape(c.why),
        "",
        f"**{escape(c.todo)}**",
        "",
        escape(about),
        "",
    ]
    if c.history is not None:
        out += [*(f"- {escape(line)}" for line in words.stages(c)), ""]
        out += [*(f"- {escape(words.track_words(t))}" for t in c.history.tracks), ""]
    for change in c.findings:
        out += [
            f"### {escape(words.finding_title(change))}: {escape(change.kind.value)}",
            "",
            escape(change.because),
            "",
        ]
    made, rest = words.rows(c)
    if made:
        from tabulate import tabulate

        cells = [[escape(cell) for cell in row] for row in made]
        out += [
            tabulate(
                cells,
                headers=words.HEADINGS,
                tablefmt="github",
                colalign=words.ALIGN,
                disable_numparse=True,
            ),
            "",
        ]
    if rest:
        out += [escape(rest), ""]
    for title, texts in (
        ("To prove it", words.proof(c)),
        ("Caution", cautions(c)),
        ("Notes", words.notes(c)),
    ):
        if texts:
            out += [f"### {title}", "", *(f"- {escape(t)}" for t in texts), ""]
    for which, run in (("before", c.before), ("after", c.after)):
        out.append(f"{which}: dump sha256 `{run.source.sha256}`, {run.source.lines} lines  ")
    return printable("\n".join(out) + "\n")
