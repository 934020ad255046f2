"""Eye widths lane by lane beside their peers, as small SVG strips that fit a telephone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from memdiag.model import Board
from memdiag.model.table import TableRow
from memdiag.reports.packages import INK, LETTERS, PATTERNS, WORK, Mark, patterns
from memdiag.reports.page import NOT_SAID
from memdiag.reports.svg import Drawn, badge, element, line, middle, picture, shape, text

WIDE, TALL, LEFT, HEAD, BASE = 380.0, 180.0, 34.0, 24.0, 136.0
LANES = 26  # bars in one strip
SOUND = "#5b7f95"


def eye_strips(
    rows: Sequence[TableRow],
    board: Board,
    marks: Mapping[str, Mark],
    name: str,
    healthy: float | None = None,
) -> tuple[tuple[Drawn, bool], ...]:
    """Strips of bars, one bar a lane, and whether a marked site stands in each. Empty where the
    dump gives no width in UI. `healthy` is what healthy peers show, in UI.

    A lane without a figure is a dash, a lane without an eye a cross: neither looks like the other.
    """
    lanes = [row for row in rows if row.lane is not None]
    widths = [row.width_ui for row in lanes if row.width_ui is not None]
    if not widths:
        return ()
    top = max(*widths, board.thin_ui or 0.0, 0.1) * 1.04
    lines = _limits(healthy, board)
    return tuple(
        (
            _strip(group, marks, top, lines, f"{name}{number}"),
            any((row.site or "") in marks for row in group),
        )
        for number, group in enumerate(_groups(lanes))
    )


_Limit = tuple[float, str, str]
"""A width to hold the bars against (UI), its words, its dashes."""


def _limits(healthy: float | None, board: Board) -> list[_Limit]:
    """What healthy peers show, and the profile's own limit, as far as they are known."""
    known = ((healthy, "healthy peers", "7 3"), (board.thin_ui, "the board's limit", "2 2"))
    return [(width, words, dashes) for width, words, dashes in known if width is not None]


def _groups(lanes: Sequence[TableRow]) -> list[list[TableRow]]:
    """Strips of whole sites, about equally long."""
    by_site: dict[tuple[str, str], list[TableRow]] = {}
    for row in lanes:
        by_site.setdefault(_owner(row), []).append(row)
    strips = max(1, -(-len(lanes) // LANES))
    share = -(-len(lanes) // strips)
    groups: list[list[TableRow]] = [[]]
    for rows in by_site.values():
        if groups[-1] and len(groups[-1]) + len(rows) > max(share, len(rows)):
            groups.append([])
        groups[-1] += rows
    return groups


def _owner(row: TableRow) -> tuple[str, str]:
    """What a group of bars is called: the site, or the channel where no site is known."""
    if row.site is not None:
        return ("site", row.site)
    return ("ch", NOT_SAID if row.channel is None else str(row.channel))


class _Scale(Struct, frozen=True):
    """How a strip is drawn: `top` UI at its upper edge, `step` wide bars, `name` for its ids."""

    top: float
    step: float
    name: str

    def y(self, width: float) -> float:
        return BASE - (BASE - HEAD) * width / self.top


def _strip(
    rows: Sequence[TableRow],
    marks: Mapping[str, Mark],
    top: float,
    lines: Sequence[_Limit],
    name: str,
) -> Drawn:
    owners = list(dict.fromkeys(map(_owner, rows)))
    step = min(30.0, (WIDE - LEFT - 6) / (len(rows) + 0.7 * len(owners)))
    scale = _Scale(top, step, name)
    parts = [
        line(LEFT, BASE, WIDE - 2, BASE, stroke=INK, stroke_width=1.2),
        text(LEFT - 5, HEAD - 8, "UI", 10, anchor="end"),
        text(LEFT - 5, BASE + 3, "0", 10, anchor="end"),
    ]
    x = LEFT + step * 0.35
    for owner in owners:
        mine = [row for row in rows if _owner(row) == owner]
        mark = marks.get(owner[1]) if owner[0] == "site" else None
        parts += _label(owner, mark, x + step * len(mine) / 2, step * (len(mine) + 0.6))
        for row in mine:
            parts += _bar(row, x, scale)
            x += step
        x += step * 0.7
    key = LEFT
    for width, words, dashes in lines:
        y = scale.y(width)
        look = {"stroke": INK, "stroke_width": 1.2, "stroke_dasharray": dashes}
        parts += [
            line(LEFT, y, WIDE - 2, y, **look),
            text(LEFT - 5, y + 4, f"{width:.2f}", 10, anchor="end"),
            line(key, 8, key + 24, 8, **look),
            text(key + 28, 12, words, 10),
        ]
        key += 40 + 6.2 * len(words)
    told = "; ".join(
        f"{row.place}: " + ("not measured" if row.width_ui is None else f"{row.width_ui:.2f} UI")
        for row in rows
    )
    return picture(WIDE, TALL, element("title", told), patterns(name, 6), *parts)


def _bar(row: TableRow, x: float, scale: _Scale) -> list[Drawn]:
    """One lane, hatched by its own cause: the other lanes of a site may be sound."""
    step = scale.step
    at = x + step / 2
    lane = middle(at, BASE + 11, str(row.lane), min(10.0, step * 1.2))
    if row.width_ui is None:
        ends = (at - step * 0.3, BASE - 4, at + step * 0.3, BASE - 4)
        return [lane, line(*ends, stroke=INK, stroke_width=2)]
    if row.width_ui <= 0:
        r = min(4.0, step * 0.4)
        w = 2 * r
        d = f"M{at - r:g} {BASE - w - 2:g}l{w:g} {w:g}m0 {-w:g}l{-w:g} {w:g}"
        return [lane, shape(d, stroke=WORK, stroke_width=2.2, fill="none")]
    y = scale.y(row.width_ui)
    box = {"x": x + step * 0.1, "y": y, "width": step * 0.8, "height": BASE - y}
    if row.cause in (None, "clear"):
        return [lane, element("rect", fill=SOUND, **box)]
    kind = PATTERNS.get(row.cause or "", "plain")
    hatch = f"url(#{scale.name}-{kind})" if kind not in ("plain", "cross", "query") else "#fff"
    return [
        lane,
        element("rect", fill="#fff", **box),
        element("rect", fill=hatch, stroke=INK, stroke_width=1.2, **box),
    ]


def _label(owner: tuple[str, str], mark: Mark | None, x: float, room: float) -> list[Drawn]:
    kind, who = owner
    words = who if kind == "site" else f"ch {who}"
    letter = LETTERS.get(mark.cause or "", "") if mark else ""
    size = min(13.0, room / (0.62 * max(len(words), 2)))
    weight, fill = "bold" if mark else "normal", WORK if mark and mark.work else "#111"
    parts = [middle(x, BASE + 26, words, size, weight=weight, fill=fill)]
    if letter:
        parts.append(badge(x, BASE + 36, min(6.5, room * 0.3), letter, 1.5, INK))
    return parts
