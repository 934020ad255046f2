"""docs/ledger.md tells every column of every view.

`MEMDIAG_WRITE_GOLDENS=1 python -m pytest tests/ledger/test_docs_of_views.py` writes it anew.
"""

from __future__ import annotations

from memdiag.model.ledger import VIEWS
from tests.support import schemas
from tests.support.pages import DOCS, hold


def told() -> str:
    parts = []
    for view, columns in VIEWS.items():
        rows = "".join(f"| `{c.name}` | {c.kind} | {c.says} |\n" for c in columns)
        parts.append(f"### `{view}`\n\n| column | holds | what it is |\n|---|---|---|\n{rows}")
    return "\n".join(parts)


def test_the_page_tells_every_column() -> None:
    hold(DOCS / "ledger.md", "views", told())


def test_the_schema_has_every_column() -> None:
    views = schemas.published("memdiag-ledger-1")["properties"]["views"]["properties"]
    assert {v: list(s["items"]["properties"]) for v, s in views.items()} == {
        view: [column.name for column in columns] for view, columns in VIEWS.items()
    }
