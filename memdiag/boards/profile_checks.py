"""What the fields of a board profile must satisfy together.

An immutable tuple of small functions of one signature: the filled form in, problems out. Names
that stand in the file but could not be read whole are still known names (`Names`), so that one
bad site does not make its clamshell partner look wrong too.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations, islice

from msgspec import UNSET

from memdiag.boards import baseline_checks
from memdiag.boards.profile_form import (
    MOST_PROBLEMS,
    ControllerForm,
    ProfileForm,
    SiteForm,
    nearest,
)
from memdiag.model.problems import Problem, problem

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Names:
    """What the file is called, and every site and rail it mentions, read whole or not."""

    file: str
    sites: frozenset[str]
    rails: frozenset[str]
    any_site: bool = True


def examine(form: ProfileForm, names: Names) -> tuple[Problem, ...]:
    """All problems of a filled form, in the order of the checks."""
    found = (wrong for check in CHECKS for wrong in check(form, names))
    return tuple(islice(found, MOST_PROBLEMS))


def _sites(form: ProfileForm, names: Names) -> Iterator[Problem]:
    if not names.any_site:
        yield problem("profile-no-sites", file=names.file)


def _twice(form: ProfileForm, names: Names) -> Iterator[Problem]:
    for what, words in (
        ("site", [s.ref for s in form.site]),
        ("rail", [r.name for r in form.rail]),
    ):
        for name, times in Counter(words).items():
            if times > 1:
                yield problem("profile-twice", file=names.file, what=what, name=name, times=times)


def _links(form: ProfileForm, names: Names) -> Iterator[Problem]:
    """A data line has one owner. Without a dq list a link owns all eight lines of its lane."""
    owners: dict[tuple[int | str, int, int], dict[int, list[str]]] = {}
    for site in form.site:
        for link in site.links:
            lines = range(8) if link.dq is UNSET else link.dq
            for lane in link.lanes:
                lane_of = owners.setdefault((as_channel(link.channel), link.rank, lane), {})
                for line in lines:
                    lane_of.setdefault(line, []).append(site.ref)
    for (channel, rank, lane), by_line in owners.items():
        shared = {line: who for line, who in by_line.items() if len(who) > 1}
        if not shared:
            continue
        who = list(dict.fromkeys(ref for refs in shared.values() for ref in refs))
        dq = "" if len(shared) == 8 else " dq " + ", ".join(map(str, sorted(shared)))
        yield problem(
            "profile-link-twice",
            file=names.file,
            channel=channel,
            rank=rank,
            lane=lane,
            dq=dq,
            owners=" and ".join(who) if len(who) > 1 else f"{who[0]} twice",
        )


def _rails(form: ProfileForm, names: Names) -> Iterator[Problem]:
    for site in form.site:
        for rail in site.rails:
            if rail not in names.rails:
                yield problem(
                    "profile-undefined",
                    file=names.file,
                    site=site.ref,
                    key="rails",
                    name=rail,
                    table="[[rail]]",
                    nearest=nearest(rail, names.rails),
                )
    for rail_ in form.rail:
        low, typical = rail_.healthy_ohms_min, rail_.healthy_ohms_typical
        if low is not UNSET and typical is not UNSET and typical < low:
            yield problem(
                "profile-ohms",
                file=names.file,
                rail=rail_.name,
                typical=f"{typical:g}",
                least=f"{low:g}",
            )
        volts, limit = rail_.volts, rail_.inject_volts_max
        if volts is not UNSET and limit is not UNSET and limit > volts:
            yield problem(
                "profile-injection",
                file=names.file,
                rail=rail_.name,
                limit=f"{limit:g}",
                volts=f"{volts:g}",
            )


def _clamshells(form: ProfileForm, names: Names) -> Iterator[Problem]:
    by_ref = {site.ref: site for site in form.site}
    for site in form.site:
        if site.clamshell is UNSET:
            continue
        partner = by_ref.get(site.clamshell)
        wrong = None
        if site.clamshell not in names.sites:
            yield problem(
                "profile-undefined",
                file=names.file,
                site=site.ref,
                key="clamshell",
                name=site.clamshell,
                table="[[site]]",
                nearest=nearest(site.clamshell, by_ref),
            )
        elif partner is site:
            wrong = "is the site itself"
        elif partner is not None and partner.clamshell != site.ref:
            named = "nobody" if partner.clamshell is UNSET else partner.clamshell
            wrong = f"names {named} as its own partner"
        elif partner is not None and partner.side == site.side:
            wrong = f"sits on the same side ({site.side})"
        if wrong:
            yield problem(
                "profile-clamshell",
                file=names.file,
                site=site.ref,
                partner=site.clamshell,
                wrong=wrong,
            )


def _partitions(form: ProfileForm, names: Names) -> Iterator[Problem]:
    found: dict[int | str, dict[str, None]] = {}
    for site in form.site:
        if site.partition is not UNSET:
            for link in site.links:
                found.setdefault(as_channel(link.channel), {})[site.partition] = None
    for channel, partitions in found.items():
        if len(partitions) > 1:
            yield problem(
                "profile-partition",
                file=names.file,
                channel=channel,
                partitions=" and ".join(partitions),
            )


def _half_placed(form: ProfileForm, names: Names) -> Iterator[Problem]:
    for site in form.site:
        if (site.x is UNSET) != (site.y is UNSET):
            has, lacks = ("y", "x") if site.x is UNSET else ("x", "y")
            yield problem(
                "profile-half-placed", file=names.file, site=site.ref, has=has, lacks=lacks
            )


def _boxes(form: ProfileForm) -> list[tuple[str, str, Corners]]:
    """The name, the side and the corners of each part whose place and size are known."""
    boxes: list[tuple[str, str, Corners]] = [
        (f"site {site.ref}", site.side, corners(site))
        for site in form.site
        if not (site.x is UNSET or site.y is UNSET or site.size is UNSET)
    ]
    if isinstance(form.controller, ControllerForm):
        boxes.append(("the controller", "top", corners(form.controller)))
    return boxes


def _overlaps(form: ProfileForm, names: Names) -> Iterator[Problem]:
    for (one, side, box), (two, other_side, other) in combinations(_boxes(form), 2):
        depth = overlap(box, other) if side == other_side else 0.0
        if depth > 0:
            yield problem(
                "profile-overlap",
                file=names.file,
                one=one,
                two=two,
                side=side,
                depth=f"{depth:.2g}",
            )


def _outside(form: ProfileForm, names: Names) -> Iterator[Problem]:
    if form.outline is UNSET:
        return
    width, height = form.outline
    for what, _, box in _boxes(form):
        if any(not (0 <= x <= width and 0 <= y <= height) for x, y in box):
            yield problem("profile-outside", file=names.file, what=what)


def _unplaced(form: ProfileForm, names: Names) -> Iterator[Problem]:
    """Sites with no place, or a place and no size; half a place is a problem of its own."""
    unplaced = [
        site.ref
        for site in form.site
        if (site.x is UNSET) == (site.y is UNSET) and (site.x is UNSET or site.size is UNSET)
    ]
    if unplaced:
        yield problem("profile-unplaced", file=names.file, sites=", ".join(unplaced))


def _address(form: ProfileForm, names: Names) -> Iterator[Problem]:
    """No field bit may be told from the others: together they are linearly independent over the
    two-element field, else two of them always say the same."""
    if form.address is UNSET:
        return
    basis: dict[int, int] = {}  # highest set bit -> reduced mask
    for name, times in Counter(f.name for f in form.address.fields).items():
        if times > 1:
            yield problem("profile-address", file=names.file, what=f'field "{name}" stands twice')
    for field in form.address.fields:
        for number, bits in enumerate(field.bits):
            group = [bits] if isinstance(bits, int) else bits
            if len(set(group)) < len(group):
                yield problem(
                    "profile-address",
                    file=names.file,
                    what=f'field "{field.name}" bit {number}: a bit stands twice in its '
                    "XOR group, so it cancels itself",
                )
                continue
            mask = sum(1 << bit for bit in group)
            while mask and mask.bit_length() in basis:
                mask ^= basis[mask.bit_length()]
            if mask:
                basis[mask.bit_length()] = mask
            else:
                bits_said = ", ".join(map(str, group))
                yield problem(
                    "profile-address",
                    file=names.file,
                    what=f'field "{field.name}" bit {number} (address bits {bits_said}) '
                    "follows from the bits before it",
                )


def _baseline(form: ProfileForm, names: Names) -> Iterator[Problem]:
    return baseline_checks.examine(form, names.file, names.rails)


CHECKS: tuple[Callable[[ProfileForm, Names], Iterator[Problem]], ...] = (
    _sites,
    _twice,
    _links,
    _rails,
    _clamshells,
    _partitions,
    _half_placed,
    _overlaps,
    _outside,
    _unplaced,
    _address,
    _baseline,
)


def as_channel(name: int | str) -> int | str:
    """A channel's name: a number where it is written as one, else the word."""
    written = isinstance(name, str) and name.isascii() and name.isdigit() and len(name) <= 5
    return int(name) if written else name


def corners(part: SiteForm | ControllerForm) -> Corners:
    """The four corners of a part in mm, its rotation anticlockwise seen from its own side.

    A bottom part's turn runs the other way when seen from the top, where x and y are counted.
    """
    assert part.x is not UNSET and part.y is not UNSET and part.size is not UNSET
    turn = part.rotation if isinstance(part, SiteForm) else 0.0
    if isinstance(part, SiteForm) and part.side == "bottom":
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
