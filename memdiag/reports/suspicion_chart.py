"""How probable each suspect is, step by step, as one small SVG chart that fits a telephone.

Lines are told apart by their dashes and by the name at their end, not by colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from memdiag.model.quantities import show_probability
from memdiag.reports.packages import INK
from memdiag.reports.page import Course
from memdiag.reports.svg import Drawn, element, line, middle, picture, shape, text

WIDE, TALL = 540.0, 206.0
LEFT, RIGHT, TOP, BASE = 40.0, 300.0, 16.0, 168.0
DASHES = (None, "7 3", "2 2", "9 3 2 3", "4 4", "1 3", "12 3", "6 2 2 2")
LETTER = 11.0
WIDTH = 40
"""Characters of a name that fit beside the chart."""


def chart(course: Course) -> Drawn:
    """The lines of the suspects over the steps; one step alone is a row of dots."""
    steps = len(course.steps)
    parts = [*_axes(course)]
    ends = _apart([_y(values[-1]) for _, values in course.lines])
    for n, (name, values) in enumerate(course.lines):
        points = [(_x(k, steps), _y(p)) for k, p in enumerate(values)]
        path = "M" + "L".join(f"{x:g} {y:g}" for x, y in points)
        look = {"stroke": INK, "stroke_width": 2, "fill": "none"}
        parts.append(shape(path, stroke_dasharray=DASHES[n % len(DASHES)], **look))
        parts += [element("circle", cx=x, cy=y, r=3, fill=INK) for x, y in points]
        x, y = points[-1]
        parts.append(line(x + 4, y, x + 14, ends[n], stroke=INK, stroke_width=0.8))
        words = f"{name} {show_probability(values[-1])}"
        parts.append(text(x + 17, ends[n] + 4, words[:WIDTH], LETTER))
    told = "; ".join(
        f"{name}: {', '.join(map(show_probability, values))}" for name, values in course.lines
    )
    return picture(WIDE, TALL, element("title", told), *parts)


def _x(step: int, steps: int) -> float:
    return LEFT + 14 + (RIGHT - LEFT - 28) * (step / (steps - 1) if steps > 1 else 0.5)


def _y(probability: float) -> float:
    return BASE - (BASE - TOP) * min(max(probability, 0.0), 1.0)


def _axes(course: Course) -> list[Drawn]:
    parts = []
    for share in (0.0, 0.5, 1.0):
        y = _y(share)
        parts.append(line(LEFT, y, RIGHT, y, stroke="#b8c0c6", stroke_width=1))
        parts.append(text(LEFT - 5, y + 4, f"{share * 100:.0f} %", 10, anchor="end"))
    for k, (number, stage) in enumerate(course.steps):
        x = _x(k, len(course.steps))
        parts.append(middle(x, BASE + 16, number, LETTER, weight="bold"))
        room = (RIGHT - LEFT) / len(course.steps)
        if 6 * len(stage) <= room:
            parts.append(middle(x, BASE + 30, stage, 10))
    return parts


def _apart(heights: Sequence[float]) -> list[float]:
    """Heights for the names, no two of which overlap, as near as can be to their lines' ends."""
    order = sorted(range(len(heights)), key=lambda n: heights[n])
    out = list(heights)
    for before, n in pairwise(order):
        out[n] = max(out[n], out[before] + LETTER + 2)
    over = out[order[-1]] - BASE if order else 0.0
    return [y - max(over, 0.0) for y in out]
