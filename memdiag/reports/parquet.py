"""The error table as a Parquet file: the columns with their types."""

from __future__ import annotations

import io

from memdiag.reports.frame import frame
from memdiag.reports.page import TablePage


def render(page: TablePage) -> bytes:
    """The whole file. Raises ImportError without pyarrow."""
    out = io.BytesIO()
    frame(page.rows).to_parquet(out, index=False)
    return out.getvalue()
