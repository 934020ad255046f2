"""How the lines of one shape become rows of a table: which field fills which column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from memdiag.layouts.row_shapes import Shape, Taken
from memdiag.model import schema

WHOLE = {
    table: tuple(c.name for c in schema.TABLES[table] if c.cell is schema.Cell.WHOLE)
    for table in ("errors", "counts")
}
"""The columns of whole numbers of each table."""
TABLES = tuple(WHOLE)
"""The tables that can be read in columns."""

KEYS = (*schema.SCOPE, *schema.SETTING)
"""The columns that say where and under which setting a row was measured."""
LATE = frozenset({*KEYS, "test"})
"""Columns that rows may take from a heading after they were read."""
FIELD_OF = {c.name: c.fills for c in (*schema.PLACE_COLUMNS, *schema.SETTING_COLUMNS)}
"""The field of a key that each of them fills."""


class RowPlan(Struct, frozen=True, eq=False):
    """How the lines of one shape become rows of a table: for each column, the field it is in or
    its fixed text. `own` is True for a rule of the layout's own, False for cells under columns."""

    shape: Shape
    table: str
    columns: Mapping[str, int | str]
    own: bool

    @property
    def wanted(self) -> Mapping[int, str]:
        """For each field that is wanted: `numbers` (many different ones) or `words` (few)."""
        return {
            field: "numbers" if column in schema.bulk_columns(self.table) else "words"
            for column, field in self.columns.items()
            if isinstance(field, int)
        }


def row_plan(shape: Shape, table: str, header: Sequence[str] | None) -> RowPlan | None:
    """The plan for a shape. `header` names the columns of the open table, None for a rule of the
    layout's own. None where the table has columns that cannot be read this way."""
    columns: dict[str, int | str] = {}
    for taken in shape.taken:
        name = taken.column if header is None else header[int(taken.column)]
        columns[name] = _source(taken)
    if any(name not in schema.columns(table) for name in columns):
        return None
    if header is None and table == "errors" and not _says_words(columns):
        return None
    return RowPlan(shape, table, columns, header is None)


def _source(taken: Taken) -> int | str:
    return taken.field if taken.field is not None else taken.value or ""


def _says_words(columns: Mapping[str, object]) -> bool:
    return "mask" in columns or ("wrote" in columns and "read" in columns)
