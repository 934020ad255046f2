"""One package as the pictures show it: to scale and turned as it sits, pin 1 marked, its cause told
by hatch, letter and line, never by colour alone."""

from __future__ import annotations

import math

from msgspec import Struct

from memdiag.model import Site
from memdiag.reports.svg import Drawn, badge, element, fitted, middle, shape

INK, PART, WORK, SUSPECT = "#14213d", "#ffffff", "#c8102e", "#6a3d9a"

HOT, COLD = "HEAT", "NO HEAT"
"""What the bar across a package says; its colour, its shape and its word all tell it."""
AMBER = "#ffb000"
_BARS = {HOT: (WORK, "#ffffff"), COLD: (AMBER, INK)}

LOOKS = {
    "missing": ("cross", "M"),
    "weak": ("slant", "W"),
    "joint": ("dots", "J"),
    "bridge": ("bars", "B"),
    "spillover": ("ripple", "s"),
    "supply": ("posts", "P"),  # as in power
    "controller": ("mesh", "C"),
    "undecided": ("query", "?"),
    "clear": ("plain", ""),
}
"""The hatch of each cause (`cross` and `query` are drawn over the whole package), and one letter
to be read where the hatch is too small."""

PATTERNS = {cause: hatch for cause, (hatch, _) in LOOKS.items()}
LETTERS = {cause: letter for cause, (_, letter) in LOOKS.items()}


class Mark(Struct, frozen=True):
    """How a site is to be shown: its cause (a key of PATTERNS, or None), whether it is the one to
    work on, and the packages that are not told apart from it, itself among them (`one_of`): each
    of those is a suspect, and none has a cause of its own. `told`: a few letters above the
    designator, such as how often it failed. `heat`: HOT or COLD, drawn as a bar in place of what
    the site carries; "" for none."""

    cause: str | None = None
    work: bool = False
    one_of: tuple[str, ...] = ()
    told: str = ""
    heat: str = ""

    @property
    def suspected(self) -> str:
        """`1 of 6`; "" for no suspect."""
        return f"1 of {len(self.one_of)}" if self.one_of else ""


def upright(site: Site) -> tuple[float, float]:
    """The upright box that words may fill: the sides swap at a quarter turn."""
    assert site.size is not None
    w, h = site.size
    turn = abs(math.sin(math.radians(site.rotation)))
    if turn < 0.01:
        return w, h
    if turn > 0.99:
        return h, w
    return (min(w, h) * 0.9,) * 2


def outline(cx: float, cy: float, site: Site, grow: float = 0.0) -> list[tuple[float, float]]:
    """The package's corners in the picture, pin 1's first, then clockwise as seen.

    A turn anticlockwise from this side is the same in both views: each is drawn as seen.
    """
    assert site.size is not None
    w, h = site.size[0] / 2 + grow, site.size[1] / 2 + grow
    c, s = math.cos(math.radians(site.rotation)), math.sin(math.radians(site.rotation))
    return [
        (cx + u * w * c + v * h * s, cy - u * w * s + v * h * c)
        for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]


def path(*points: tuple[float, float]) -> str:
    """The closed path through these points."""
    return "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in points) + "Z"


def _towards(a: tuple[float, float], b: tuple[float, float], by: float) -> tuple[float, float]:
    share = by / math.dist(a, b)
    return a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share


def package(cx: float, cy: float, site: Site, mark: Mark | None, name: str) -> list[Drawn]:
    """The package with its centre at (cx, cy) of the picture; `name` is the picture's prefix."""
    assert site.size is not None
    cause = mark.cause if mark else None
    thin = min(site.size)
    corners = outline(cx, cy, site)
    body = path(*corners)
    parts = [shape(body, fill=PART)]
    if PATTERNS.get(cause or "", "plain") in HATCHED:
        parts.append(shape(body, fill=f"url(#{name}-{PATTERNS[cause or '']})"))
    if cause == "missing":
        d = path(corners[0], corners[2]) + path(corners[1], corners[3])
        parts.append(shape(d, stroke=INK, stroke_width=thin / 14))
    suspect = mark is not None and bool(mark.one_of)
    parts.append(shape(body, fill="none", **_rim(thin, suspect=suspect)))
    if mark is not None and mark.work:
        rim = path(*outline(cx, cy, site, thin / 8))
        look = {"stroke": WORK, "stroke_width": thin / 6, "stroke_linejoin": "round"}
        parts.append(shape(rim, fill="none", **look))
    one, two, four = corners[0], corners[1], corners[3]
    pin = path(one, _towards(one, two, thin / 5), _towards(one, four, thin / 5))
    parts.append(shape(pin, fill=INK))
    pin_right = one[0] > cx and one[1] < cy
    return [*parts, *_labels(site, mark or Mark(), cx, cy, pin_right=pin_right)]


def _rim(thin: float, *, suspect: bool) -> dict[str, object]:
    """The look of a package's edge: heavy and broken where it is a suspect, for it may be this one
    or another that wears the same. It hardly leaves the package, so that neighbours stay apart."""
    if not suspect:
        return {"stroke": INK, "stroke_width": thin / 20}
    dashes = f"{thin / 6:g} {thin / 11:g}"
    return {"stroke": SUSPECT, "stroke_width": thin / 9, "stroke_dasharray": dashes}


def _labels(site: Site, mark: Mark, cx: float, cy: float, *, pin_right: bool) -> list[Drawn]:
    """Designator, the cause's letter in an upper corner that pin 1 leaves free or among how many
    it is a suspect, and what the site carries, on white rims."""
    wide, tall = upright(site)
    letter = LETTERS.get(mark.cause or "", "")
    size = fitted(site.ref, wide * 0.9, tall * 0.36)
    parts = []
    if letter:
        radius = min(wide, tall) * 0.17
        aside = (wide / 2 - radius * 1.15) * (-1 if pin_right else 1)
        x, y = cx + aside, cy - tall / 2 + radius * 1.15
        parts.append(badge(x, y, radius, letter, 1.55, INK))
    high = cy - tall * 0.25
    if mark.suspected and site.ref:
        small = fitted(mark.suspected, wide * 0.75, tall * 0.17)
        parts.append(middle(cx, high, mark.suspected, small, fill=SUSPECT, halo=PART))
    if mark.told:
        small = fitted(mark.told, wide * 0.48, tall * 0.2)
        aside = wide * (0.14 if pin_right else -0.14)
        parts.append(middle(cx + aside, high, mark.told, small, weight="bold", fill=INK, halo=PART))
    parts.append(middle(cx, cy + size * 0.36, site.ref, size, weight="bold", halo=PART))
    if mark.heat:
        return [*parts, _bar(mark.heat, cx, cy + tall * 0.33, wide * 0.9, tall * 0.22)]
    lines = carries(site)
    each = min(fitted(line, wide * 0.8, tall * 0.15) for line in lines) if lines else 0.0
    low = cy + tall * 0.43
    return parts + [
        middle(cx, low - each * 1.05 * (len(lines) - 1 - i), line, each, halo=PART)
        for i, line in enumerate(lines)
    ]


def _bar(word: str, cx: float, cy: float, wide: float, tall: float) -> Drawn:
    """A bar with its word: pointed upwards where heat is wanted, cut at both ends where not."""
    back, ink = _BARS[word]
    left, right, top, low = cx - wide / 2, cx + wide / 2, cy - tall / 2, cy + tall / 2
    if word == HOT:
        edge = (
            f"L{cx:g} {top - tall * 0.45:g}L{right:g} {top:g}L{right:g} {low:g}L{left:g} {low:g}Z"
        )
        d = f"M{left:g} {top:g}{edge}"
    else:
        cut = tall / 2
        d = (
            f"M{left + cut:g} {top:g}L{right - cut:g} {top:g}L{right:g} {cy:g}L{right - cut:g} "
            f"{low:g}L{left + cut:g} {low:g}L{left:g} {cy:g}Z"
        )
    size = fitted(word, wide * 0.72, tall * 0.8)
    return Drawn(
        shape(d, fill=back, stroke=INK, stroke_width=tall / 14)
        + middle(cx, cy + size * 0.36, word, size, weight="bold", fill=ink)
    )


def carries(site: Site) -> tuple[str, ...]:
    """What a site carries, in at most two short lines: `ch 0 1`, or `ch 0` / `lane 3`."""
    if not site.links:
        return ()
    channels = "ch " + " ".join(str(c) for c in site.channels)
    lanes = sorted({link.lane for link in site.links if link.lane is not None})
    if len(site.channels) > 1 or not lanes:
        return (channels,)
    dqs = next((link.dqs for link in site.links if link.dqs is not None), None)
    of_lane = "lane " + " ".join(map(str, lanes))
    return (channels, of_lane + (f" dq {dqs[0]}-{dqs[-1]}" if dqs else ""))


def patterns(name: str, pitch: float) -> Drawn:
    """The hatches. Each differs in shape, not only in tone, and survives a black-only printer."""
    p, w = pitch, pitch / 5

    def tile(kind: str, *shapes: Drawn, turn: float = 0) -> Drawn:
        return element(
            "pattern",
            *shapes,
            id=f"{name}-{kind}",
            width=p,
            height=p,
            patternUnits="userSpaceOnUse",
            patternTransform=f"rotate({turn:g})" if turn else None,
        )

    def line(x1: float, y1: float, x2: float, y2: float, colour: str) -> Drawn:
        return element("line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=colour, stroke_width=w)

    wave = f"M0 {p / 2:g}Q{p / 4:g} {p / 5:g} {p / 2:g} {p / 2:g}T{p:g} {p / 2:g}"
    return element(
        "defs",
        tile("slant", line(p / 2, 0, p / 2, p, "#d55e00"), turn=45),
        tile("dots", element("circle", cx=p / 2, cy=p / 2, r=p / 4, fill="#0072b2")),
        tile("bars", line(0, p / 2, p, p / 2, "#8a3b74")),
        tile("posts", line(p / 2, 0, p / 2, p, "#8a6d00")),
        tile("mesh", line(0, p / 2, p, p / 2, "#00614a"), line(p / 2, 0, p / 2, p, "#00614a")),
        tile("ripple", shape(wave, fill="none", stroke="#5b6770", stroke_width=w / 2)),
    )


HATCHED = frozenset({"slant", "dots", "bars", "posts", "mesh", "ripple"})
"""The hatches that `patterns` draws."""


def swatch(mark: Mark, name: str) -> Drawn:
    """A small package as it is drawn with this mark, for a legend."""
    site = Site("", size=(16.0, 12.0))
    return element(
        "svg",
        patterns(name, 3.0),
        *package(8, 6, site, mark, name),
        viewBox="-1 -1 18 14",
        width=36,
        height=28,
        role="img",
        aria_label=mark.cause or mark.suspected,
    )
