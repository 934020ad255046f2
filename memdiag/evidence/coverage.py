"""What of a board was heard: which links no measurement speaks of, which steps stop half-way, and
which failures are a rig's habit.

That a package answers (identification, levelling) is no measurement of its links: only data that
went to and fro is, so a read or write step that ran, a count, or a complete list of errors.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from memdiag.evidence.measurements import Measured, Measurements, StepOutcome
from memdiag.model import ENDED, FAILED, STEPS, CountRow, Place, Result, TrainingRow

DATA_STEPS = frozenset({"read", "write"})
"""The steps that move data over every line of a lane."""

CAPPED = 3.0
"""A list of error words is capped where this many times more errors were counted."""

WORKED = frozenset({Result.PASS, Result.MARGINAL})

OF_A_LANE = frozenset({"level", "wck", "gate", "read", "write"})
"""The steps that train each lane by itself: what runs them on one lane runs them on all."""

MOST_LACKING = 0.25
"""A rig that prints the eyes of all links but this share of them prints all eyes."""


def links(measured: Measurements) -> tuple[Place, ...]:
    """The links of the board that are to be heard; of a board nobody knows, the places its rows
    name. Sites that are empty on purpose have none."""
    board, off = measured.board, frozenset(measured.run.head.removed or ())
    if board.known:
        return tuple(
            Place(site.ref, link.channel, link.rank, link.lane)
            for site in board.sites
            if site.ref not in off
            for link in site.links
        )
    named = [m.place for m in measured if m.place.site not in off and not m.place.is_board]
    at: dict[str | None, list[Place]] = {}
    for place in named:
        at.setdefault(place.site, []).append(place)
    # A place of which a finer one is named as well is not a link of its own.
    return tuple(
        one
        for one in named
        if not (
            is_wide(one)
            and any(
                other != one and one.covers(other)
                for other in (named if one.site is None else at[one.site])
            )
        )
    )


def is_wide(place: Place) -> bool:
    """Whether it may be several links."""
    return None in (place.site, place.channel, place.rank, place.lane)


def unheard(measured: Measurements) -> tuple[Place, ...]:
    """The links that no measurement speaks of."""
    if error_list_is_complete(measured):
        return ()
    spoken = [m.place for m in measured.groups.values() if _is_measured(m)]
    return _lacking(spoken, links(measured), measured)


def uncounted(measured: Measurements) -> tuple[CountRow, ...]:
    """Count rows that say how many bits were compared and not how many of them were wrong, where
    no list of errors says it either."""
    if error_list_is_complete(measured):
        return ()
    return tuple(row for m in measured for row in m.counts if row.bits and _says_no_errors(row))


def _says_no_errors(row: CountRow) -> bool:
    """Whether nobody knows how many bits were wrong: neither their number nor, with a column beside
    it that may be that number, its parts."""
    if row.errors is not None:
        return False
    parts = (row.rose, row.fell, row.cells)
    return bool(row.extra) or all(value is None for value in parts)


def _is_measured(group: Measured) -> bool:
    return any(map(_moved_data, group.training)) or any(map(_counted, group.counts))


def _moved_data(row: TrainingRow) -> bool:
    if row.step not in DATA_STEPS or row.result is Result.NOT_RUN:
        return False
    figures = (row.result, row.width, row.height, row.window, row.spread)
    return any(figure is not None for figure in figures)


def _counted(row: CountRow) -> bool:
    return row.bits != 0 and not _says_no_errors(row)


def error_list_is_complete(measured: Measurements) -> bool:
    """Whether the error words are all there were, so that who is not among them had none. An empty
    list is one only beside a count: else nobody says that a test ran."""
    run = measured.run
    if not run.source.complete or "errors" not in run.source.tables:
        return False
    counted = sum(row.errors or 0 for row in run.counts)
    listed = 0 if run.errors is None else run.errors.total
    return bool(listed or run.counts) and counted <= CAPPED * listed


def counts_of_what_erred(measured: Measurements) -> list[CountRow]:
    """The counts of a run, where each of them erred and no row is lost: then what they do not name,
    a link or a data line, did not err. None otherwise."""
    run = measured.run
    rows = [row for m in measured for row in m.counts if row.bits and row.errors is not None]
    whole = run.source.complete and not run.lost
    return rows if whole and all(row.errors for row in rows) else []


def passed_unsaid(measured: Measurements) -> tuple[dict[str, frozenset[Place]], bool]:
    """The links that a step which the dump names leaves out, where no step in it passes: such a rig
    prints what went wrong, and what it does not name has passed. And whether the first link of the
    board is among them: else it may be a boot that stopped at that link."""
    run, every = measured.run, links(measured)
    ran = [(m.place, o.step, o.last) for m in measured for o in m.steps]
    whole = run.source.complete and not run.lost
    if not whole or not measured.board.known or any(r is Result.PASS for *_, r in ran):
        return {}, False
    told: dict[str, list[Place]] = {}
    for place, step, _ in ran:
        told.setdefault(step, []).append(place)
    named = [place for place, *_ in ran]
    first = bool(named and every) and every[0] in _lacking(named, every[:1], measured)
    out = {step: frozenset(_lacking(at, every, measured)) for step, at in told.items()}
    return out, first


class Stopped(Struct, frozen=True):
    """A step, or the eye of one (`what`), that was printed for so many links or packages, and those
    it lacks."""

    step: str
    what: str
    printed: int
    lacking: tuple[Place, ...]


def stopped(measured: Measurements) -> Iterator[Stopped]:
    """The steps that stop before their last lane or package or leave one out, and the eyes of data
    steps."""
    every = links(measured)
    for step in STEPS:
        told = [m.place for m in measured if any(row.step == step for row in m.training)]
        if not told:
            continue
        lacking = _lacking(told, every, measured)
        if step in OF_A_LANE or _names_lanes(told):
            if lacking:
                yield Stopped(step, step, len(every) - len(lacking), lacking)
            elif step in DATA_STEPS:
                yield from _without_eye(step, every, measured)
        else:
            yield from _left_out(step, told, every, measured)
    yield from _uncounted_links(every, measured)


def _names_lanes(told: Sequence[Place]) -> bool:
    """Whether a step is printed lane by lane: for two lanes of one channel."""
    lanes: dict[Place, set[int]] = {}
    for place in told:
        if place.lane is not None:
            at = Place(channel=place.channel, rank=place.rank)
            lanes.setdefault(at, set()).add(place.lane)
    return any(len(found) > 1 for found in lanes.values())


def _left_out(
    step: str, told: Sequence[Place], every: Sequence[Place], measured: Measurements
) -> Iterator[Stopped]:
    """A step of packages or channels that is printed for some and not for others."""
    ports = tuple(dict.fromkeys(Place(link.site, link.channel) for link in every))
    lacking = _lacking([Place(p.site, p.channel) for p in told], ports, measured)
    heard = {place.site for place in told}
    if _names_channels(told, measured):
        out = lacking
    elif _names_packages(heard, measured):
        refs = dict.fromkeys(p.site for p in lacking if p.site is not None and p.site not in heard)
        out = tuple(map(Place, refs))
        ports = tuple(dict.fromkeys(Place(link.site) for link in every))
    else:
        return
    if out:
        yield Stopped(step, step, len(ports) - len(out), out)


def _names_channels(told: Sequence[Place], measured: Measurements) -> bool:
    """Whether a step is printed channel by channel: for two of one package, or where the paste
    holds nothing of the lanes that come after it."""
    by_site: dict[str | None, set[object]] = {}
    for place in told:
        if place.site is not None and place.channel is not None:
            by_site.setdefault(place.site, set()).add(place.channel)
    trained = any(row.step in OF_A_LANE for row in measured.run.training)
    return not trained or any(len(channels) > 1 for channels in by_site.values())


def _names_packages(heard: set[str | None], measured: Measurements) -> bool:
    """Whether a step is printed package by package. A rig may print one row for all that share a
    channel: only where it names two of them, or packages that share none, it names them all."""
    owners: dict[object, set[str]] = {}
    for site in measured.board.sites:
        for channel in site.channels:
            owners.setdefault(channel, set()).add(site.ref)
    if any(len(heard & sharing) > 1 for sharing in owners.values()):
        return True
    named = [ref for ref in heard if ref is not None]
    return len(named) > 1 and all(len(sharing) == 1 for sharing in owners.values())


def _uncounted_links(every: Sequence[Place], measured: Measurements) -> Iterator[Stopped]:
    """Links without a count, where lanes without an error have theirs: a rig that prints clean
    lanes prints all of them."""
    counted = [m.place for m in measured if m.counts]
    clean = any(row.errors == 0 and m.place.lane is not None for m in measured for row in m.counts)
    lacking = _lacking(counted, every, measured) if clean else ()
    if lacking:
        yield Stopped("the test", "a count", len(every) - len(lacking), lacking)


def _without_eye(step: str, every: Sequence[Place], measured: Measurements) -> Iterator[Stopped]:
    """Lanes on which a data step works without an eye, where nearly all others have one."""
    ran = [m.place for m in measured if m.results.get(step) in WORKED]
    seen = [m.place for m in measured if any(map(_shows_eye, _of(step, m)))]
    some = tuple(link for link in _lacking(seen, every, measured) if link in ran)
    if some and len(some) <= MOST_LACKING * len(every):
        yield Stopped(step, f"the {step} eye", len(every) - len(some), some)


def _of(step: str, group: Measured) -> Iterator[TrainingRow]:
    return (row for row in group.training if row.step == step)


def _shows_eye(row: TrainingRow) -> bool:
    figures = (row.width, row.height, row.window, row.spread)
    return any(figure is not None for figure in figures)


def _lacking(
    told: Iterable[Place], every: Sequence[Place], measured: Measurements
) -> tuple[Place, ...]:
    """The links that none of these places speaks of."""
    heard = set(told)
    wide = [place for place in heard if is_wide(place)]
    by_site: dict[str | None, list[Place]] = {}
    by_channel: dict[object, list[Place]] = {}
    for link in every if wide else ():
        by_site.setdefault(link.site, []).append(link)
        by_channel.setdefault(link.channel, []).append(link)
    for place in wide:
        near: Sequence[Place] = every
        if place.site is not None:
            near = (*by_site.get(place.site, ()), *by_site.get(None, ()))
        elif place.channel is not None:
            near = (*by_channel.get(place.channel, ()), *by_channel.get(None, ()))
        heard.update(link for link in near if place.speaks_of(link, measured.board))
    return tuple(link for link in every if link not in heard)


def habits(measured: Measurements, *, proven: bool = False) -> frozenset[str]:
    """The steps that fail wherever they are run, on every link on which the data steps work, or the
    counts of a rig that prints no steps which pass, and a good part of the links are such: what a
    rig does whatever lies on the board (a step it does not know how to run, say). A link that fails
    the data steps too has a fault of its own.

    That is enough to hold the step against nobody. `proven`, to let a board go in spite of it, only
    where it was run on all of those, and most links pass the data steps: one that is `marginal`
    there may have earned its failure.
    """
    outcomes = [(m.place, o) for m in measured for o in m.steps if o.ran in ENDED]
    every = links(measured)
    data = _of_steps(outcomes, DATA_STEPS)
    ill = {place for place, o in data if o.ran in FAILED or (proven and o.ran is not Result.PASS)}
    working = {place for place, _ in data}
    if not proven:
        working |= {m.place for m in measured if _counts_well(m)}
    well = set(every) - set(_lacking(working - ill, every, measured))
    if not every or len(well) < (MOST_PASS if proven else MOST_WORK) * len(every):
        return frozenset()
    found = set()
    for step in {o.step for _, o in outcomes if o.ran in FAILED} - DATA_STEPS:
        told = _of_steps(outcomes, {step})
        here = [place for place, _ in told]
        # A boot that stops at a fault comes to a part of them only, and says so of the others.
        left = [m.place for m in measured for o in m.steps if o.step == step and o.ran is None]
        untold = well.intersection(_lacking(here, every, measured))
        unsaid = untold.intersection(_lacking([*here, *left], every, measured))
        enough = not untold if proven else len(well) - len(untold) >= MOST_WORK * len(every)
        if enough and not unsaid and all(o.ran in FAILED for _, o in told):
            found.add(step)
    return frozenset(found)


def _counts_well(m: Measured) -> bool:
    """Whether so few of its bits were wrong that whatever training sets up was set up."""
    errors, bits = m.totals["errors"], m.totals["bits"]
    return errors is not None and bits is not None and errors < WORKS * bits


WORKS = 1e-4
"""An error rate that no link reaches of which a step of training truly failed."""

MOST_WORK, MOST_PASS = 0.4, 0.7
"""Share of the links on which the data steps work where a step that fails on all of them is a
habit; and of those that pass them where that is proven."""


Outcomes = Sequence[tuple[Place, StepOutcome]]


def _of_steps(outcomes: Outcomes, steps: frozenset[str] | set[str]) -> Outcomes:
    return [(place, o) for place, o in outcomes if o.step in steps]
