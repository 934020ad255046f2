"""The table as CSV: exactly the table's columns, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from memdiag.model.table import COLUMNS, TableRow

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def harmless(value: object) -> object:
    """Text that begins like a formula gets an apostrophe in front; numbers are left alone."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return value


def table_csv(table: Sequence[TableRow]) -> str:
    """A header line and one line a row; an empty cell is 'the dump does not say'."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in table:
        writer.writerow(
            "" if (v := getattr(row, name)) is None else harmless(v) for name in COLUMNS
        )
    return out.getvalue()
