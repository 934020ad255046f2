"""Places a run names against those its board profile has."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from memdiag.boards.wiring import link_of_another
from memdiag.model import Board, Place, Run, Site
from memdiag.model.problems import Problem, problem
from memdiag.reading.checks.common import Sightings, nearest, rows_text


def sites(run: Run, board: Board) -> Iterator[Problem]:
    """Sites the profile does not have."""
    if not board.known:
        return
    seen = Sightings()
    for place, position, rows in run.places():
        if place.site is not None and board.site(place.site) is None:
            seen.add(position, place.site, rows=rows)
    known = [site.ref for site in board.sites]
    for (site,), at in seen:
        yield problem(
            "unknown-site",
            at.first,
            site=site,
            board=board.name or "the profile",
            rows=rows_text(at.rows),
            nearest=nearest(site, known),
        )


def links(run: Run, board: Board) -> Iterator[Problem]:
    """Channels, ranks and lanes the profile does not have, or gives to another site."""
    if not board.known:
        return
    seen = Sightings()
    judged: dict[Place, tuple[str, str, str] | None] = {}  # the rows of a run name few places
    for place, position, rows in run.places():
        if place not in judged:
            judged[place] = _wrong_link(place, board)
        wrong = judged[place]
        if wrong is not None:
            seen.add(position, *wrong, rows=rows)
    for (code, what, hint), at in seen:
        yield problem(
            str(code),
            at.first,
            what=what,
            board=board.name or "the profile",
            rows=rows_text(at.rows),
            hint=hint,
        )


def _wrong_link(place: Place, board: Board) -> tuple[str, str, str] | None:
    """What is wrong with the link that a place names, as (code, what, hint)."""
    site = board.site(place.site) if place.site is not None else None
    if (place.site is not None and site is None) or not board.channels:
        return None
    if place.channel is None:
        return _wrong_lane(place, site)
    known = [link for _, link in board.links(Place(channel=place.channel))]
    if not known:
        hint = nearest(place.channel, board.channels)
        return "unknown-channel", f"channel {place.channel}", hint
    for word, value, have in (
        ("rank", place.rank, {link.rank for link in known}),
        ("lane", place.lane, {link.lane for link in known if link.lane is not None}),
    ):
        if value is not None and value not in have:
            what = f"{word} {value} of channel {place.channel}"
            return f"unknown-{word}", what, nearest(value, sorted(have))
    if site is not None and link_of_another(place, board):
        link = replace(place, site=None)
        refs = " and ".join(link.sites(board)) or "no site"
        what = f"{link.words(rank_zero=True)} with {site.ref}"
        return "link-of-another", what, f"the profile gives it to {refs}"
    return None


def _wrong_lane(place: Place, site: Site | None) -> tuple[str, str, str] | None:
    """The same where a row names a site's lane and no channel."""
    if place.lane is None or site is None or not site.links:
        return None
    own = {link.lane for link in site.links if link.lane is not None}
    if place.lane in own:
        return None
    return "unknown-lane", f"lane {place.lane} of {site.ref}", nearest(place.lane, sorted(own))


def rails(run: Run, board: Board) -> Iterator[Problem]:
    """Rails the profile does not have."""
    if not board.known or not board.rails:
        return
    seen = Sightings()
    named = [(row.rail, row.position) for row in run.rails]
    named += [(row.rail, row.position) for row in run.heat]
    for name, position in named:
        if board.rail(name) is None:
            seen.add(position, name)
    known = [rail.name for rail in board.rails]
    for (rail,), at in seen:
        yield problem(
            "unknown-rail",
            at.first,
            rail=rail,
            board=board.name or "the profile",
            nearest=nearest(rail, known),
        )
