"""One schema of tables and columns: records and converters hold to it."""

from __future__ import annotations

import pytest

from memdiag.model import records, schema
from memdiag.model.schema import Cell
from memdiag.reading.converters import CONVERTERS

RECORDS = {
    "training": records.TrainingRow,
    "counts": records.CountRow,
    "errors": records.ErrorRow,
    "rails": records.RailRow,
    "heat": records.HeatRow,
    "values": records.ValueRow,
}
WORKED_OUT = {
    # Fields that no one cell fills, and the cells they are worked out from.
    "errors": ({"wrong", "digits"}, {"read", "mask"}),
    "values": ({"value"}, set()),
}


@pytest.mark.parametrize("table", schema.TABLES)
def test_a_record_has_a_field_for_each_column_and_no_other(table: str) -> None:
    made, from_cells = WORKED_OUT.get(table, (set(), set()))
    row = set(records.Row.__struct_fields__)
    have = set(RECORDS[table].__struct_fields__) - row - made
    assert have == {c.fills for c in schema.TABLES[table]} - from_cells
    assert {c.fills for c in schema.SETTING_COLUMNS} <= row


def test_every_kind_of_cell_has_a_converter_and_a_use() -> None:
    used = {c.cell for table in schema.TABLES for c in schema.by_name(table).values()}
    assert used == set(Cell) == set(CONVERTERS)
