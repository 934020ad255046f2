"""Counts and error rows against one another."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterator

from memdiag.model import Board, CountRow, Place, Run
from memdiag.model.error_log import EDC_BAD, EDC_OK, ErrorLog, LogKey
from memdiag.model.problems import Position, Problem, problem
from memdiag.reading.checks.common import Sightings, few, measured, rows_text

_COLDEST, _HOTTEST = -55.0, 130.0
"""Degrees Celsius. Memory is graded for -40 to 95 or 105 C of its case, special grades to 125 C
(common practice, no source)."""

_MANY_ROWS, _MANY_PLACES = 50, 3  # link check good on so many rows of so many channels is odd


def directions(run: Run, board: Board) -> Iterator[Problem]:
    """Counts whose two directions do not add up to the errors, where all three are said."""
    found = [
        problem(
            "directions-short",
            row.position,
            what=row.place.as_row(),
            rose=row.rose,
            fell=row.fell,
            errors=row.errors,
        )
        for row in run.counts
        if row.rose is not None
        and row.fell is not None
        and row.errors is not None
        and row.rose + row.fell < row.errors
    ]
    yield from few("directions-short", found)


def _counted(row: CountRow) -> Hashable:
    return (row.place, row.test, row.attempt, row.point, row.temp, tuple(sorted(row.extra.items())))


def counted_twice(run: Run, board: Board) -> Iterator[Problem]:
    """Counts of one test and place printed twice, of the same bits but different."""
    first: dict[Hashable, CountRow] = {}
    found = []
    for row in run.counts:
        key = (_counted(row), row.bits)
        before = first.setdefault(key, row)
        if before is row or row.bits is None:
            continue
        if before.errors != row.errors:
            found.append(
                problem(
                    "counts-contradict",
                    row.position,
                    what=row.place.as_row(),
                    now=row.errors,
                    before=before.errors,
                    line=before.position.line,
                    bits=f"{row.bits:,}",
                )
            )
    yield from few("counts-contradict", found)


def _channel(of: CountRow | LogKey) -> Place:
    """The channel of a site, as far as both are named."""
    return Place(of.place.site, of.place.channel)


def _by_place(run: Run, value: str) -> dict[Place, int]:
    """Sums of a count by (site, channel), where every row of it says the count."""
    sums: dict[Place, int] = defaultdict(int)
    unsaid: set[Place] = set()
    for row in run.counts:
        place = _channel(row)
        number = getattr(row, value)
        if number is None:
            unsaid.add(place)
        else:
            sums[place] += number
    return {place: n for place, n in sums.items() if place not in unsaid}


def not_counted(run: Run, board: Board) -> Iterator[Problem]:
    """Error rows of a place whose counts say that there was no error."""
    if run.errors is None:
        return
    counted = _by_place(run, "errors")
    first, rows = run.errors.extents()
    seen: dict[Place, list[int]] = {}
    for key, line, n in zip(run.errors.keys, first, rows, strict=True):
        place = _channel(key)
        if counted.get(place) == 0:
            at = seen.setdefault(place, [line, 0])
            at[0], at[1] = min(at[0], line), at[1] + n
    found = [
        problem("errors-not-counted", Position(line), what=place, rows=rows_text(n))
        for place, (line, n) in seen.items()
    ]
    yield from few("errors-not-counted", found)


def link_check(run: Run, board: Board) -> Iterator[Problem]:
    """The link check against the errors, and against its own count."""
    log = run.errors
    if log is None:
        return
    said = log.edc != 0
    if not said.any():
        return
    places = {_channel(log.keys[k]) for k in set(log.key[said].tolist())}
    if (
        int(said.sum()) >= _MANY_ROWS
        and len(places) >= _MANY_PLACES
        and (log.edc[said] == EDC_OK).all()
    ):
        yield problem(
            "link-check-silent",
            Position(int(log.line[said].min())),
            rows=rows_text(int(said.sum())),
            places=len(places),
        )
    counted = _by_place(run, "edc")
    found = [
        problem("link-check-not-counted", Position(line), what=place)
        for place, line in _bad_places(log).items()
        if counted.get(place) == 0
    ]
    yield from few("link-check-not-counted", found)


def _bad_places(log: ErrorLog) -> dict[Place, int]:
    """Places with a failed link check, and the first line of one."""
    bad = log.edc == EDC_BAD
    found: dict[Place, int] = {}
    for k in set(log.key[bad].tolist()):
        place = _channel(log.keys[k])
        line = int(log.line[bad & (log.key == k)].min())
        found[place] = min(line, found.get(place, line))
    return dict(sorted(found.items(), key=lambda item: item[1]))


def temperatures(run: Run, board: Board) -> Iterator[Problem]:
    """Temperatures at which no memory is tested."""
    seen = Sightings()
    for row in measured(run):
        if row.temp is not None and not _COLDEST <= row.temp <= _HOTTEST:
            seen.add(row.position, row.temp)
    for (temp,), at in seen:
        yield problem("temperature-absurd", at.first, temp=f"{temp:g}", rows=rows_text(at.rows))
