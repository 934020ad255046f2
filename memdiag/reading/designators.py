"""Designators and rails as the board spells them: `u6` is `U6` in every row, in the head and on the
command line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TypeVar

import numpy as np
from msgspec.structs import replace

from memdiag.model import Board, Head, HeatRow, Place, RailRow, Row, Run
from memdiag.model.error_log import ErrorLog

R = TypeVar("R", bound=Row)

Spellings = Mapping[str, str]
"""By a name without its case: the name as it is shown."""


def of_board(names: Iterable[str], board: Board) -> tuple[str, ...]:
    """Designators as the board spells them, each once; as they are where it has none such."""
    known = _first(site.ref for site in board.sites)
    return tuple(dict.fromkeys(_spelt(name, known) for name in names))


def of_run(names: Iterable[str], run: Run) -> tuple[str, ...]:
    """Designators as the run spells them, each once."""
    known = _first(_sites(run))
    return tuple(dict.fromkeys(_spelt(name, known) for name in names))


def once(names: Iterable[str]) -> tuple[str, ...]:
    """Names that differ in more than their case, as they are spelt first."""
    return tuple(_first(names).values())


def respelt(run: Run, board: Board | None) -> Run:
    """The run with every designator and rail as the board spells it; those it does not have, and
    all of them where it is None, as the run spells them first."""
    refs = () if board is None else tuple(site.ref for site in board.sites)
    rails = () if board is None else tuple(rail.name for rail in board.rails)
    sites = _first((*refs, *_sites(run)))
    read = (*(row.rail for row in run.rails), *(row.rail for row in run.heat))
    nets = _first((*rails, *read))
    if all(_spelt(s, sites) == s for s in _sites(run)) and all(_spelt(n, nets) == n for n in read):
        return run
    return replace(
        run,
        head=_head(run, sites),
        training=tuple(_row(row, sites) for row in run.training),
        counts=tuple(_row(row, sites) for row in run.counts),
        errors=None if run.errors is None else _log(run.errors, sites),
        rails=tuple(_rail(row, sites, nets) for row in run.rails),
        heat=tuple(_heat(row, sites, nets) for row in run.heat),
        values=tuple(_row(row, sites) for row in run.values),
        lost=tuple(
            each if each.place is None else replace(each, place=_place(each.place, sites))
            for each in run.lost
        ),
    )


def _first(names: Iterable[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name in names:
        found.setdefault(name.casefold(), name)
    return found


def _spelt(name: str, known: Spellings) -> str:
    return known.get(name.casefold(), name)


def _sites(run: Run) -> Iterator[str]:
    """Every designator a run names: those of the head first, then those of the rows by line."""
    head = run.head
    for refs in (head.removed, head.replaced, head.reflowed, *(head.swapped or ())):
        yield from refs or ()
    named: list[tuple[int, str]] = [
        (row.position.line, row.place.site)
        for row in (*run.training, *run.counts, *run.values, *run.rails, *run.heat)
        if row.place.site is not None
    ]
    named += [(row.position.line, row.hottest) for row in run.heat if row.hottest is not None]
    if run.errors is not None:
        first = run.errors.extents()[0]
        for key, line in zip(run.errors.keys, first, strict=True):
            if key.place.site is not None:
                named.append((line, key.place.site))
    named += [
        (each.position.line, each.place.site)
        for each in run.lost
        if each.place is not None and each.place.site is not None
    ]
    for _, name in sorted(named, key=lambda pair: pair[0]):
        yield name


def _head(run: Run, sites: Spellings) -> Head:
    head = run.head

    def all_of(refs: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return None if refs is None else tuple(dict.fromkeys(_spelt(ref, sites) for ref in refs))

    moves = head.swapped
    return replace(
        head,
        removed=all_of(head.removed),
        replaced=all_of(head.replaced),
        reflowed=all_of(head.reflowed),
        swapped=None
        if moves is None
        else tuple((_spelt(a, sites), _spelt(b, sites)) for a, b in moves),
    )


def _place(place: Place, sites: Spellings) -> Place:
    if place.site is None:
        return place
    return replace(place, site=_spelt(place.site, sites))


def _row(row: R, sites: Spellings) -> R:
    place = _place(row.place, sites)
    return row if place == row.place else replace(row, place=place)


def _rail(row: RailRow, sites: Spellings, rails: Spellings) -> RailRow:
    return replace(_row(row, sites), rail=_spelt(row.rail, rails))


def _heat(row: HeatRow, sites: Spellings, rails: Spellings) -> HeatRow:
    hottest = None if row.hottest is None else _spelt(row.hottest, sites)
    return replace(_row(row, sites), rail=_spelt(row.rail, rails), hottest=hottest)


def _log(log: ErrorLog, sites: Spellings) -> ErrorLog:
    """Keys that are one place in two spellings become one."""
    keys: dict[object, int] = {}
    spelt = [replace(key, place=_place(key.place, sites)) for key in log.keys]
    number = np.array([keys.setdefault(key, len(keys)) for key in spelt], np.int32)
    made = tuple(dict.fromkeys(spelt))
    return replace(log, keys=made, key=number[log.key] if len(number) else log.key)
