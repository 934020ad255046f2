"""A page's figures as CSV, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import unicodedata

from memdiag.reports.page import Page
from memdiag.reports.plain import printable

_FORMULA = frozenset("=+-@")


def render(page: Page) -> str:
    """A header line and one line a row; an empty cell is 'the dump does not say'."""
    sheet = page.sheet()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_cell(name, None) for name in sheet.names)
    for row in sheet.rows:
        writer.writerow(_cell(value, sheet.digits) for value in row)
    return out.getvalue()


def _cell(value: object, digits: int | None) -> object:
    """Text that begins like a formula gets an apostrophe in front; numbers are left alone."""
    if isinstance(value, float) and digits is not None:
        return f"{value:.{digits}g}"
    if isinstance(value, str):
        shown = printable(value)
        return "'" + shown if _is_formula(shown) else shown
    return "" if value is None else value


def _is_formula(text: str) -> bool:
    """Whether some spreadsheet takes it for one: behind blanks too, and in wide, small or raised
    letters, which are the same by NFKC (Unicode annex 15)."""
    if text[:1] in ("\t", "\r", "\n"):
        return True
    return unicodedata.normalize("NFKC", text.lstrip()[:1])[:1] in _FORMULA
