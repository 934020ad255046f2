"""Where a board profile puts its parts: all on the board, none on another, each wholly placed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

from msgspec import UNSET, Struct

from memdiag.boards.profile_form import ControllerForm, KeepoutForm, ProfileForm
from memdiag.boards.whereabouts import Whereabouts as Names
from memdiag.model import Site
from memdiag.model.problems import Position, Problem, problem

Corners = tuple[tuple[float, float], ...]
Sites = Sequence[Site]


def examine(form: ProfileForm, sites: Sites, names: Names) -> Iterator[Problem]:
    """All problems of places."""
    for check in CHECKS:
        yield from check(form, sites, names)


def _half_placed(form: ProfileForm, sites: Sites, names: Names) -> Iterator[Problem]:
    for site in sites:
        if (site.x is None) != (site.y is None):
            has, lacks = ("y", "x") if site.x is None else ("x", "y")
            at = names.site(site.ref, has)
            yield problem(
                "profile-half-placed", at, file=names.file, site=site.ref, has=has, lacks=lacks
            )


class _Box(Struct, frozen=True):
    """A part whose place and size are known: a `site` or `keepout` by its name, or `the
    controller`."""

    kind: str
    name: str
    side: str
    corners: Corners

    def __str__(self) -> str:
        return f"{self.kind} {self.name}".rstrip()

    def at(self, names: Names) -> Position | None:
        where = {"site": names.site, "keepout": names.keepout}.get(self.kind)
        return names.at("controller") if where is None else where(self.name, "x")


def _boxes(form: ProfileForm, sites: Sites) -> list[_Box]:
    boxes = [
        _Box("site", site.ref, site.side, corners(site))
        for site in sites
        if not (site.x is None or site.y is None or site.size is None)
    ]
    controller = form.controller
    if isinstance(controller, ControllerForm):
        boxes.append(_Box("the controller", "", "top", corners(controller)))
    boxes += [_Box("keepout", part.name, part.side, corners(part)) for part in form.keepout]
    return boxes


def _overlaps(form: ProfileForm, sites: Sites, names: Names) -> Iterator[Problem]:
    for one, two in combinations(_boxes(form, sites), 2):
        depth = overlap(one.corners, two.corners) if one.side == two.side else 0.0
        if depth > 0:
            yield problem(
                "profile-overlap",
                two.at(names),
                file=names.file,
                one=one,
                two=two,
                side=one.side,
                depth=f"{depth:.2g}",
            )


def _outside(form: ProfileForm, sites: Sites, names: Names) -> Iterator[Problem]:
    if form.outline is UNSET:
        return
    width, height = form.outline
    for box in _boxes(form, sites):
        if any(not (0 <= x <= width and 0 <= y <= height) for x, y in box.corners):
            yield problem("profile-outside", box.at(names), file=names.file, what=box)


def _unplaced(form: ProfileForm, sites: Sites, names: Names) -> Iterator[Problem]:
    """Sites with no place, or a place and no size; half a place is a problem of its own."""
    unplaced = [
        site.ref
        for site in sites
        if (site.x is None) == (site.y is None) and (site.x is None or site.size is None)
    ]
    if unplaced:
        at = names.site(unplaced[0])
        yield problem("profile-unplaced", at, file=names.file, sites=", ".join(unplaced))


CHECKS: tuple[Callable[[ProfileForm, Sites, Names], Iterator[Problem]], ...] = (
    _half_placed,
    _overlaps,
    _outside,
    _unplaced,
)


def corners(part: Site | ControllerForm | KeepoutForm) -> Corners:
    """The four corners of a part in mm, its rotation anticlockwise seen from its own side.

    A bottom part's turn runs the other way when seen from the top, where x and y are counted.
    """
    assert part.x is not None and part.y is not None and part.size is not None
    turn = part.rotation if isinstance(part, Site) else 0.0
    if isinstance(part, Site) and part.side == "bottom":
        turn = -turn
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    half_w, half_h = part.size[0] / 2, part.size[1] / 2
    return tuple(
        (part.x + u * half_w * c - v * half_h * s, part.y + u * half_w * s + v * half_h * c)
        for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    )


def overlap(one: Corners, two: Corners) -> float:
    """How deep two rectangles overlap in mm, 0 where they only touch or stand apart.

    Separating axis theorem: convex shapes are apart exactly where some edge normal separates them.
    """
    depth = math.inf
    for box in (one, two):
        for (x0, y0), (x1, y1) in ((box[0], box[1]), (box[1], box[2])):
            length = math.hypot(x1 - x0, y1 - y0)
            nx, ny = (y1 - y0) / length, (x0 - x1) / length
            a = [x * nx + y * ny for x, y in one]
            b = [x * nx + y * ny for x, y in two]
            depth = min(depth, min(max(a), max(b)) - max(min(a), min(b)))
    return depth if depth > 1e-6 else 0.0
