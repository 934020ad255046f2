"""Views of the ledger as DataFrames, for files with typed columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from memdiag.model.ledger import VIEWS, Row

if TYPE_CHECKING:
    import pandas as pd

_KINDS = {"text": "string", "integer": "Int64", "real": "Float64", "boolean": "boolean"}


def view_frame(view: str, rows: Sequence[Row]) -> pd.DataFrame:
    """Rows of a view of the ledger as a DataFrame with exactly its columns, missing as NA."""
    import pandas as pd

    made = {
        column.name: pd.array([row[column.name] for row in rows], dtype=_KINDS[column.kind])
        for column in VIEWS[view]
    }
    return pd.DataFrame(made, columns=[column.name for column in VIEWS[view]])
