"""A board seen from each side, to scale: so that nobody heats the wrong package.

Nothing is told by colour alone: a cause has its hatch, its letter and its line. The bottom is
drawn as it is seen with the board turned over like a page, so left and right are swapped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import Board, Keepout, Site
from memdiag.reports.packages import (
    AMBER,
    COLD,
    INK,
    LETTERS,
    PATTERNS,
    WORK,
    Mark,
    carries,
    outline,
    package,
    path,
    patterns,
    swatch,
    upright,
)
from memdiag.reports.svg import Drawn, box, element, fitted, line, middle, picture, shape, text

__all__ = ["LETTERS", "PATTERNS", "Mark", "board_svg", "carries", "drawable", "side_svg", "swatch"]

HEAD = 2.5  # space for the caption above the board, in paddings
Link = Callable[[str], str] | None

BOARD, GHOST = "#e9efe6", "#7d8a94"


class _View(Struct, frozen=True):
    """A side of the board: millimetres of the profile to units of the picture, which are mm too."""

    board: Board
    side: str
    x0: float
    y0: float
    width: float
    height: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        across = self.x0 + self.width - x if self.side == "bottom" else x - self.x0
        return across, self.y0 + self.height - y


def drawable(board: Board) -> bool:
    """Whether any site has a place and a size."""
    return any(_placed(site) for site in board.sites)


def board_svg(board: Board, marks: Mapping[str, Mark] | None = None) -> str:
    """Both sides in one self-contained SVG document, the title above them.

    Raises ValueError where no site of the board has a place and a size.
    """
    top, bottom = (side_svg(board, side, marks, name=side[0]) for side in ("top", "bottom"))
    width, height = _frame(board)
    gap, head = width * 0.04, width * 0.09
    title = " - ".join(part for part in (board.name, board.title) if part)
    size = fitted(title, 1.9 * width, head * 0.5)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + element(
        "svg",
        element("rect", x=0, y=0, width=2 * width + gap, height=height + head, fill="#fff"),
        text(width * 0.03, head * 0.68, title, size, weight="bold"),
        Drawn(top.replace("<svg ", f'<svg x="0" y="{head:g}" ', 1)),
        Drawn(bottom.replace("<svg ", f'<svg x="{width + gap:g}" y="{head:g}" ', 1)),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {2 * width + gap:g} {height + head:g}",
        width=f"{2 * width + gap:g}mm",
        height=f"{height + head:g}mm",
    )


def side_svg(
    board: Board,
    side: str,
    marks: Mapping[str, Mark] | None = None,
    *,
    name: str = "v",
    link: Link = None,
) -> Drawn:
    """One side as an `<svg>` element, 1 unit = 1 mm. `name` keeps ids of several pictures apart.
    `link` gives the address that each package leads to, of its designator.

    Raises ValueError where no site of the board has a place and a size.
    """
    marks = marks or {}
    view = _view(board, side)
    pad, head = _pad(view), _pad(view) * HEAD
    placed = [s for s in board.sites if _placed(s)]
    here = [s for s in placed if s.side == side]
    taken = {(s.x, s.y) for s in here}
    through = [s for s in placed if s.side != side and (s.x, s.y) not in taken]
    caption, hint = f"{side.upper()} SIDE", "as you look down on it"
    if side == "bottom":
        hint = "board turned over like a page: left and right are swapped"
    rim = {"stroke": INK, "stroke_width": pad / 14}
    body = [
        box(0, 0, view.width, view.height, rx=pad / 4, fill=BOARD, **rim),
        *_origin(view, pad),
        *_controller(view),
        *(_ghost(view, site) for site in through),
        *(part for site in here for part in _sight(view, site, marks, pad)),
        *(part for each in board.keepouts for part in _keepout(view, each)),
        *(_package(view, s, marks.get(s.ref), name, link) for s in here),
    ]
    if not here:
        words = "no package on this side; dashed: packages on the other side"
        size = fitted(words, view.width * 0.9, pad * 0.7)
        body.append(middle(view.width / 2, view.height - pad * 0.5, words, size, fill=INK))
    return picture(
        *_frame(board),
        element("title", _told(board, side, here, marks)),
        patterns(name, _hatch_pitch(board)),
        text(pad, pad * 0.85, caption, pad * 0.78, weight="bold"),
        text(pad, pad * 1.55, hint, min(pad * 0.56, fitted(hint, view.width, pad))),
        element("g", body, transform=f"translate({pad:g} {head:g})"),
        *_foot(view, pad, head),
        role="group" if link else "img",
    )


def _package(view: _View, site: Site, mark: Mark | None, name: str, link: Link) -> Drawn:
    drawn = package(*_centre(view, site), site, mark, name)
    if link is None:
        return Drawn("".join(drawn))
    return element("a", drawn, href=link(site.ref), aria_label=site.ref)


def _placed(site: Site) -> bool:
    return site.x is not None and site.y is not None and site.size is not None


def _view(board: Board, side: str) -> _View:
    """The view's extent: the outline, or what the parts take with a rim, whichever is larger."""
    xs, ys = [], []
    for site in board.sites:
        if site.x is not None and site.y is not None and site.size is not None:
            reach = math.hypot(*site.size) / 2
            xs += [site.x - reach, site.x + reach]
            ys += [site.y - reach, site.y + reach]
    if not xs:
        raise ValueError("no site of this board has a place and a size")
    boxes = [(k.x, k.y, k.size) for k in board.keepouts]
    for x, y, (w, h) in (*boxes, *([board.controller] if board.controller else [])):
        xs += [x - w / 2, x + w / 2]
        ys += [y - h / 2, y + h / 2]
    rim = 0.04 * max(max(xs) - min(xs), max(ys) - min(ys))
    x0, x1, y0, y1 = min(xs) - rim, max(xs) + rim, min(ys) - rim, max(ys) + rim
    if board.outline is not None:
        w, h = board.outline
        x0, y0 = (0.0 if min(xs) >= 0 else x0), (0.0 if min(ys) >= 0 else y0)
        x1, y1 = (w if max(xs) <= w else x1), (h if max(ys) <= h else y1)
    return _View(board, side, x0, y0, x1 - x0, y1 - y0)


def _pad(view: _View) -> float:
    return 0.055 * max(view.width, view.height)


def _frame(board: Board) -> tuple[float, float]:
    view = _view(board, "top")
    pad = _pad(view)
    return view.width + 2 * pad, view.height + (HEAD + 1.9) * pad


def _hatch_pitch(board: Board) -> float:
    return min(min(s.size) for s in board.sites if s.size is not None) / 5


def _origin(view: _View, pad: float) -> list[Drawn]:
    """A notch in the corner the profile counts from, so that a turned board is noticed."""
    x, y = view.at(view.x0, view.y0)
    inward = 1 if x < view.width / 2 else -1
    arm, anchor = pad * 0.6, "start" if inward > 0 else "end"
    return [
        shape(f"M{x:g} {y - arm:g}L{x:g} {y:g}L{x + inward * arm:g} {y:g}Z", fill=INK),
        text(x + inward * arm * 1.3, y - arm * 0.3, "0,0", arm * 0.75, fill=INK, anchor=anchor),
    ]


def _controller(view: _View) -> list[Drawn]:
    if view.board.controller is None:
        return []
    x, y, (w, h) = view.board.controller
    cx, cy = view.at(x, y)
    below = view.side == "bottom"
    word = "(controller)" if below else "controller"
    ink = GHOST if below else INK
    look = {"fill": "none" if below else "#c9d1d9", "stroke": ink, "stroke_width": w / 50}
    dashes = f"{w / 18:g} {w / 22:g}" if below else None
    return [
        box(cx - w / 2, cy - h / 2, w, h, **look, stroke_dasharray=dashes),
        middle(cx, cy, word, fitted(word, w * 0.9, h / 4), fill=ink),
    ]


def _keepout(view: _View, part: Keepout) -> list[Drawn]:
    """A part that must not be warmed: amber with its word, a dashed outline through the board."""
    cx, cy = view.at(part.x, part.y)
    w, h = part.size
    edge = min(w, h) / 14
    if part.side != view.side:
        dashes = f"{edge * 3:g} {edge * 2:g}"
        words = f"({part.name}) no heat"
        size = fitted(words, w * 0.95, h / 3)
        look = {"fill": "none", "stroke": GHOST, "stroke_width": edge, "stroke_dasharray": dashes}
        return [
            box(cx - w / 2, cy - h / 2, w, h, **look),
            middle(cx, cy + size / 3, words, size, fill=GHOST),
        ]
    name, word = fitted(part.name, w * 0.9, h / 3), fitted(COLD, w * 0.9, h / 4)
    look = {"fill": AMBER, "stroke": INK, "stroke_width": edge}
    return [
        box(cx - w / 2, cy - h / 2, w, h, **look),
        middle(cx, cy - h * 0.02, part.name, name, weight="bold", fill=INK),
        middle(cx, cy + h * 0.34, COLD, word, weight="bold", fill=INK),
    ]


def _centre(view: _View, site: Site) -> tuple[float, float]:
    assert site.x is not None and site.y is not None
    return view.at(site.x, site.y)


def _ghost(view: _View, site: Site) -> Drawn:
    """A package on the other side, seen through the board: its turn is mirrored."""
    assert site.size is not None
    cx, cy = _centre(view, site)
    w = min(site.size)
    words = f"({site.ref})"
    seen = replace(site, rotation=-site.rotation)
    look = {"stroke": GHOST, "stroke_width": w / 30, "stroke_dasharray": f"{w / 9:g} {w / 12:g}"}
    size = fitted(words, upright(site)[0] * 0.8, w / 4)
    return element(
        "g",
        shape(path(*outline(cx, cy, seen)), fill="none", **look),
        middle(cx, cy + w / 14, words, size, fill=GHOST),
    )


def _sight(view: _View, site: Site, marks: Mapping[str, Mark], pad: float) -> list[Drawn]:
    """Lines from the board's edges to the ring round a site to work on, with an arrow head at each
    edge, and where it is in mm."""
    mark = marks.get(site.ref)
    if mark is None or not mark.work:
        return []
    cx, cy = _centre(view, site)
    a, w, h = pad * 0.75, view.width, view.height
    corners = outline(cx, cy, site, min(site.size or (0.0,)) / 8)
    (left, right), (high, low) = ((min(c), max(c)) for c in zip(*corners, strict=True))
    size = pad * 0.56
    look = {"stroke": WORK, "stroke_width": pad / 9, "stroke_dasharray": f"{pad / 2:g} {pad / 4:g}"}
    heads = (
        f"M{cx:g} 0L{cx - a / 2:g} {-a:g}H{cx + a / 2:g}Z",
        f"M{cx:g} {h:g}L{cx - a / 2:g} {h + a:g}H{cx + a / 2:g}Z",
        f"M0 {cy:g}L{-a:g} {cy - a / 2:g}V{cy + a / 2:g}Z",
        f"M{w:g} {cy:g}L{w + a:g} {cy - a / 2:g}V{cy + a / 2:g}Z",
    )
    return [
        *(line(cx, y1, cx, y2, **look) for y1, y2 in ((0, high), (low, h)) if y2 > y1),
        *(line(x1, cy, x2, cy, **look) for x1, x2 in ((0, left), (right, w)) if x2 > x1),
        *(shape(d, fill=WORK) for d in heads),
        text(cx + a * 0.7, h + size, f"x {site.x:g} mm", size, weight="bold", halo=BOARD),
        text(size / 3, cy - size / 2, f"y {site.y:g} mm", size, weight="bold", halo=BOARD),
    ]


def _foot(view: _View, pad: float, head: float) -> list[Drawn]:
    """The scale bar, and what the corner mark means."""
    length = max((n for n in (1, 2, 5, 10, 20, 50, 100) if n <= view.width / 5), default=1)
    y, x = head + view.height + pad * 1.1, pad
    words = "black corner = pin 1"
    tick, end = pad / 5, x + length
    bar = f"M{x:g} {y - tick:g}V{y + tick:g}M{x:g} {y:g}H{end:g}M{end:g} {y - tick:g}V{y + tick:g}"
    return [
        shape(bar, stroke=INK, stroke_width=pad / 10, fill="none"),
        text(end + pad / 3, y + pad * 0.2, f"{length} mm", pad * 0.56),
        text(pad + view.width, y + pad * 0.2, words, pad * 0.56, anchor="end"),
    ]


def _told(board: Board, side: str, here: Sequence[Site], marks: Mapping[str, Mark]) -> str:
    """The picture in words, for a screen reader."""
    told = [
        site.ref
        + (" (work here)" if marks[site.ref].work else "")
        + (f" ({marks[site.ref].heat.lower()})" if marks[site.ref].heat else "")
        + (f" ({marks[site.ref].cause})" if marks[site.ref].cause else "")
        + (f" (suspect, {marks[site.ref].suspected})" if marks[site.ref].one_of else "")
        for site in here
        if site.ref in marks
    ]
    told += [f"{k.name} (no heat)" for k in board.keepouts if k.side == side]
    sites = ", ".join(site.ref for site in here) or "no package"
    return f"{board.name or 'board'}, {side} side: {sites}" + (
        f". Marked: {', '.join(told)}" if told else ""
    )
