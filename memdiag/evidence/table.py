"""Measurements -> the per-channel error table: sole owner of its denominators."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec.structs import replace

from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.measurements import Measured, Measurements, width_in_ui
from memdiag.model import ENDED, FAILED, Place, Result, TrainingRow
from memdiag.model.table import TableRow
from memdiag.stats import binomial_limits

_FROM_BEST = (ENDED[0], Result.NOT_RUN, *ENDED[1:])


def rows(measured: Measurements) -> tuple[TableRow, ...]:
    """The table of a run: the board's order of sites first, then channel, rank and lane."""
    order = {site.ref: i for i, site in enumerate(measured.board.sites)}
    run = measured.run
    name = run.head.id or run.source.name
    ordered = sorted(measured, key=lambda m: _sort_key(m.place, order))
    return tuple(_row(name, m, run.head.rate) for m in ordered)


def _sort_key(at: Place, order: dict[str, int]) -> tuple[Any, ...]:
    def part(value: int | str | None) -> tuple[int, int, str]:
        if value is None:
            return (0, 0, "")
        return (1, value, "") if isinstance(value, int) else (2, 0, value)

    first = (order[at.site], "") if at.site in order else (len(order), at.site or "")
    return (first, part(at.channel), part(at.rank), part(at.lane))


def _row(name: str, group: Measured, rate: float | None) -> TableRow:
    results = group.results
    ran = {step: r for step, r in results.items() if r is not Result.NOT_RUN}
    failed = [step for step, r in ran.items() if r in FAILED]
    worst = max(results.values(), key=_FROM_BEST.index).value if results else None
    totals = {**group.totals}
    if group.tally is not None:
        _fill_from_words(totals, group.tally)
    errors, bits = totals["errors"], totals["bits"]
    ber = low = high = None
    if bits and errors is not None and 0 <= errors <= bits:
        ber = errors / bits
        low, high = binomial_limits(errors, bits)
    at = group.place
    return TableRow(
        run=name,
        site=at.site,
        channel=at.channel,
        rank=at.rank,
        lane=at.lane,
        steps_run=len(ran),
        steps_failed=len(failed),
        first_failed_step=failed[0] if failed else None,
        worst_result=worst,
        width_ui=_narrowest(group.training, rate),
        bits=bits,
        errors=errors,
        ber=ber,
        ber_low=low,
        ber_high=high,
        rose=totals["rose"],
        fell=totals["fell"],
        edc_bad=totals["edc"],
        cells=totals["cells"],
    )


def _fill_from_words(totals: dict[str, int | None], tally: LaneTally) -> None:
    """What was not counted, from the error words themselves."""
    if totals["errors"] is None and not tally.blank:
        totals["errors"] = int(tally.wrong.sum())
    directions = tally.rose.sum() + tally.fell.sum()
    if totals["rose"] is None and totals["fell"] is None and directions:
        totals["rose"], totals["fell"] = int(tally.rose.sum()), int(tally.fell.sum())
    if totals["edc"] is None and tally.edc_ok + tally.edc_bad:
        totals["edc"] = tally.edc_bad
    if totals["cells"] is None and tally.cells:
        totals["cells"] = tally.cells


def _narrowest(training: Sequence[TrainingRow], rate: float | None) -> float | None:
    """The narrowest eye over the steps that have one, each by its best candidate."""
    best: dict[tuple[object, ...], float] = {}
    for row in training:
        width = width_in_ui(row.width, rate)
        if width is not None and row.step != "level":
            at = (row.step, row.point, row.place.line)
            best[at] = max(best.get(at, width), width)
    return min(best.values()) if best else None


def judged(
    table: Sequence[TableRow], causes: Mapping[Place, tuple[str, float]]
) -> tuple[TableRow, ...]:
    """The table with the verdict's cause and probability of each row filled in."""
    return tuple(
        replace(row, cause=hit[0], probability=hit[1]) if (hit := causes.get(row.place)) else row
        for row in table
    )
