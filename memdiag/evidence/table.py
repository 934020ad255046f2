"""Records -> the per-channel error table: sole owner of its denominators.

Rows of a dump name their place more or less fully. `settle` fills in what the board leaves no
choice about, so that the training row of `ch 3 lane 1` and the count row of `U2 lane 1` meet in
one table row; it never guesses between two.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from memdiag.evidence import lane_tallies
from memdiag.model.board import Board
from memdiag.model.quantities import Quantity
from memdiag.model.records import Channel, CountRow, Result, Run, Scope, TrainingRow
from memdiag.model.table import TableRow
from memdiag.stats import binomial_limits, windows

FAILED = frozenset({Result.FAIL, Result.NO_RESPONSE, Result.NOT_FOUND})
"""Results that end a step without a working setting."""

_WORST = (
    Result.PASS,
    Result.NOT_RUN,
    Result.MARGINAL,
    Result.FAIL,
    Result.NOT_FOUND,
    Result.NO_RESPONSE,
)


Key = tuple[str | None, Channel | None, int | None, int | None]


def settle(scope: Scope, board: Board) -> Scope:
    """The scope with site, channel, rank and lane filled in where the board leaves one choice."""
    site, channel, rank, lane = scope.site, scope.channel, scope.rank, scope.lane
    if site is None and channel is None and lane is not None and len(board.channels) == 1:
        channel = board.channels[0]
    if site is None and channel is not None:
        owners = board.owners(Scope(None, channel, rank, lane, scope.dq))
        if len(owners) == 1 and owners[0].named:
            site = owners[0].ref
    here = board.site(site) if site is not None else None
    if here is not None and here.links:
        if channel is None and len(here.channels) == 1:
            channel = here.channels[0]
        mine = [
            link
            for link in here.links
            if channel is not None
            and link.channel == channel
            and (rank is None or link.rank == rank)
            and (lane is None or link.lane == lane)
        ]
        if lane is None and len({link.lane for link in mine}) == 1:
            lane = mine[0].lane
        if rank is None and board.known and len({link.rank for link in mine}) == 1:
            rank = mine[0].rank
    elif rank is None and board.known and channel is not None:
        ranks = {k.rank for s in board.sites for k in s.links if k.channel == channel}
        if len(ranks) == 1:
            rank = ranks.pop()
    return Scope(site, channel, rank, lane, scope.dq)


def swept(row: CountRow) -> bool:
    """Whether a count was taken at one point of a delay scan: no error rate of the lane."""
    return row.extra.get("delay", "-") not in ("-", "")


def width_in_ui(width: Quantity | None, rate: float | None) -> float | None:
    """An eye width in unit intervals; None where it is in taps or the line rate is unknown."""
    if width is None:
        return None
    if width.unit == "UI":
        return width.value
    if width.unit == "%":
        return width.value / 100
    try:
        seconds = width.in_unit("s")
    except ValueError:
        return None
    return None if not rate else seconds * rate


def width_of(row: TrainingRow) -> Quantity | None:
    """The printed width, else the longest run of the window in taps."""
    if row.width is not None:
        return row.width
    if row.window is None:
        return None
    measured = windows.measure(row.window, row.taps or 1.0, wraps=row.step == "level")
    return Quantity(measured.width, "tap")


@dataclass(slots=True)
class _Gather:
    training: list[TrainingRow] = field(default_factory=list)
    counts: list[CountRow] = field(default_factory=list)
    tally: lane_tallies.LaneTally | None = None


def rows(run: Run, board: Board) -> tuple[TableRow, ...]:
    """The table of a run: boards' order of sites first, then channel, rank and lane."""
    groups: dict[Key, _Gather] = {}

    def at(scope: Scope) -> _Gather:
        s = settle(scope, board)
        return groups.setdefault((s.site, s.channel, s.rank, s.lane), _Gather())

    for row in run.training:
        at(row.scope).training.append(row)
    for count in run.counts:
        if not swept(count):
            at(count.scope).counts.append(count)
    for tally in lane_tallies.tallies(run.errors, board):
        at(Scope(tally.site, tally.channel, tally.rank, tally.lane)).tally = tally
    order = {site.ref: i for i, site in enumerate(board.sites)}
    name = run.head.id or run.source.name
    keys = sorted(groups, key=lambda k: _sort_key(k, order))
    return tuple(_row(name, key, groups[key], run.head.rate) for key in keys)


def _sort_key(key: Key, order: dict[str, int]) -> tuple[Any, ...]:
    def part(value: int | str | None) -> tuple[int, int, str]:
        if value is None:
            return (0, 0, "")
        return (1, value, "") if isinstance(value, int) else (2, 0, value)

    site, channel, rank, lane = key
    first = (len(order), site or "") if site not in order else (order[site], "")
    return (first, part(channel), part(rank), part(lane))


def _row(name: str, key: Key, group: _Gather, rate: float | None) -> TableRow:
    ended = last_results(group.training)
    ran = {step: r for step, r in ended.items() if r is not Result.NOT_RUN}
    failed = [step for step, r in ran.items() if r in FAILED]
    results = list(ended.values())
    worst = max(results, key=_WORST.index).value if results else None
    totals = totals_of(group.counts)
    errors, bits = totals["errors"], totals["bits"]
    rose, fell, edc, cells = (totals[k] for k in ("rose", "fell", "edc", "cells"))
    if group.tally is not None:
        t = group.tally
        if errors is None:
            errors = int(t.wrong.sum())
        directions = t.rose.sum() + t.fell.sum()
        if rose is None and fell is None and directions:
            rose, fell = int(t.rose.sum()), int(t.fell.sum())
        if edc is None and t.edc_ok + t.edc_bad:
            edc = t.edc_bad
        if cells is None and t.cells:
            cells = len(t.cells)
    ber = low = high = None
    if bits and errors is not None and 0 <= errors <= bits:
        ber = errors / bits
        low, high = binomial_limits(errors, bits)
    return TableRow(
        name,
        *key,
        len(ran),
        len(failed),
        failed[0] if failed else None,
        worst,
        _narrowest(group.training, rate),
        bits,
        errors,
        ber,
        low,
        high,
        rose,
        fell,
        edc,
        cells,
    )


def last_results(training: Iterable[TrainingRow]) -> dict[str, Result]:
    """How each step ended: the last attempt counts; within it, over candidates, the best;
    over set points and data lines, the worst."""
    grouped: dict[tuple[str, str | None, int | None], dict[int, list[Result]]] = {}
    for row in training:
        if row.result is not None:
            attempts = grouped.setdefault((row.step, row.point, row.scope.dq), {})
            attempts.setdefault(row.attempt or 0, []).append(row.result)
    ended: dict[str, Result] = {}
    for (step, _, _), attempts in grouped.items():
        final = min(attempts[max(attempts)], key=_WORST.index)
        ended[step] = max(ended.get(step, final), final, key=_WORST.index)
    return ended


def _narrowest(training: Sequence[TrainingRow], rate: float | None) -> float | None:
    """The narrowest eye over the steps that have one, each by its best candidate."""
    best: dict[tuple[str, str | None, int | None], float] = {}
    for row in training:
        width = width_in_ui(row.width, rate)
        if width is not None and row.step != "level":
            at = (row.step, row.point, row.scope.dq)
            best[at] = max(best.get(at, width), width)
    return min(best.values()) if best else None


_COUNTED = ("bits", "errors", "rose", "fell", "edc", "cells")


def totals_of(counts: Iterable[CountRow]) -> dict[str, int | None]:
    """Sums over tests and attempts. Where a test was counted for the lane and again for its data
    lines, the lane's own figure stands; data lines are summed only where it is missing."""
    by_test: dict[tuple[object, ...], tuple[list[CountRow], list[CountRow]]] = {}
    for row in counts:
        whole, lines = by_test.setdefault((row.test, row.attempt, row.point), ([], []))
        (whole if row.scope.dq is None else lines).append(row)
    totals: dict[str, int | None] = dict.fromkeys(_COUNTED)
    for whole, lines in by_test.values():
        for name in _COUNTED:
            said = [v for r in whole if (v := getattr(r, name)) is not None] or [
                v for r in lines if (v := getattr(r, name)) is not None
            ]
            if said:
                totals[name] = (totals[name] or 0) + sum(said)
    return totals


def judged(table: Sequence[TableRow], causes: dict[Key, tuple[str, float]]) -> tuple[TableRow, ...]:
    """The table with the verdict's cause and probability of each row filled in."""
    return tuple(
        replace(row, cause=hit[0], probability=hit[1])
        if (hit := causes.get((row.site, row.channel, row.rank, row.lane)))
        else row
        for row in table
    )
