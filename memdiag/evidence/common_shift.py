"""Eyes of a package that are all narrower by the same factor: one observation, not one a line.

What disturbs a package (a noisy rail, an unterminated partner, a reference that moved) and what
ails its own supply pins take margin from all its lines alike. How much is one unknown shared by
those lines, so it is weighed once, at the widest place over which it is the same; what is left of
each line beyond it is weighed at the line. Without this, thirty lines would vote thirty times on
whether the package is weak or disturbed.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from memdiag.evidence.margins import Peers
from memdiag.model import Place

LEAST = 3
"""Fewer figures show no common factor."""
ALIKE = 0.12
"""Natural log of width: parts of a package differ by as much from one run to the next."""
SEEN = 0.10
"""A common factor nearer to 1 than this is healthy spread."""

Figure = tuple[Place, int | None, float]
"""(place, data line, log of the width against its peers)"""


@dataclass(frozen=True, slots=True)
class Shift:
    """The log factor that the figures of one kind at a place share."""

    at: Place
    log: float


def find(figures: Iterable[Figure], peers: Peers) -> Mapping[tuple[Place, int | None], Shift]:
    """The shift of each figure of one kind that has one, by its place and line."""
    found: dict[tuple[Place, int | None], Shift] = {}
    by_root: dict[Place, list[Figure]] = {}
    for figure in figures:
        at = figure[0]
        root = Place(at.site) if at.site is not None else Place(None, at.channel, at.rank)
        by_root.setdefault(root, []).append(figure)
    for root, those in by_root.items():
        _visit(root, those, 0, peers, found)
    return found


def _path(figure: Figure, depth: int) -> tuple[object, ...]:
    """The part of a place one step below `depth`: channel and rank, lane, line."""
    at, dq, _ = figure
    return ((at.channel, at.rank), (at.channel, at.rank, at.lane), (*at.link, dq))[depth]


def _visit(
    at: Place,
    figures: list[Figure],
    depth: int,
    peers: Peers,
    found: dict[tuple[Place, int | None], Shift],
) -> None:
    if len(figures) < LEAST or depth > 2:
        return
    parts: dict[tuple[object, ...], list[Figure]] = {}
    for figure in figures:
        parts.setdefault(_path(figure, depth), []).append(figure)
    middles = [statistics.median(f[2] for f in part) for part in parts.values()]
    room = max(ALIKE, 3 * peers.scale) * (1.0 if depth < 2 else 1.6)
    if len(parts) > 1 and max(middles) - min(middles) <= room:
        middle = statistics.median(f[2] for f in figures)
        if middle < -max(SEEN, 2 * peers.scale):
            places = {f[0] for f in figures}
            where = next(iter(places)) if len(places) == 1 else at
            for key, dq, _ in figures:
                found[key, dq] = Shift(where, middle)
        return
    for part in parts.values():
        first = part[0][0]
        lane = None if depth == 0 else first.lane
        below = Place(at.site, first.channel, first.rank, lane)
        _visit(below, part, depth + 1, peers, found)


def apart(width: float, shift: Shift) -> float:
    """The width the line would have without what it shares with its fellows."""
    return width / math.exp(shift.log)
