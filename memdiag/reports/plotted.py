"""What is plotted: points and lines, in figures alone."""

from __future__ import annotations

from msgspec import Struct


class Dot(Struct, frozen=True):
    """A point of a plot: where it is, its limits upwards, and what it says when pointed at."""

    x: float
    y: float
    low: float
    high: float
    says: str


class Plot(Struct, frozen=True):
    """What was stated (across) against what came true (up), both 0 to 1: on the diagonal the two
    agree. Dots are drawn as large as their `weights` (0 to 1) say."""

    title: str
    across: str
    up: str
    dots: tuple[Dot, ...]
    weights: tuple[float, ...]
    legend: str = ""
    heading: str = "Stated and come true"


class Bars(Struct, frozen=True):
    """How often each cause was found, a bar a row: `rows` are labels, each with its causes (as in
    `packages.LOOKS`) and how often, in the order they are drawn."""

    title: str
    rows: tuple[tuple[str, tuple[tuple[str, int], ...]], ...]
    legend: str = ""
    heading: str = "How often"


class Curve(Struct, frozen=True):
    """A suspect through the chapters: its probability after each, from 0 to 1. `cured`: the
    chapter, from 0, whose work cured it."""

    name: str
    points: tuple[float, ...]
    cured: int | None = None
