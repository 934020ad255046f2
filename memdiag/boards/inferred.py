"""A board from the rows of a run alone, where no profile is to be had."""

from __future__ import annotations

from collections.abc import Iterable

from memdiag.model import Board, Channel, Link, Place, Run, Site


def inferred(run: Run, *more: Run) -> Board:
    """The board as far as the rows of a run, or of several of one kind of board, tell: its sites,
    or where they name none, one nameless site for each channel (GDDR) or each lane (all others: a
    package is at most a few lanes of a channel). A row that names no lane or no rank says nothing
    new about a site of which a fuller row is at hand; a channel whose lanes nobody named is one
    link, lane None."""
    whole_channel = (run.head.memory or "").startswith("gddr")
    places = tuple(dict.fromkeys(place for each in (run, *more) for place in _places(each)))
    split = {s.channel for s in places if s.site is None and s.lane is not None}
    found: dict[str, list[Place]] = {}
    for place in places:
        if place.site is not None:
            found.setdefault(place.site, []).append(place)
    named = frozenset(found)
    claims = [own for rows in found.values() for own in rows]
    for place in places:
        if place.site is not None or place.channel is None:
            continue
        if any(
            own.channel == place.channel
            and (own.lane is None or place.lane is None or own.lane == place.lane)
            for own in claims
        ):
            continue  # a named site may own it
        if place.lane is not None and not whole_channel:
            ref = f"ch {place.channel} lane {place.lane}"
        elif whole_channel or place.channel not in split:
            ref = f"ch {place.channel}"
        else:
            continue  # the channel as a whole; its lanes have sites of their own
        found.setdefault(ref, []).append(place)
    sites = tuple(Site(ref, _links(own), named=ref in named) for ref, own in found.items())
    return Board(run.head.board, run.head.memory, sites=sites, known=False, origin="inferred")


def _links(places: Iterable[Place]) -> tuple[Link, ...]:
    """The links that rows of one site name, the vaguer ones dropped where a fuller one stands."""
    full: set[tuple[Channel, int | None, int | None]] = {
        (s.channel, s.rank, s.lane) for s in places if s.channel is not None
    }
    kept = {
        (channel, rank or 0, lane)
        for channel, rank, lane in full
        if not any(
            c == channel
            and ((lane is None and n is not None) or (rank is None and r is not None and n == lane))
            for c, r, n in full
        )
    }
    order = sorted(kept, key=lambda k: (isinstance(k[0], str), k[0], k[1], k[2] or 0))
    return tuple(Link(channel, rank, lane) for channel, rank, lane in order)


def _places(run: Run) -> Iterable[Place]:
    for place, _, _ in run.places():
        yield place
    head = run.head
    for refs in (head.removed, head.replaced, head.reflowed, *(head.swapped or ())):
        for ref in refs or ():
            yield Place(site=ref)
