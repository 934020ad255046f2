"""docs/batch.md tells every column of every data set.

`MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/depot/test_docs_of_columns.py` writes it anew.
"""

from __future__ import annotations

from memdiag.model.batch import DATASETS
from memdiag.model.table import COLUMNS
from tests.support.pages import DOCS, hold


def told() -> str:
    parts = []
    for dataset, columns in DATASETS.items():
        rows = "".join(f"| `{c.name}` | {c.kind} | {c.says} |\n" for c in columns)
        parts.append(f"### `{dataset}`\n\n| column | holds | what it is |\n|---|---|---|\n{rows}")
    return "\n".join(parts)


def test_the_page_tells_every_column() -> None:
    hold(DOCS / "batch.md", "columns", told())


def test_the_table_has_the_columns_of_the_error_table() -> None:
    assert tuple(c.name for c in DATASETS["tables"])[2:] == COLUMNS
