"""Two runs side by side: what each says of a link, matched by link and never by row order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from memdiag.boards import profiles
from memdiag.evidence import table
from memdiag.evidence.table import settle, width_in_ui, width_of
from memdiag.model.board import Board
from memdiag.model.quantities import Quantity
from memdiag.model.records import Channel, CountRow, Result, Run, Scope, TrainingRow
from memdiag.model.table import TableRow
from memdiag.model.verdict import Locus

Key = tuple[str | None, Channel | None, int | None, int | None]
"""(site, channel, rank, lane), as in the table."""

Condition = tuple[str | None, str | None]
"""(test, set point): counts are compared only where both are the same."""

Pair = tuple[int | None, int | None]
"""(bits, errors)."""

DQS = 8


@dataclass(frozen=True, slots=True)
class Shared:
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


@dataclass(slots=True)
class Link:
    """What one run says of one link. `repeats` holds, for each condition, one (bits, errors) for
    each attempt: tests differ in themselves and are no repeats of each other."""

    key: Key
    row: TableRow
    results: dict[str, Result] = field(default_factory=dict)
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


@dataclass(frozen=True, slots=True)
class Counts:
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


def gather(run: Run, board: Board) -> dict[Key, Link]:
    """Every link (or channel, or site, where a row names no more) the run speaks of."""
    links = {
        (row.site, row.channel, row.rank, row.lane): Link(
            (row.site, row.channel, row.rank, row.lane), row
        )
        for row in table.rows(run, board)
    }
    training: dict[Key, list[TrainingRow]] = {}
    for row in run.training:
        training.setdefault(_key(row.scope, board), []).append(row)
    for key, rows in training.items():
        links[key].results = table.last_results(rows)
        links[key].widths = _widths(rows, run.head.rate)
    counts: dict[Key, dict[Condition, dict[int | None, list[CountRow]]]] = {}
    for count in run.counts:
        here = counts.setdefault(_key(count.scope, board), {})
        here.setdefault((count.test, count.point), {}).setdefault(count.attempt, []).append(count)
    for key, conditions in counts.items():
        for condition, attempts in conditions.items():
            links[key].repeats[condition] = {a: _attempt(rows) for a, rows in attempts.items()}
        _fill_from_words(run, links[key])
    return links


def _key(scope: Scope, board: Board) -> Key:
    s = settle(scope, board)
    return (s.site, s.channel, s.rank, s.lane)


def _attempt(rows: Sequence[CountRow]) -> Pair:
    totals = table.totals_of(rows)
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
        if width is None or row.step == "level" or row.scope.dq is not None:
            continue
        in_ui = width_in_ui(width, rate)
        width = Quantity(in_ui, "UI") if in_ui is not None else width
        have = best.get((row.step, row.point))
        if have is None or (have.unit == width.unit and width.value > have.value):
            best[(row.step, row.point)] = width
    return best


def align(before: Iterable[Key], after: Iterable[Key]) -> list[tuple[Key | None, Key | None]]:
    """Pairs of keys that name one link, then those only one run names (the other None).

    A key that leaves a field open matches a fuller one where there is one such, and only one,
    on either side.
    """
    left, right = dict.fromkeys(before), dict.fromkeys(after)
    pairs: list[tuple[Key | None, Key | None]] = [(k, k) for k in left if k in right]
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


def may_be_one(a: Key, b: Key) -> bool:
    """Could both speak of one link, as far as each says?"""
    return all(x is None or y is None or x == y for x, y in zip(a, b, strict=True))


def _alike(a: Key, b: Key) -> bool:
    return a[3] == b[3] and may_be_one(a, b)


def covers(locus: Locus, key: Key, board: Board) -> bool:
    """Does a finding at that place speak of that link? The whole board covers all."""
    site, channel, rank, lane = key
    if locus.site is not None and not _at_site(locus.site, key, board):
        return False
    if locus.rail is not None and site not in {s.ref for s in board.sites_on_rail(locus.rail)}:
        return False
    if locus.partition is not None:
        block = {s.ref for s in board.partitions.get(locus.partition, ())}
        if site is not None and site not in block:
            return False
    pairs = ((locus.channel, channel), (locus.rank, rank), (locus.lane, lane))
    return all(x is None or y is None or x == y for x, y in pairs)


def _at_site(ref: str, key: Key, board: Board) -> bool:
    if key[0] is not None:
        return key[0] == ref
    owners = board.owners(Scope(None, *key[1:]))
    return [s.ref for s in owners] == [ref]


def common_board(before: Run, after: Run) -> Board:
    """The board to align by: the profile either run names, else what both runs' rows tell."""
    for run in (before, after):
        found, _ = profiles.for_run(run)
        if found.known:
            return found
    scopes = [
        CountRow(position=row.position, scope=row.scope)
        for run in (before, after)
        for row in (*run.training, *run.counts)
    ]
    return profiles.for_run(replace(before, counts=before.counts + tuple(scopes)))[0]


def lines_of(keys: Iterable[Key], board: Board) -> int:
    """How many data lines those links have together: 8 a lane, fewer where a package owns only
    part of one, all of the channel or site where no lane is named."""
    owned: set[tuple[Channel | None, int | None, int | None, int]] = set()
    for site, channel, rank, lane in keys:
        links = [
            link
            for s in board.sites
            if site is None or s.ref == site
            for link in s.links
            if (channel is None or link.channel == channel)
            and (rank is None or link.rank == rank)
            and (lane is None or link.lane == lane)
        ]
        if not links:
            owned.update((channel, rank, lane, dq) for dq in range(DQS))
        # Ranks share their data lines: they are tested one after the other.
        owned.update((k.channel, 0, k.lane, dq) for k in links for dq in k.dqs or range(DQS))
    return len(owned)
