"""A page's figures as CSV, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import io

from memdiag.reports.page import Page

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def render(page: Page) -> str:
    """A header line and one line a row; an empty cell is 'the dump does not say'."""
    sheet = page.sheet()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(sheet.names)
    for row in sheet.rows:
        writer.writerow(_cell(value, sheet.digits) for value in row)
    return out.getvalue()


def _cell(value: object, digits: int | None) -> object:
    """Text that begins like a formula gets an apostrophe in front; numbers are left alone."""
    if isinstance(value, float) and digits is not None:
        return f"{value:.{digits}g}"
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return "" if value is None else value
