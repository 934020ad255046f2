"""Tables of a strange dump: a line of headings, and lines of as many cells under it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from memdiag.layouts.line_rules import RULES
from memdiag.model import schema
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import cell_values, row_builder
from memdiag.reading.converters import Wrong

SEPARATORS = (",", ";", "|", " ")
"""What cells may be parted by, the blank last: any number of them."""
_LEAST_COLUMNS = 3
_LEAST_KNOWN = 0.6  # share of the headings that name a column

Numbered = tuple[int, str]
"""A line's number, from 1, and its text."""


class Headed(Struct, frozen=True):
    """A table: the line of its headings, what parts its cells, its rows. `edges`: the separator
    stands at both ends of a line too. `columns`: what each heading is taken for, None for nothing;
    `why` says so. `rule` is the line rule of its rows."""

    heading: Numbered
    separator: str
    edges: bool
    rows: tuple[Numbered, ...]
    rule: str
    columns: tuple[str | None, ...]
    why: tuple[str, ...]

    @property
    def numbers(self) -> Sequence[int]:
        """The numbers of its lines, that of its headings too."""
        return [number for number, _ in (self.heading, *self.rows)]

    def cells(self, text: str) -> list[str]:
        """The cells of one of its lines."""
        return _cells(text, self.separator)

    def texts(self, at: int) -> list[str]:
        """The cells under a heading."""
        return [self.cells(text)[at] for _, text in self.rows]


def headed(lines: Sequence[Numbered], words: Vocabulary) -> Iterator[Headed]:
    """The tables among these lines."""
    at = 0
    while at < len(lines):
        table = _table(lines, at, words)
        if table is not None:
            yield table
        at += 1 + (len(table.rows) if table is not None else 0)


def _table(lines: Sequence[Numbered], at: int, words: Vocabulary) -> Headed | None:
    for separator in SEPARATORS:
        headings = _cells(lines[at][1], separator)
        meant = [words.meant("column", heading) for heading in headings]
        known = [column for column in meant if column is not None]
        if len(headings) < _LEAST_COLUMNS or len(known) < _LEAST_KNOWN * len(headings):
            continue
        if any(any(c.isdigit() for c in heading) for heading in headings):
            continue  # a row: `U1 ch0 lane3 read`
        rows = []
        for line in lines[at + 1 :]:
            if len(_cells(line[1], separator)) != len(headings):
                break
            rows.append(line)
        if rows:
            return _guessed(lines[at], separator, tuple(rows), known, words)
    return None


def _cells(text: str, separator: str) -> list[str]:
    if separator == " ":
        return text.split()
    text = text.strip()
    if _has_edges(text, separator):
        text = text[1:-1]
    return [cell.strip() for cell in text.split(separator)]


def _has_edges(text: str, separator: str) -> bool:
    return separator == "|" and len(text) > 1 and text[0] == text[-1] == separator


def _guessed(
    heading: Numbered,
    separator: str,
    rows: tuple[Numbered, ...],
    known: Sequence[str],
    words: Vocabulary,
) -> Headed | None:
    table = _table_of(set(known))
    if table is None:
        return None
    edges = {_has_edges(text.strip(), separator) for _, text in (heading, *rows)}
    if len(edges) > 1:
        return None
    columns: list[str | None] = []
    why = []
    for at, name in enumerate(_cells(heading[1], separator)):
        texts = [_cells(text, separator)[at] for _, text in rows]
        column, reason = _column(name, table, texts, words)
        taken = column in columns
        columns.append(None if taken else column)
        why.append(f"a second {column}: skipped" if column and taken else reason)
    rule = next(rule for rule, of in RULES.items() if of == table)
    return Headed(heading, separator, edges.pop(), rows, rule, tuple(columns), tuple(why))


def _table_of(columns: set[str]) -> str | None:
    for table, telling in (
        ("errors", {"wrote", "mask"}),
        ("counts", {"bits", "errors"}),
        ("rails", {"ohms"}),
        ("training", {"result", "window", "width", "height"}),
    ):
        if telling & columns:
            return table
    return None


def _column(
    name: str, table: str, texts: Sequence[str], words: Vocabulary
) -> tuple[str | None, str]:
    column = words.meant("column", name)
    known = schema.by_name(table)
    if column is None or column not in known:
        return None, "no column of this table: skipped"
    for text in texts:
        if text in row_builder.UNSAID or column == "result":
            continue
        try:
            cell_values.read(known[column], text, words)
        except Wrong:
            return None, f"{text!r} cannot be {column}: skipped"
    return column, f"the heading {name!r}"
