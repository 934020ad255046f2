"""A table as a Parquet file: the columns with their types."""

from __future__ import annotations

import io

from memdiag.reports.page import ColumnPage


def render(page: ColumnPage) -> bytes:
    """The whole file."""
    out = io.BytesIO()
    page.frame().to_parquet(out, index=False)
    return out.getvalue()
