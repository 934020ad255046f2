"""What was stated against what came true, and how often what was found, as small SVG plots that
print in black."""

from __future__ import annotations

from memdiag.reports.packages import HATCHED, INK, LETTERS, PATTERNS, patterns
from memdiag.reports.plotted import Bars, Plot
from memdiag.reports.svg import Drawn, box, element, fitted, line, middle, picture, text

SIDE, LEFT, HEAD, FOOT = 260.0, 58.0, 30.0, 46.0
GRID, DOT = "#dde4de", "#0072b2"
_SMALLEST, _LARGEST = 3.0, 8.0


WIDE, NAME, BAR, STEP = 420.0, 96.0, 24.0, 38.0


def drawn(plot: Plot | Bars, name: str = "p") -> Drawn:
    """The plot; `name` keeps the hatches of several apart."""
    return _bars(plot, name) if isinstance(plot, Bars) else _agreement(plot)


def _bars(bars: Bars, name: str) -> Drawn:
    """A bar a row, as long as its sum; each cause with its hatch, its letter and its number."""
    most = max((sum(n for _, n in causes) for _, causes in bars.rows), default=0) or 1
    parts: list[Drawn] = []
    told = []
    for number, (label, causes) in enumerate(bars.rows):
        y = HEAD + STEP * number
        size = fitted(label, NAME - 8, 12)
        parts.append(text(NAME - 6, y + BAR * 0.68, label, size, anchor="end", weight="bold"))
        x = NAME
        for cause, count in causes:
            width = (WIDE - NAME - 10) * count / most
            parts += _piece(x, y, width, cause, count, name)
            x += width
        told.append(f"{label}: {', '.join(f'{cause} {count}' for cause, count in causes)}")
    return picture(
        WIDE,
        HEAD + STEP * len(bars.rows) + 4,
        element("title", f"{bars.title}. {'; '.join(told) or 'nothing to show'}"),
        patterns(name, 6.0),
        middle(WIDE / 2, 18, bars.title, 13, weight="bold"),
        *parts,
    )


def _piece(x: float, y: float, width: float, cause: str, count: int, name: str) -> list[Drawn]:
    hatch = PATTERNS.get(cause, "plain")
    words = f"{LETTERS.get(cause, '')} {count}".strip()
    fill = f"url(#{name}-{hatch})" if hatch in HATCHED else "#fff"
    return [
        box(x, y, width, BAR, fill="#fff"),
        box(x, y, width, BAR, element("title", f"{cause} {count}"), fill=fill, stroke=INK),
        middle(
            x + width / 2,
            y + BAR * 0.68,
            words,
            fitted(words, width * 0.9, 12),
            weight="bold",
            halo="#fff",
        ),
    ]


def _agreement(plot: Plot) -> Drawn:
    """The plot: the diagonal, each dot with its limits, and its words for who cannot see it."""
    told = "; ".join(dot.says for dot in plot.dots) or "nothing to show"
    parts = [box(LEFT, HEAD, SIDE, SIDE, fill="#fff", stroke=INK, stroke_width=1)]
    for tenth in range(0, 11, 2):
        share = tenth / 10
        x, y = _x(share), _y(share)
        parts += [
            line(x, HEAD, x, HEAD + SIDE, stroke=GRID, stroke_width=1),
            line(LEFT, y, LEFT + SIDE, y, stroke=GRID, stroke_width=1),
            middle(x, HEAD + SIDE + 14, f"{share:.0%}", 10),
            text(LEFT - 5, y + 4, f"{share:.0%}", 10, anchor="end"),
        ]
    parts.append(
        line(_x(0), _y(0), _x(1), _y(1), stroke=INK, stroke_width=1, stroke_dasharray="5 4")
    )
    for dot, weight in zip(plot.dots, plot.weights, strict=True):
        x = _x(dot.x)
        parts += [
            line(x, _y(dot.low), x, _y(dot.high), stroke=INK, stroke_width=1.5),
            element(
                "circle",
                element("title", dot.says),
                cx=x,
                cy=_y(dot.y),
                r=_SMALLEST + (_LARGEST - _SMALLEST) * weight,
                fill=DOT,
                stroke=INK,
            ),
        ]
    centre = LEFT + SIDE / 2
    return picture(
        LEFT + SIDE + 14,
        HEAD + SIDE + FOOT,
        element("title", f"{plot.title}: {told}"),
        middle(centre, 18, plot.title, 13, weight="bold"),
        *parts,
        middle(centre, HEAD + SIDE + 34, plot.across, 11),
        element(
            "g",
            middle(0, 0, plot.up, 11),
            transform=f"translate(14 {HEAD + SIDE / 2:g}) rotate(-90)",
        ),
    )


def _x(share: float) -> float:
    return LEFT + SIDE * share


def _y(share: float) -> float:
    return HEAD + SIDE * (1 - share)
