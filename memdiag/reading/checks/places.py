"""Places a run names against those its board profile has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from memdiag.model.board import Board, Site
from memdiag.model.problems import Problem, problem
from memdiag.model.records import Channel, Run, Scope
from memdiag.reading.checks.common import Sightings, nearest, rows_text, scopes


def sites(run: Run, board: Board) -> Iterator[Problem]:
    """Sites the profile does not have."""
    if not board.known:
        return
    seen = Sightings()
    for scope, position, rows in scopes(run):
        if scope.site is not None and board.site(scope.site) is None:
            seen.add(position, scope.site, rows=rows)
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
    for scope, position, rows in scopes(run):
        for wrong in _wrong_link(scope, board):
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


def contested(run: Run, board: Board) -> frozenset[str]:
    """Sites of whose rows at least half stand at a link that the profile gives to another site:
    the dump and the profile do not mean the same package."""
    if not board.known:
        return frozenset()
    rows_of: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    for scope, _, rows in scopes(run):
        if scope.site is not None:
            rows_of[scope.site] += rows
            if any(code == "link-of-another" for code, *_ in _wrong_link(scope, board)):
                wrong[scope.site] += rows
    return frozenset(site for site, n in wrong.items() if 2 * n >= rows_of[site])


def _wrong_link(scope: Scope, board: Board) -> Iterable[tuple[str, str, str]]:
    """What is wrong with a scope's link as (code, what, hint): nothing or one thing."""
    channel, lane = scope.channel, scope.lane
    site = board.site(scope.site) if scope.site is not None else None
    if (scope.site is not None and site is None) or not board.channels:
        return ()
    if channel is None:
        if lane is None or site is None or not site.links:
            return ()
        own = {link.lane for link in site.links if link.lane is not None}
        if lane in own:
            return ()
        return (("unknown-lane", f"lane {lane} of {site.ref}", nearest(lane, sorted(own))),)
    if channel not in board.channels:
        return (("unknown-channel", f"channel {channel}", nearest(channel, board.channels)),)
    ranks = {link.rank for s in board.sites for link in s.links if link.channel == channel}
    if scope.rank is not None and scope.rank not in ranks:
        return (
            (
                "unknown-rank",
                f"rank {scope.rank} of channel {channel}",
                nearest(scope.rank, sorted(ranks)),
            ),
        )
    lanes = board.lanes_of(channel)
    if lane is not None and lane not in lanes:
        return (("unknown-lane", f"lane {lane} of channel {channel}", nearest(lane, lanes)),)
    if site is not None and site.links and not _owns(site, scope):
        named = _link_text(scope)
        owners = board.owners(Scope(None, channel, scope.rank, lane, scope.dq))
        refs = " and ".join(owner.ref for owner in owners) or "no site"
        return (("link-of-another", f"{named} with {site.ref}", f"the profile gives it to {refs}"),)
    return ()


def _owns(site: Site, scope: Scope) -> bool:
    return any(
        link.channel == scope.channel
        and (scope.rank is None or link.rank == scope.rank)
        and (scope.lane is None or link.lane == scope.lane)
        and (scope.dq is None or link.dqs is None or scope.dq in link.dqs)
        for link in site.links
    )


def _link_text(scope: Scope) -> str:
    named: list[tuple[str, Channel | int | None]] = [
        ("channel", scope.channel),
        ("rank", scope.rank),
        ("lane", scope.lane),
        ("dq", scope.dq),
    ]
    return " ".join(f"{word} {value}" for word, value in named if value is not None)


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
