"""How far parts of a board are from each other: what hot air at one of them reaches."""

from __future__ import annotations

import math

from memdiag.model import Board, Keepout, Site

_NEAR = frozenset({"place", "clamshell"})


def nearby(board: Board | None, ref: str) -> list[tuple[str, float | None, bool]]:
    """The sites beside and behind one, the nearest first: each with the gap between the packages'
    edges in mm (None where the profile does not say) and whether it is on the other side."""
    one = None if board is None else board.site(ref)
    if board is None or one is None:
        return []
    found = []
    for other, why in board.neighbours(ref).items():
        site = board.site(other)
        if site is not None and why & _NEAR:
            found.append((other, gap(one, site), site.side != one.side))
    return sorted(found, key=lambda f: (math.inf if f[1] is None else f[1], f[0]))


def kept_off(board: Board, ref: str, within: float) -> list[tuple[Keepout, float]]:
    """The parts that must not be warmed and are less than so many mm from a site, edge to edge, on
    either side of the board, the nearest first."""
    one = board.site(ref)
    if one is None:
        return []
    found = [(part, apart) for part in board.keepouts if (apart := gap(one, part)) is not None]
    near = [(part, apart) for part, apart in found if apart < within]
    return sorted(near, key=lambda each: (each[1], each[0].name))


def gap(one: Site | Keepout, other: Site | Keepout) -> float | None:
    """Millimetres between two parts' edges (of the upright boxes round them, where they are
    turned), seen through the board; 0 where one covers the other. None without places and sizes."""
    if None in (one.x, one.y, one.size, other.x, other.y, other.size):
        return None
    assert one.x is not None and one.y is not None and other.x is not None and other.y is not None
    (w1, h1), (w2, h2) = _box(one), _box(other)
    across = abs(one.x - other.x) - (w1 + w2) / 2
    along = abs(one.y - other.y) - (h1 + h2) / 2
    return round(math.hypot(max(across, 0.0), max(along, 0.0)), 3)


def _box(part: Site | Keepout) -> tuple[float, float]:
    assert part.size is not None
    w, h = part.size
    turn = math.radians(part.rotation) if isinstance(part, Site) else 0.0
    c, s = abs(math.cos(turn)), abs(math.sin(turn))
    return w * c + h * s, w * s + h * c
