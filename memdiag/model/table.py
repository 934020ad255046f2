"""The per-channel error table: its columns and their types, as rows and as a DataFrame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from memdiag.model.place import Channel, Place

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class TableRow:
    """One (run, site, channel, rank, lane). `lane` is None where only the channel or the site is
    known. Rates are errors per bit compared; `ber_low` and `ber_high` are the exact two-sided
    95 % limits (Clopper and Pearson 1934). None: the dump does not say."""

    run: str
    site: str | None
    channel: Channel | None
    rank: int | None
    lane: int | None
    steps_run: int
    steps_failed: int
    first_failed_step: str | None
    worst_result: str | None
    width_ui: float | None
    bits: int | None
    errors: int | None
    ber: float | None
    ber_low: float | None
    ber_high: float | None
    rose: int | None
    fell: int | None
    edc_bad: int | None
    cells: int | None
    cause: str | None = None
    probability: float | None = None

    @property
    def place(self) -> Place:
        """The link of the row."""
        return Place(self.site, self.channel, self.rank, self.lane)


COLUMNS = tuple(TableRow.__dataclass_fields__)

_INTEGERS = (
    "rank",
    "lane",
    "steps_run",
    "steps_failed",
    "bits",
    "errors",
    "rose",
    "fell",
    "edc_bad",
    "cells",
)
_FLOATS = ("width_ui", "ber", "ber_low", "ber_high", "probability")


def frame(table: Iterable[TableRow]) -> pd.DataFrame:
    """The table as a DataFrame with exactly `COLUMNS`; integers nullable, missing as NA."""
    import pandas as pd

    columns: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    for row in table:
        for name in COLUMNS:
            columns[name].append(getattr(row, name))
    made: dict[str, Any] = {}
    for name, values in columns.items():
        if name in _INTEGERS:
            made[name] = pd.array(values, dtype="Int64")
        elif name in _FLOATS:
            made[name] = pd.array(values, dtype="Float64")
        elif name == "channel":
            numeric = all(v is None or isinstance(v, int) for v in values)
            made[name] = pd.array(
                values if numeric else [None if v is None else str(v) for v in values],
                dtype="Int64" if numeric else "string",
            )
        else:
            made[name] = pd.array(values, dtype="string")
    return pd.DataFrame(made, columns=list(COLUMNS))
