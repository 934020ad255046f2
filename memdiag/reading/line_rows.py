"""A line that matched -> the rows it gives: its cells, under the columns of the open section or by
a rule of the layout's own, with what headings say of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

from msgspec import Struct, field

from memdiag.layouts import line_rules
from memdiag.layouts.matcher import Cell, Match
from memdiag.model import Lost, LostKind, Place, Row, schema
from memdiag.model.problems import Position
from memdiag.model.vocabulary import Vocabulary
from memdiag.reading import cell_values, placing, row_builder
from memdiag.reading.converters import Wrong
from memdiag.reading.placing import Placing
from memdiag.reading.repairs import Repair
from memdiag.reading.row_builder import Made
from memdiag.reading.section import Section

PositionOf = Callable[[int], Position]
"""The position in the pasted text of a 1-based column of the line at hand."""

ROW_KINDS = frozenset({*line_rules.RULES, "row", "rows"})
"""The line rules that give rows."""

_SAID = {"training": ("result",), "counts": ("bits", "errors")}
"""What rows of a table are printed to say: where a row lacks a cell, one of these may be it."""
_SITE = re.compile(r"[A-Za-z]+[0-9]+")
_SURE = 2  # cells after those of the place that must be readable, for the place to be believed
_ROW_COSTS, _CELL_COSTS = "the row is left out", "the rest of the row counts"


class Fault(Struct, frozen=True):
    """Something of a row that is not understood: the problem that tells it, and what is lost."""

    code: str
    where: Position
    fields: Mapping[str, object]
    lost: Lost


class LineRow(Struct, frozen=True):
    """One row of a line; `row` is None where nothing of it can stand. `whole` says that it lacks
    nothing and can be read in full: a row that a terminal cut does and can not."""

    row: Row | None
    faults: tuple[Fault, ...] = ()
    repairs: tuple[Repair, ...] = ()
    short: bool = field(default=False)

    @property
    def whole(self) -> bool:
        return self.row is not None and not self.faults and not self.short


class Setting(Struct, frozen=True):
    """What decides what a row says beside its own cells. `end` is the column after the line's
    last."""

    section: Section | None
    context: Mapping[str, str]
    words: Vocabulary
    position: PositionOf
    end: int


def rows(found: Match, at: Setting) -> Iterator[LineRow]:
    """The rows of a line, one or several. Cells that it lacks are filled from what it says of all
    its rows and from the context."""
    local: dict[str, str] = {}
    for part in found.parts or (found,):
        if part.kind == "context":
            local = merged(local, part.cells)
        elif part.kind in ROW_KINDS:
            said = {**local, **at.context, **local}
            kind = line_rules.RULES.get(part.kind)
            if kind is not None:
                yield _own_row(kind, part.cells, said, at)
            else:
                assert at.section is not None and at.section.table is not None
                yield _table_row(at.section, part.cells, said, at)


# -- a row by a rule of the layout's own --------------------------------------------------------


def _own_row(kind: str, cells: Sequence[Cell], said: Mapping[str, str], at: Setting) -> LineRow:
    texts, places = gather(cells)
    _mark_hex(texts)
    made = _build(kind, texts, said, at)
    return _line_row(kind, made, places, at)


def _mark_hex(texts: dict[str, str]) -> None:
    """The layout's own pattern says what a hex word is, with 0x or without."""
    for name in schema.HEX:
        text = texts.get(name, "-")
        if text not in row_builder.UNSAID and text[:2] not in ("0x", "0X"):
            texts[name] = "0x" + text


def _build(kind: str, texts: dict[str, str], said: Mapping[str, str], at: Setting) -> Made:
    known = schema.columns(kind)
    for column, text in said.items():
        if column in known and column not in texts:
            texts[column] = text
    return row_builder.build(kind, texts, at.position(1), at.words)


# -- a row under the columns of a table ---------------------------------------------------------


def _table_row(
    section: Section, found: Sequence[Cell], said: Mapping[str, str], at: Setting
) -> LineRow:
    assert section.table is not None and section.columns is not None
    kind, columns = section.table, section.columns
    plain: list[LineRow] = []  # with a cell for each column, some of which cannot be read
    for way in (placing.marked(found, columns), placing.exact(found, columns)):
        if way is not None:
            row = _placed(kind, way, said, at)
            if all(f.code != "bad-cell" for f in row.faults):
                return row
            plain.append(row)
    other = _otherwise(section, found, said, at)
    if other is not None:
        return other
    tied = None if plain else placing.forced(found, columns)
    if tied is not None:
        plain.append(_placed(kind, tied, said, at))
    kept = [row for row in plain if row.row is not None]
    return (*kept, *plain, _unplaced(section, found, at))[0]


def _otherwise(
    section: Section, found: Sequence[Cell], said: Mapping[str, str], at: Setting
) -> LineRow | None:
    """The row where its cells can be placed under the columns in one other way only."""
    assert section.table is not None and section.columns is not None
    kind = section.table
    fits = partial(_fits, kind, at.words)
    for ways in placing.others(found, section.columns, at.end, fits):
        made = [_placed(kind, way, said, at) for way in ways if _is_likely(way, at.words)]
        good = [row for row in made if all(f.code == "row-short" for f in row.faults)]
        if len(good) == 1:
            return good[0]
        if good or any(f.code == "contradiction" for row in made for f in row.faults):
            break  # it can be read in several ways, or as what cannot be: which one was meant?
    return None


def _placed(kind: str, way: Placing, said: Mapping[str, str], at: Setting) -> LineRow:
    texts, places = gather(way.cells)
    made = _build(kind, texts, said, at)
    faults: tuple[Fault, ...] = ()
    if way.short is not None and made.row is not None:
        unsaid = [name for name in _SAID.get(kind, ()) if _lacks(made.row, name, way)]
        faults = tuple(_short(kind, name, made.place, at) for name in unsaid)
    row = _line_row(kind, made, places, at, way.repairs)
    return LineRow(row.row, (*row.faults, *faults), row.repairs, way.short is not None)


def _lacks(row: Row, name: str, way: Placing) -> bool:
    return getattr(row, name) is None and any(cell.column == name for cell in way.cells)


def _short(kind: str, column: str, place: Place, at: Setting) -> Fault:
    where = at.position(at.end)
    lost = Lost(where, LostKind.CELL, f"the row lacks a cell and no {column}", place, column)
    return Fault("row-short", where, {"column": column, "section": kind}, lost)


def _fits(kind: str, words: Vocabulary, name: str, text: str) -> bool:
    """Whether a text can be a cell of that column."""
    column = schema.by_name(kind).get(name)
    if column is None or text in row_builder.UNSAID:
        return True
    if column.cell is schema.Cell.STEP and not cell_values.is_step(text, words):
        return False
    try:
        cell_values.read(column, text, words)
    except Wrong:
        return False
    return True


def _is_likely(way: Placing, words: Vocabulary) -> bool:
    """Cells that slipped by one column often put a result where the step stands."""
    steps = [cell.text or "-" for cell in way.cells if cell.column == "step"]
    return all(cell_values.is_step(text, words) for text in steps)


def _unplaced(section: Section, found: Sequence[Cell], at: Setting) -> LineRow:
    """A row that has too few cells or too many."""
    assert section.table is not None and section.columns is not None
    columns = section.columns
    over = len(found) > len(columns)
    where = at.position(max(found[len(columns)].at if over else at.end, 1))
    fields: dict[str, object] = {
        "found": len(found),
        "wanted": len(columns),
        "columns": " ".join(columns),
    }
    place = _likely_place(section.table, columns, found, at.words)
    says = f"a row of {len(found)} cells, where its table has {len(columns)} columns"
    lost = Lost(where, LostKind.ROW, says, None if place.is_board else place)
    return LineRow(None, (Fault("cell-count", where, fields, lost),))


def _likely_place(
    kind: str, columns: Sequence[str], found: Sequence[Cell], words: Vocabulary
) -> Place:
    """What its first cells say of where, as far as so many cells after them can be read that none
    of them can be another column's."""
    known = schema.by_name(kind)
    good = 0
    for name, cell in zip(columns, found, strict=False):
        if not _fits(kind, words, name, cell.text or "-"):
            break
        good += 1
    last = max((i for i, name in enumerate(columns) if name in schema.SCOPE), default=-1)
    sure = good >= min(len(found) - 1, last + 1 + _SURE)
    place = {}
    for name, cell in zip(columns[:good], found, strict=False):
        text = cell.text or "-"
        if name not in schema.SCOPE or text in row_builder.UNSAID:
            continue
        if sure or (name == "site" and _SITE.fullmatch(text)):
            place[known[name].fills] = cell_values.read(known[name], text, words)[0]
    return Place(**place)


# -- what could not be read ---------------------------------------------------------------------


def _line_row(
    kind: str, made: Made, places: Mapping[str, int], at: Setting, repairs: tuple[Repair, ...] = ()
) -> LineRow:
    lost_row = made.row is None
    faults = []
    for wrong in made.wrong:
        where = at.position(places.get(wrong.column) or min(places.values(), default=1))
        costs = _ROW_COSTS if lost_row else _CELL_COSTS
        fields = {"column": wrong.column, "section": kind, "costs": costs, **wrong.fields}
        lost = Lost(
            where,
            LostKind.ROW if lost_row else LostKind.CELL,
            _says(wrong),
            None if lost_row and made.place.is_board else made.place,
            None if lost_row else wrong.column,
        )
        faults.append(Fault(wrong.code, where, fields, lost))
    return LineRow(made.row, tuple(faults), (*repairs, *made.repairs))


def _says(wrong: Wrong) -> str:
    """What stood there, in words."""
    if wrong.code == "contradiction":
        return f"the row contradicts itself: {wrong.fields['why']}"
    if wrong.code == "cell-missing":
        return f"the row does not say its {wrong.column}"
    return f"{wrong.column} is {wrong.fields['found']!r}"


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
