"""One schema of tables and columns: records, converters and the docs' list hold to it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest

from memdiag.model import records, schema, vocabulary
from memdiag.model.schema import Cell, Column
from memdiag.reading.converters import CONVERTERS

PAGE = Path(__file__).resolve().parents[2] / "docs" / "bench.md"
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
    row = {f.name for f in fields(records.Row)}
    have = {f.name for f in fields(RECORDS[table])} - row - made
    assert have == {c.fills for c in schema.TABLES[table]} - from_cells
    assert {c.fills for c in schema.SETTING_COLUMNS} <= row


def test_every_kind_of_cell_has_a_converter_and_a_use() -> None:
    used = {c.cell for table in schema.TABLES for c in schema.by_name(table).values()}
    assert used == set(Cell) == set(CONVERTERS)


def _written(column: Column) -> str:
    word = f"`{column.name}`" + (" (needed)" if column.needed else "")
    return f"{word}: {column.says}" if column.says else word


def column_list() -> str:
    """The page's list of columns."""
    scope = "; ".join(_written(c) for c in (*schema.PLACE_COLUMNS, *schema.SETTING_COLUMNS))
    rows = [f"| any table | {scope} |"]
    rows += [
        f"| `[{table}]` | {'; '.join(_written(c) for c in own)} |"
        for table, own in schema.TABLES.items()
    ]
    return "\n".join(("| section | columns |", "|---|---|", *rows)) + "\n"


def word_list() -> str:
    """The page's list of other words."""
    rows = [
        f"| {CALLED[kind]} | `{word}` | {', '.join(f'`{w}`' for w in others.split())} |"
        for kind, table in vocabulary.SHIPPED.items()
        for word, others in table.items()
    ]
    return "\n".join(("| where | word | also |", "|---|---|---|", *rows)) + "\n"


CALLED = {
    "result": "result",
    "step": "step",
    "trend": "trend",
    "link": "link check",
    "column": "column",
}


@pytest.mark.parametrize(("name", "made"), [("columns", column_list), ("words", word_list)])
def test_the_page_has_the_lists_of_the_code(name: str, made: Callable[[], str]) -> None:
    text = PAGE.read_text(encoding="utf-8")
    marked = re.compile(rf"(?<=<!-- {name} -->\n).*?(?=<!-- end of {name} -->)", re.DOTALL)
    assert len(marked.findall(text)) == 1
    if os.environ.get("MEMDIAG_WRITE_GOLDENS"):
        PAGE.write_text(marked.sub(lambda _: made(), text), encoding="utf-8")
        return
    assert marked.findall(text) == [made()], "write it anew: MEMDIAG_WRITE_GOLDENS=1"
