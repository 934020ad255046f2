"""How probable each suspect is through the runs of a repair, as a small SVG chart.

Each line is named at its end and has a marker of its own shape, there and at every run, so that it
is followed without colour; from the run on by which it was gone, the markers are hollow.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from memdiag.model.quantities import show_probability
from memdiag.reports.packages import INK
from memdiag.reports.page import Story
from memdiag.reports.plain import clip
from memdiag.reports.plotted import Curve
from memdiag.reports.svg import Drawn, element, fitted, line, middle, picture, shape, text

WIDE, LEFT, RIGHT, LABEL, HEAD, FOOT = 480.0, 46.0, 262.0, 292.0, 14.0, 34.0
LEAST_TALL, APART = 120.0, 27.0  # of the plot, and between two names: a name takes two lines
SIZE, LEAST_SIZE = 11.0, 7.0
RULE = "#b9c4bd"

_LOOKS: tuple[tuple[str, str | None, tuple[tuple[float, float], ...]], ...] = (
    ("#c8102e", None, ((-1, -1), (1, -1), (1, 1), (-1, 1))),
    ("#00508f", "7 3", ((0, -1.3), (1.2, 0.9), (-1.2, 0.9))),
    ("#00614a", "2 3", ((0, -1.4), (1.4, 0), (0, 1.4), (-1.4, 0))),
    ("#6a3d9a", "9 3 2 3", ((0, 1.3), (1.2, -0.9), (-1.2, -0.9))),
    ("#8a6d00", "4 4", ((-1.1, -1.2), (1.1, -1.2), (-1.1, 1.2), (1.1, 1.2))),
    ("#8a3b74", "12 4", ((-1.2, -1.1), (-1.2, 1.1), (1.2, -1.1), (1.2, 1.1))),
    ("#b34700", "1 4", ((0, -1.3), (1.3, -0.3), (0.8, 1.2), (-0.8, 1.2), (-1.3, -0.3))),
    (INK, "6 2 1 2 1 2", ((-0.5, -1.3), (0.5, -1.3), (0.5, 1.3), (-0.5, 1.3))),
)
"""Colour, dashes and marker (its corners about its middle) of each line."""


class _Plot(Struct, frozen=True):
    runs: int
    tall: float

    def x(self, run: int) -> float:
        return LEFT + (RIGHT - LEFT) * run / (self.runs - 1)

    def y(self, probability: float) -> float:
        return HEAD + self.tall * (1 - probability)


def curves_chart(story: Story) -> Drawn | None:
    """The suspects of a story, run by run; None where there are no two runs, or no suspect."""
    curves = story.curves[: len(_LOOKS)]
    if not curves or len(story.chapters) < 2:
        return None
    plot = _Plot(len(story.chapters), max(LEAST_TALL, APART * len(curves)))
    names = _spread([plot.y(curve.points[-1]) for curve in curves], HEAD, HEAD + plot.tall)
    return picture(
        WIDE,
        HEAD + plot.tall + FOOT,
        element("title", "; ".join(map(_told, curves))),
        *_axes(plot, [chapter.stage for chapter in story.chapters]),
        *(part for n, curve in enumerate(curves) for part in _curve(plot, curve, n, names[n])),
    )


def _told(curve: Curve) -> str:
    """The line in words, for a screen reader."""
    points = (f"run {n} {show_probability(p)}" for n, p in enumerate(curve.points, 1))
    return f"{curve.name}: {', '.join(points)}"


def _axes(plot: _Plot, stages: Sequence[str]) -> list[Drawn]:
    parts = []
    for percent in (0, 25, 50, 75, 100):
        y = plot.y(percent / 100)
        parts += [
            line(LEFT, y, RIGHT, y, stroke=RULE, stroke_width=0.8),
            text(LEFT - 10, y + 4, f"{percent} %", 10, anchor="end"),
        ]
    base = plot.y(0)
    room = 0.95 * (RIGHT - LEFT) / (plot.runs - 1)
    size = min(fitted(stage, room, 10) for stage in stages)
    for run, stage in enumerate(stages):
        parts.append(middle(plot.x(run), base + 17, str(run + 1), SIZE, weight="bold"))
        if size >= LEAST_SIZE:
            parts.append(middle(plot.x(run), base + 30, stage, size))
    return parts


def _curve(plot: _Plot, curve: Curve, number: int, name_y: float) -> list[Drawn]:
    """The line, a marker at each run, a lead to its name, and the name with the last figure."""
    colour, dashes, _ = _LOOKS[number]
    points = [(plot.x(run), plot.y(p)) for run, p in enumerate(curve.points)]
    d = "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
    last_x, last_y = points[-1]
    lead = f"M{last_x + 5:g} {last_y:g}L{LABEL - 14:g} {name_y:g}"
    how = show_probability(curve.points[-1])
    if curve.cured is not None:
        how += f", gone by run {curve.cured + 1}"
    return [
        shape(d, fill="none", stroke=colour, stroke_width=2, stroke_dasharray=dashes),
        shape(lead, fill="none", stroke=colour, stroke_width=0.8),
        *(
            _marker(x, y, number, hollow=curve.cured is not None and run >= curve.cured)
            for run, (x, y) in enumerate(points)
        ),
        _marker(LABEL - 8, name_y, number, hollow=curve.cured is not None),
        *_words(curve.name, name_y - 1, "bold"),
        *_words(how, name_y + 11, "normal"),
    ]


def _words(words: str, y: float, weight: str) -> list[Drawn]:
    """Words beside a line, as large as they fit."""
    room = WIDE - LABEL - 2
    size = max(fitted(words, room, SIZE), LEAST_SIZE)
    shown = clip(words, int(room / (0.62 * size)))
    return [text(LABEL, y, shown, size, weight=weight, halo="#fff")]


def _marker(x: float, y: float, number: int, *, hollow: bool) -> Drawn:
    colour, _, corners = _LOOKS[number]
    d = "M" + "L".join(f"{x + 4 * u:g} {y + 4 * v:g}" for u, v in corners) + "Z"
    return shape(d, fill="#fff" if hollow else colour, stroke=colour, stroke_width=1.5)


def _spread(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    """Heights as near to the wanted ones as leaves two names apart, between top and bottom."""
    order = sorted(range(len(wanted)), key=lambda n: wanted[n])
    placed: list[float] = []
    for rank, n in enumerate(order):
        least = placed[-1] + APART if placed else top
        most = bottom - APART * (len(order) - 1 - rank)
        placed.append(min(max(wanted[n], least), most))
    return [placed[order.index(n)] for n in range(len(wanted))]
