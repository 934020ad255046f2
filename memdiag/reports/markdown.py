"""A page as Markdown, ready to paste into a ticket. Text of the dump cannot become markup."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from memdiag.model import Quote
from memdiag.model.words import AS_DECLARED
from memdiag.reports.answers import Answer, Item, Outcome, Together, what
from memdiag.reports.page import Grid, Page, Part, Row, Statement
from memdiag.reports.plain import printable

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>()#+!|~$@&-])")

# What some reader makes a link of though nothing marks it as one: GitHub's autolinks (GFM 6.9), and
# names of hosts, which others link too. A name of a file looks the same.
_ADDRESS = re.compile(r"//|www\.|@|(?:mailto|xmpp):|\.[^\W\d_]{2}", re.IGNORECASE)
_PIECE = re.compile(r"([\s`|]+)")


def escape(text: object) -> str:
    """Text with every character that Markdown, HTML or a table would act on made plain, and every
    address, which needs none of them, as code: that is linked nowhere."""
    flat = " ".join(str(text).split())
    return "".join(map(_escaped, _PIECE.split(flat)))


def _escaped(piece: str) -> str:
    if not _ADDRESS.search(piece):
        return _plain(piece)
    behind = piece.lstrip("([\"'")
    address = behind.rstrip(")]\"'.,:;!?")
    before, after = piece[: len(piece) - len(behind)], behind[len(address) :]
    return f"{_plain(before)}`{address}`{_plain(after)}"


def _plain(text: str) -> str:
    return _SPECIAL.sub(
        lambda m: f"&#{ord(m.group())};" if m.group() in "<>&@|`" else "\\" + m.group(), text
    )


def render(page: Page) -> str:
    """The same page as on the terminal, in Markdown."""
    parts = page.parts()
    return printable("\n".join("\n".join(_part(p, titled=len(parts) > 1)) + "\n" for p in parts))


def _part(part: Part, *, titled: bool) -> list[str]:
    out = [f"## {escape(part.title)}", ""] if titled and part.title else []
    out += [line for text in _answer(part.answer) for line in (text, "")]
    for each in (*part.lost, *part.lists):
        out += _listed(escape(each.title), each.texts)
    if part.story is not None:
        out += _listed("Story", (chapter.line for chapter in part.story.chapters))
        out += _grid(part.story.grid)
    out += _listed("", part.stages) + _listed("", part.tracks)
    for told in part.findings:
        out += [*(_item(told) if isinstance(told, Item) else _together(told)), ""]
    for change in part.changes:
        if change.finding:
            out += [f"### {escape(change.title)}: {escape(change.kind)}", ""]
            out += [escape(change.because), ""]
    if part.grid is not None:
        out += _grid(part.grid)
    for title, texts in (
        ("", part.said),
        ("Next", part.next),
        ("To prove it", part.proof),
        ("Caution", part.cautions),
        ("Notes", part.notes),
    ):
        out += _listed(title, texts)
    if part.prints:
        return out + [f"{which}dump sha256 `{sha}`, {size}" for which, sha, size in part.prints]
    return out[:-1]


def _answer(answer: Answer | Outcome | Statement | None) -> list[str]:
    """The paragraphs of the answer."""
    if isinstance(answer, Answer):
        made = [f"## {escape(answer.text or f'{answer.place}: {what(answer)}')}"]
        if answer.here:
            made.append(
                f"Where: **{escape(answer.place)}**, {escape(answer.here)}  \n"
                f"What: {escape(what(answer))}"
            )
        made.append(f"**{escape(answer.do)}**")
        return made + ([escape(answer.known)] if answer.known else [])
    if isinstance(answer, Outcome):
        made = [f"## {escape(answer.word)}: {escape(answer.headline)}", escape(answer.why)]
        made += [f"**{escape(answer.do)}**"]
        made += [f"Also: {escape(text)}" for text in answer.also]
        made += [escape(f"The runs differ: {'; '.join(answer.beside)}.")] if answer.beside else []
        return [*made, escape(answer.about)]
    if answer is None:
        return []
    made = [f"## {escape(answer.says)}", "  \n".join(map(escape, answer.more))]
    if answer.grid is not None:
        made += [escape(answer.grid.title), _table(answer.grid, answer.grid.rows)]
    return made


def _item(f: Item) -> list[str]:
    place = f"{f.where}, fault here {f.here}" if f.here else f.where
    causes = f"{f.cause} ({AS_DECLARED})" if f.expected else what(f)
    because = f", because of {f.because_of}" if f.because_of else ""
    out = [f"### {escape(f'{place}: {causes}{because}')} -> {f.action}", "", escape(f.reason), ""]
    return [*out, *map(_quote, f.quotes)]


def _together(group: Together) -> list[str]:
    """Sites disturbed by one fault: named together, with the strongest line of each."""
    first = group.items[0]
    sites = ", ".join(escape(f.where) for f in group.items)
    out = [f"### {sites}: {first.cause} because of {escape(first.because_of)}, {first.action}", ""]
    out += [*map(escape, group.says), ""]
    return out + [_quote(q) for f in group.items for q in f.quotes[:1]]


def _quote(quote: Quote) -> str:
    return f"- {'' if quote.line is None else f'line {quote.line}: '}{escape(quote.says)}"


def _grid(grid: Grid) -> list[str]:
    brief = bool(grid.gists)
    rows = grid.loud if brief else grid.rows
    out = [_table(grid, rows), ""] if rows else []
    return out + [line for gist in grid.gists for line in (escape(gist), "")]


def _table(grid: Grid, rows: Sequence[Row]) -> str:
    from tabulate import tabulate

    shown = [i for i, column in enumerate(grid.columns) if not column.more]
    text: str = tabulate(
        [[escape(row.cells[i]) for i in shown] for row in rows],
        headers=[grid.columns[i].heading for i in shown],
        tablefmt="github",
        colalign=["right" if grid.columns[i].right else "left" for i in shown],
        disable_numparse=True,
    )
    return text


def _listed(title: str, texts: Iterable[str]) -> list[str]:
    lines = [f"- {escape(t)}" for t in texts]
    return [f"### {title}", ""] * bool(title and lines) + lines + [""] * bool(lines)
