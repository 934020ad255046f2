"""A line that matched -> the rows it gives: its cells, under the columns of the open section or by
a rule of the layout's own, with what headings say of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Cell, Match
from memdiag.model import Row, schema
from memdiag.model.problems import Position
from memdiag.reading import converters, row_builder
from memdiag.reading.section import Section

PositionOf = Callable[[int], Position]
"""The position in the pasted text of a 1-based column of the line at hand."""

ROW_KINDS = frozenset({*line_rules.RULES, "row", "rows"})
"""The line rules that give rows."""


class Refused(ValueError):
    """A row that cannot be kept: the problem's code, place and fields."""

    def __init__(self, code: str, where: Position, fields: dict[str, object]) -> None:
        self.code, self.where, self.fields = code, where, fields
        super().__init__(code)


def rows(
    found: Match,
    section: Section | None,
    context: Mapping[str, str],
    position: PositionOf,
    end: int,
) -> Iterator[Row]:
    """The rows of a line, one or several. `end` is the column after its last. Cells that it lacks
    are filled from what it says of all its rows and from the context. Raises `Refused`."""
    local: dict[str, str] = {}
    for part in found.parts or (found,):
        if part.kind == "context":
            local = merged(local, part.cells)
        elif part.kind in ROW_KINDS:
            yield _row(part, section, {**local, **context, **local}, position, end)


def _row(
    part: Match, section: Section | None, said: Mapping[str, str], position: PositionOf, end: int
) -> Row:
    kind, cells = line_rules.RULES.get(part.kind), part.cells
    own = kind is not None
    places: dict[str, int] = {}
    try:
        if kind is None:
            assert section is not None and section.kind is not None
            kind, cells = section.kind, section.named(cells, end)
        texts, places = gather(cells)
        if own:
            _mark_hex(texts)
        known = schema.columns(kind)
        for column, text in said.items():
            if column in known and column not in texts:
                texts[column] = text
        return row_builder.build(kind, texts, position(1))
    except converters.Wrong as wrong:
        if wrong.column.isdigit():
            at = int(wrong.column)
        else:
            at = places.get(wrong.column) or min(places.values(), default=1)
        fields = {"column": wrong.column, "section": kind, **wrong.fields}
        raise Refused(wrong.code, position(at), fields) from None


def _mark_hex(texts: dict[str, str]) -> None:
    """The layout's own pattern says what a hex word is, with 0x or without."""
    for name in schema.HEX:
        text = texts.get(name, "-")
        if text not in row_builder.UNSAID and text[:2] not in ("0x", "0X"):
            texts[name] = "0x" + text


def gather(found: Sequence[Cell]) -> tuple[dict[str, str], dict[str, int]]:
    """Cells by column, and where each stood. Two of one column are joined by a blank, the taps of
    a window by nothing."""
    texts: dict[str, str] = {}
    places: dict[str, int] = {}
    for cell in found:
        if not cell.column:
            continue
        tap = cell.column == line_rules.TAP
        column = "window" if tap else cell.column
        text = "-" if cell.text is None else cell.text
        if column in texts:
            texts[column] += text if tap else " " + text
        else:
            texts[column], places[column] = text, cell.at
    return texts, places


def merged(before: Mapping[str, str], found: Sequence[Cell]) -> dict[str, str]:
    """The context after another context line: what it sets replaces what was set before."""
    return {**before, **gather(found)[0]}
