"""A run, grouped by place once: what each link was seen to do, settled.

Rows of a dump name their place more or less fully. `settle` fills in what the board leaves no
choice about, so that the training row of `ch 3 lane 1` and the count row of `U2 lane 1` meet in
one group; it never guesses between two. The table, the evidence and the alignment of two runs all
read these groups: each step of each link is settled once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct, field

from memdiag.evidence import lane_tallies, scans
from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.scans import Sweep
from memdiag.model import ENDED, Board, CountRow, Place, Result, Run, TrainingRow
from memdiag.model.quantities import Quantity, scale
from memdiag.stats import windows

RETRY_MARGINAL = 3
"""A step that passed only after this many tries is read as marginal."""

_FROM_BEST = (ENDED[0], Result.NOT_RUN, *ENDED[1:])


class StepOutcome(Struct, frozen=True):
    """How one step ended at one set point, of the whole link or of one data line (`dq`).

    `last`: of the last attempt the best candidate, and of rows that contradict each other the
    worse one; a step not run counts as such. `ran`: the same
    of the last attempt that ran, marginal where a pass had to be tried for often: a configuration
    probed before the right one is not held against the place. None: it never ran. `line`: where
    its last row stands in the pasted text.
    """

    step: str
    point: str | None
    dq: int | None
    last: Result
    ran: Result | None
    line: int


class Measured(Struct, dict=True):
    """What a run says of one link (or channel, or site, where its rows name no more).

    `training` is without the rows of scans that stop before they are done; `unscanned` says which
    those are, each with the line where it stops. `counts` are those of whole tests, `swept` those
    taken at one point of a delay scan.
    """

    place: Place
    training: list[TrainingRow] = field(default_factory=list)
    counts: list[CountRow] = field(default_factory=list)
    swept: list[CountRow] = field(default_factory=list)
    tally: LaneTally | None = None
    unscanned: Mapping[Sweep, int] = field(default_factory=dict)

    @property
    def told(self) -> bool:
        """Whether anything but a delay scan speaks of it."""
        return bool(self.training or self.counts or self.unscanned or self.tally is not None)

    @cached_property
    def steps(self) -> tuple[StepOutcome, ...]:
        """Every step with a result, in the order of first mention."""
        return settle_steps(self.training)

    @cached_property
    def results(self) -> Mapping[str, Result]:
        """How each step ended; over set points and data lines, the worst."""
        ended: dict[str, Result] = {}
        for outcome in self.steps:
            before = ended.get(outcome.step, outcome.last)
            ended[outcome.step] = max(before, outcome.last, key=_FROM_BEST.index)
        return ended

    @cached_property
    def totals(self) -> Mapping[str, int | None]:
        """Sums of the counts, as `totals_of`."""
        return totals_of(self.counts)

    @cached_property
    def whole(self) -> Mapping[str, int | None]:
        """Sums of the counts that name no data line."""
        return totals_of(row for row in self.counts if row.place.dq is None)


class Measurements(Struct, frozen=True, dict=True):
    """All groups of a run by their places, in the order of first mention. Those that are only
    scanned are left out when they are gone through."""

    run: Run
    board: Board
    groups: Mapping[Place, Measured]

    def __iter__(self) -> Iterator[Measured]:
        return (group for group in self.groups.values() if group.told)

    @cached_property
    def tallies(self) -> tuple[LaneTally, ...]:
        """What the error words say of each lane, in the order of first mention."""
        return tuple(m.tally for m in self if m.tally is not None)


def measure(run: Run, board: Board) -> Measurements:
    """The measurements of a run on its board."""
    groups: dict[Place, Measured] = {}
    settled: dict[Place, Place] = {}

    def at(place: Place) -> Measured:
        link = settled.get(place)
        if link is None:
            link = settled[place] = settle(place, board).link
        return groups.setdefault(link, Measured(link))

    probes = scans.probes(run.training)
    placed = [(at(row.place), row) for row in run.training if (row.step, row.attempt) not in probes]
    open_ = scans.unfinished(
        ((group.place, row) for group, row in placed), complete=run.source.complete
    )
    for group, row in placed:
        if Sweep(group.place, row.step, row.point, row.attempt) not in open_:
            group.training.append(row)
    for sweep, line in open_.items():
        groups[sweep.place].unscanned = {**groups[sweep.place].unscanned, sweep: line}
    for count in run.counts:
        group = at(count.place)
        (group.swept if swept(count) else group.counts).append(count)
    tallies = lane_tallies.tallies(run.errors, board, lambda place: at(place).place)
    for tally in tallies:
        groups[tally.place].tally = tally
    # In an order of their own: what follows adds up in the order of the places.
    return Measurements(run, board, dict(sorted(groups.items(), key=lambda g: repr(g[0]))))


def settle(place: Place, board: Board) -> Place:
    """The place with site, channel, rank and lane filled in where the board leaves one choice."""
    site, channel, rank, lane = place.site, place.channel, place.rank, place.lane
    if site is None and channel is None and lane is not None and len(board.channels) == 1:
        channel = board.channels[0]
    if site is None and channel is not None:
        owners = Place(None, channel, rank, lane, place.dq).sites(board)
        owner = board.site(owners[0]) if len(owners) == 1 else None
        if owner is not None and owner.named:
            site = owner.ref
    here = board.site(site) if site is not None else None
    if here is not None and here.links:
        if channel is None and len(here.channels) == 1:
            channel = here.channels[0]
        at = Place(site, channel, rank, lane)
        mine = [] if channel is None else [link for _, link in board.links(at)]
        if lane is None and len({link.lane for link in mine}) == 1:
            lane = mine[0].lane
        if rank is None and board.known and len({link.rank for link in mine}) == 1:
            rank = mine[0].rank
    elif rank is None and board.known and channel is not None:
        ranks = {link.rank for _, link in board.links(Place(channel=channel))}
        if len(ranks) == 1:
            rank = ranks.pop()
    return Place(site, channel, rank, lane, place.dq)


def settle_steps(training: Iterable[TrainingRow]) -> tuple[StepOutcome, ...]:
    """The outcome of each step, set point and data line of one link's rows."""
    by_step: dict[tuple[str, str | None, int | None], list[TrainingRow]] = {}
    for row in training:
        by_step.setdefault((row.step, row.point, row.place.line), []).append(row)
    found = []
    for at, rows in by_step.items():
        if said := _with_results(rows):
            tries = [Try(r.attempt or 0, r.candidate, result, r.tries or 1) for r, result in said]
            line = said[-1][0].position.line
            found.append(StepOutcome(*at, _ended(tries), effective(tries), line))
    return tuple(found)


def _with_results(rows: Sequence[TrainingRow]) -> list[tuple[TrainingRow, Result]]:
    """The rows of one step that say how it ended. Where the last attempt says it in no word, but
    shows windows and no tap of them works, it looked everywhere and found no setting."""
    last = max(row.attempt or 0 for row in rows)
    latest = [row for row in rows if (row.attempt or 0) == last]
    said = [(row, row.result) for row in rows if row.result is not None]
    if all(row.result is None and _found_nothing(row) for row in latest):
        said += [(row, Result.NOT_FOUND) for row in latest if row.window is not None]
    return said


def _found_nothing(row: TrainingRow) -> bool:
    """Whether a row shows no setting that works."""
    sizes = (row.width, row.height)
    return "1" not in (row.window or "") and not any(size and size.value for size in sizes)


class Try(NamedTuple):
    """One row of a step: its attempt and candidate, its result, and how often the rig tried."""

    attempt: int
    candidate: str | None
    result: Result
    tries: int = 1


def _ended(tries: Sequence[Try]) -> Result:
    """The best candidate of the last attempt. Rows of one candidate say one thing: where they
    contradict each other the worse one stands, for nobody knows which is true."""
    last = max(each.attempt for each in tries)
    worst: dict[str | None, Result] = {}
    for each in tries:
        if each.attempt == last:
            before = worst.get(each.candidate, each.result)
            worst[each.candidate] = max(before, each.result, key=_FROM_BEST.index)
    return min(worst.values(), key=_FROM_BEST.index)


def effective(tries: Sequence[Try]) -> Result | None:
    """The result that stands for several attempts of one step (see `StepOutcome.ran`)."""
    ran = [each for each in tries if each.result is not Result.NOT_RUN]
    if not ran:
        return None
    last, best = max(each.attempt for each in ran), _ended(ran)
    most = max(each.tries for each in ran if each.attempt == last)
    return Result.MARGINAL if best is Result.PASS and most >= RETRY_MARGINAL else best


def swept(row: CountRow) -> bool:
    """Whether a count was taken at one point of a delay scan: no error rate of the lane."""
    return row.extra.get("delay", "-") not in ("-", "")


COUNTED = ("bits", "errors", "rose", "fell", "edc", "cells")


def totals_of(counts: Iterable[CountRow]) -> dict[str, int | None]:
    """Sums over tests and attempts. Where a test was counted for the lane and again for its data
    lines, the lane's own figure stands; data lines are summed only where it is missing."""
    by_test: dict[tuple[object, ...], tuple[list[CountRow], list[CountRow]]] = {}
    for row in counts:
        whole, lines = by_test.setdefault((row.test, row.attempt, row.point), ([], []))
        (whole if row.place.dq is None else lines).append(row)
    totals: dict[str, int | None] = dict.fromkeys(COUNTED)
    for whole, lines in by_test.values():
        for name in COUNTED:
            said = _said(whole, name) or _said(lines, name)
            if said:
                totals[name] = (totals[name] or 0) + sum(said)
    return totals


def _said(rows: list[CountRow], name: str) -> list[int]:
    return [value for row in rows if (value := getattr(row, name)) is not None]


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
    """The printed width, else the longest run of the window in taps, else what works to either side
    of the chosen point and that point; None where the sweep began inside of that eye."""
    if row.width is not None:
        return row.width
    if row.window is not None:
        measured = windows.measure(row.window, row.taps or 1.0, wraps=row.step == "level")
        return Quantity(measured.width, "tap")
    spread, delay = row.spread, row.delay
    if spread is None or (delay is not None and delay.value <= spread.value > 0):
        return None
    in_taps = spread.unit is None or scale(spread.unit)[1] == "tap"
    point = 1.0 if in_taps and spread.value > 0 else 0.0
    return Quantity(2 * spread.value + point, "tap" if in_taps else spread.unit)
