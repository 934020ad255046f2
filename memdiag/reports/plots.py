"""What was stated against what came true, as a small SVG plot that prints in black."""

from __future__ import annotations

from memdiag.reports.packages import INK
from memdiag.reports.plotted import Plot
from memdiag.reports.svg import Drawn, box, element, line, middle, picture, text

SIDE, LEFT, HEAD, FOOT = 260.0, 58.0, 30.0, 46.0
GRID, DOT = "#dde4de", "#0072b2"
_SMALLEST, _LARGEST = 3.0, 8.0


def drawn(plot: Plot) -> Drawn:
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
