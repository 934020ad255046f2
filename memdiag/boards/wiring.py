"""Do a run and its board profile mean the same package by a designator?"""

from __future__ import annotations

from collections import Counter

from msgspec.structs import replace

from memdiag.model import Board, Place, Run


def link_of_another(place: Place, board: Board) -> bool:
    """Whether the place names a site of the profile and a link that the profile knows, but gives
    to another site."""
    site = board.site(place.site) if place.site is not None else None
    if site is None or not site.links or place.channel is None or any(board.links(place)):
        return False
    channel = Place(channel=place.channel)
    return any(board.links(replace(channel, rank=place.rank))) and any(
        board.links(replace(channel, lane=place.lane))
    )


def contested(run: Run, board: Board) -> frozenset[str]:
    """Sites of whose rows at least half stand at a link that the profile gives to another site:
    the dump and the profile do not mean the same package."""
    if not board.known:
        return frozenset()
    rows_of: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    for place, _, rows in run.places():
        if place.site is not None:
            rows_of[place.site] += rows
            wrong[place.site] += rows * link_of_another(place, board)
    return frozenset(site for site, n in wrong.items() if n and 2 * n >= rows_of[site])
