"""Lanes, or channels, that erred equally often: what is digital hands all of them the same wrong
bit, while margins, cells and joints hardly ever give two lanes the same rate."""

from __future__ import annotations

import math
from collections.abc import Mapping

from memdiag.evidence.gathered import Evidence, at_owner, owners_of
from memdiag.evidence.measurements import Measurements
from memdiag.evidence.nodes import FLOOR, Node
from memdiag.model import Board, Place, Quote
from memdiag.model.figures import Table
from memdiag.model.quantities import show_count

_F = Table("Equal counts")
LEAST = _F.practice("equal from", 3000.0, "errors of a lane: fewer are equal by chance")
MOST = _F.practice(
    "equal up to", 0.05, "error rate: a line that does not work errs in half of its bits anywhere"
)
WITHIN = _F.practice("equal within", 0.003, "log; how unlike equal rates are, beside chance")
ODDLY = _F.practice("equal oddly", 0.02, "chance that one more lane errs equally often by itself")
CHANCE = 3.0
"""Standard deviations of a count that are chance."""

LEAST_LANES, LEAST_SITES = 4, 2
"""Fewer lanes are equal by chance, and one package may be wrong at the same addresses in all."""


def counted(measured: Measurements) -> dict[Place, tuple[int, int]]:
    """The (wrong bits, bits) of the lanes; of the channels where no lane is counted by itself."""
    groups = {at_owner(g.place, owners_of(g.place, measured.board)): g for g in measured}
    by_lane = any(link.lane is not None and g.counts for link, g in groups.items())
    found = {}
    for link, group in groups.items():
        errors, bits = group.whole["errors"], group.whole["bits"]
        if errors is not None and bits and by_lane == (link.lane is not None):
            found[link] = (errors, bits)
    return found


def equal_links(counts: Mapping[Place, tuple[int, int]], board: Board) -> list[Place]:
    """The most of them that err equally often; none where they, or their errors, are so few that
    it may be chance, or where they read rubbish."""
    many = {k: (e, b) for k, (e, b) in counts.items() if LEAST <= e < MOST * b}
    equal = most_alike(many)
    on = {site for link in equal for site in link.sites(board)}
    return equal if len(equal) >= LEAST_LANES and len(on) >= LEAST_SITES else []


def same_counts(measured: Measurements, evidence: Evidence) -> None:
    """A node of the lanes, or channels, that err equally often, where several do."""
    equal = frozenset(evidence.equal)
    if not equal:
        return
    board = measured.board
    on = {site for link in equal for site in link.sites(board)}
    channels = {link.channel for link in equal}
    at = Place(channel=channels.pop() if len(channels) == 1 else None)
    node = Node("rates", tuple(site.ref for site in board.sites if site.ref in on), at)
    node.add({"unlike": max((len(equal) - 1) * math.log(ODDLY), FLOOR), "equal": 0.0})
    rows = [
        row
        for group in measured
        if at_owner(group.place, owners_of(group.place, board)) in equal
        for row in group.counts
    ]
    of = "lanes" if rows[0].place.lane is not None else "channels"
    each = show_count(evidence.counted[evidence.equal[0]][0])
    says = f"{len(equal)} {of} err equally often: {each} bits wrong in each"
    node.quotes.append(Quote(min(row.position.line for row in rows), says))
    evidence.nodes.append(node)


def most_alike(counts: Mapping[Place, tuple[int, int]]) -> list[Place]:
    """The most of some lanes whose error rates, from (errors, bits), differ no more than by chance,
    in the order of their rates. Lanes without any error are left out."""
    rates = sorted(
        (math.log(errors / bits), errors**-0.5, number)
        for number, (errors, bits) in enumerate(counts.values())
        if errors
    )
    best, first = (0, 0), 0
    for last, (rate, play, _) in enumerate(rates):
        while rate - rates[first][0] > WITHIN + CHANCE * (play + rates[first][1]):
            first += 1
        best = max(best, (last + 1 - first, first))
    n, first = best
    links = list(counts)
    return [links[number] for _, _, number in rates[first : first + n]]
