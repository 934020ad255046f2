"""Two runs side by side: what each says of a link, matched by link and never by row order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.boards import profiles
from memdiag.evidence import table
from memdiag.evidence.measurements import Measurements, totals_of, width_in_ui, width_of
from memdiag.model import LANE_LINES, Board, Channel, CountRow, Place, Result, Run, TrainingRow
from memdiag.model.quantities import Quantity
from memdiag.model.table import TableRow

Condition = tuple[str | None, str | None]
"""(test, set point): counts are compared only where both are the same."""

Pair = tuple[int | None, int | None]
"""(bits, errors)."""


class Shared(Struct, frozen=True):
    """The tests and set points both runs counted under; None: one of them does not say, so that
    all are taken as the same."""

    tests: frozenset[str | None] | None = None
    points: frozenset[str | None] | None = None

    def holds(self, condition: Condition) -> bool:
        return all(
            mine is None or said in mine
            for mine, said in zip((self.tests, self.points), condition, strict=True)
        )


def shared(before: Run, after: Run) -> Shared:
    """What may be compared with what, over the counts of both runs."""
    if not before.counts or not after.counts:
        return Shared()

    def both(name: str) -> frozenset[str | None] | None:
        mine, theirs = ({getattr(row, name) for row in run.counts} for run in (before, after))
        return None if None in mine | theirs else frozenset(mine & theirs)

    return Shared(both("test"), both("point"))


class Link(Struct):
    """What one run says of one link. `repeats` holds, for each condition, one (bits, errors) for
    each attempt: tests differ in themselves and are no repeats of each other."""

    place: Place
    row: TableRow
    results: Mapping[str, Result] = field(default_factory=dict)
    widths: dict[tuple[str, str | None], Quantity] = field(default_factory=dict)
    repeats: dict[Condition, dict[int | None, Pair]] = field(default_factory=dict)

    def counts(self, shared: Shared) -> Counts:
        """The counts under the shared conditions; the table's own figures, which also draw on
        the error words, where no counts were printed."""
        if not self.repeats:
            return Counts(self.row.bits, self.row.errors, self.row.cells)
        by_attempt: dict[int | None, list[Pair]] = {}
        for condition, attempts in self.repeats.items():
            if shared.holds(condition):
                for attempt, pair in attempts.items():
                    by_attempt.setdefault(attempt, []).append(pair)
        kept = [pair for pairs in by_attempt.values() for pair in pairs]
        # Bits whose errors were not printed are no denominator of anything.
        told = [(b, e) for b, e in kept if b and e is not None]
        bits = _sum(b for b, _ in told or kept)
        errors = _sum(e for _, e in told or kept)
        whole = all(shared.holds(c) for c in self.repeats)
        if errors is None and whole:
            errors = self.row.errors
        cells = self.row.cells if whole else None
        if cells is None and errors == 0:
            cells = 0
        sums = tuple(
            (sum(b for b, e in pairs if b and e is not None), sum(e for b, e in pairs if b and e))
            for pairs in by_attempt.values()
        )
        repeats = tuple((b, e) for b, e in sums if b)
        return Counts(bits, errors, cells, repeats if len(repeats) > 1 else ())


class Counts(Struct, frozen=True):
    """Errors in bits, distinct failing cells, and the repeats they are the sum of (two or more,
    else empty). None: the dump does not say."""

    bits: int | None
    errors: int | None
    cells: int | None
    repeats: tuple[tuple[int, int], ...] = ()

    @property
    def rate(self) -> float | None:
        return self.errors / self.bits if self.bits and self.errors is not None else None


def _sum(values: Iterable[int | None]) -> int | None:
    said = [v for v in values if v is not None]
    return sum(said) if said else None


def gather(measured: Measurements) -> dict[Place, Link]:
    """Every link (or channel, or site, where a row names no more) the run speaks of."""
    run = measured.run
    links = {row.place: Link(row.place, row) for row in table.rows(measured)}
    for group in measured:
        link = links[group.place]
        link.results = group.results
        link.widths = _widths(group.training, run.head.rate)
        if group.counts:  # what a delay scan counts is no error rate
            link.repeats = _repeats(group.counts)
            _fill_from_words(run, link)
    return links


def _repeats(counts: Iterable[CountRow]) -> dict[Condition, dict[int | None, Pair]]:
    """One (bits, errors) for each condition and attempt."""
    rows: dict[Condition, dict[int | None, list[CountRow]]] = {}
    for row in counts:
        rows.setdefault((row.test, row.point), {}).setdefault(row.attempt, []).append(row)
    return {
        condition: {attempt: _attempt(found) for attempt, found in attempts.items()}
        for condition, attempts in rows.items()
    }


def _attempt(rows: Sequence[CountRow]) -> Pair:
    totals = totals_of(rows)
    return totals["bits"], totals["errors"]


def _fill_from_words(run: Run, link: Link) -> None:
    """Where bits were counted but errors not, the printed error words are the errors."""
    if run.errors is None or len(link.repeats) != 1:
        return
    ((condition, attempts),) = link.repeats.items()
    if len(attempts) == 1:
        ((attempt, (bits, errors)),) = attempts.items()
        if errors is None:
            link.repeats[condition] = {attempt: (bits, link.row.errors)}


def _widths(
    rows: Iterable[TrainingRow], rate: float | None
) -> dict[tuple[str, str | None], Quantity]:
    """The eye of each step and set point: the best candidate, in UI where that can be told."""
    best: dict[tuple[str, str | None], Quantity] = {}
    for row in rows:
        width = width_of(row)
        if width is None or row.step == "level" or row.place.dq is not None:
            continue
        in_ui = width_in_ui(width, rate)
        width = Quantity(in_ui, "UI") if in_ui is not None else width
        have = best.get((row.step, row.point))
        if have is None or (have.unit == width.unit and width.value > have.value):
            best[(row.step, row.point)] = width
    return best


def align(
    before: Iterable[Place], after: Iterable[Place]
) -> list[tuple[Place | None, Place | None]]:
    """Pairs of keys that name one link, then those only one run names (the other None).

    A key that leaves a field open matches a fuller one where there is one such, and only one,
    on either side.
    """
    left, right = dict.fromkeys(before), dict.fromkeys(after)
    pairs: list[tuple[Place | None, Place | None]] = [(k, k) for k in left if k in right]
    rest_left = [k for k in left if k not in right]
    rest_right = [k for k in right if k not in left]
    for a in rest_left:
        found = [b for b in rest_right if _alike(a, b)]
        if len(found) == 1 and [k for k in rest_left if _alike(k, found[0])] == [a]:
            pairs.append((a, found[0]))
    taken_left = {a for a, _ in pairs}
    taken_right = {b for _, b in pairs}
    pairs += [(a, None) for a in rest_left if a not in taken_left]
    pairs += [(None, b) for b in rest_right if b not in taken_right]
    return pairs


def _alike(a: Place, b: Place) -> bool:
    return a.lane == b.lane and a.meets(b)


def common_board(before: Run, after: Run) -> Board:
    """The board to align by: the profile either run names, else what both runs' rows tell."""
    for run in (before, after):
        found, _ = profiles.for_run(run)
        if found.known:
            return found
    both = tuple(
        CountRow(position=row.position, place=row.place)
        for run in (before, after)
        for row in (*run.training, *run.counts)
    )
    return profiles.for_run(replace(before, counts=before.counts + both))[0]


def lines_of(places: Iterable[Place], board: Board) -> int:
    """How many data lines those links have together: 8 a lane, fewer where a package owns only
    part of one, all of the channel or site where no lane is named."""
    owned: set[tuple[Channel | None, int | None, int | None, int]] = set()
    for place in places:
        links = [link for _, link in board.links(place)]
        if not links:
            owned.update((place.channel, place.rank, place.lane, dq) for dq in range(LANE_LINES))
        # Ranks share their data lines: they are tested one after the other.
        owned.update((k.channel, 0, k.lane, dq) for k in links for dq in k.dqs or range(LANE_LINES))
    return len(owned)
