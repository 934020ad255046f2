"""Tables as DataFrames: for Python, and for files with typed columns."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from memdiag.model.table import COLUMNS, TableRow

if TYPE_CHECKING:
    import pandas as pd

_NULLABLE = {"int": "Int64", "int | None": "Int64", "float | None": "Float64"}
_DTYPES = {name: _NULLABLE.get(kind, "string") for name, kind in TableRow.__annotations__.items()}


def frame(table: Iterable[TableRow]) -> pd.DataFrame:
    """The table as a DataFrame with exactly `COLUMNS`; integers nullable, missing as NA.
    Channels are numbers where all of them are, else text."""
    import pandas as pd

    rows = list(table)
    columns = {name: [getattr(row, name) for row in rows] for name in COLUMNS}
    dtypes = dict(_DTYPES)
    if all(channel is None or isinstance(channel, int) for channel in columns["channel"]):
        dtypes["channel"] = "Int64"
    else:
        columns["channel"] = [None if c is None else str(c) for c in columns["channel"]]
    made = {name: pd.array(values, dtype=dtypes[name]) for name, values in columns.items()}
    return pd.DataFrame(made, columns=list(COLUMNS))
