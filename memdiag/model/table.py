"""The per-channel error table: its columns and their types."""

from __future__ import annotations

from msgspec import Struct

from memdiag.model.place import Channel, Place


class TableRow(Struct, frozen=True):
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


COLUMNS = tuple(TableRow.__struct_fields__)
