"""Tap windows: the longest run of working taps, its centre, margins, holes and open edges."""

from __future__ import annotations

from itertools import pairwise

from msgspec import Struct


class Window(Struct, frozen=True):
    """A sweep, measured. All figures in taps; `width` 0 where no tap works."""

    width: float
    first: int | None
    last: int | None
    centre: float | None
    holes: int
    open_left: bool
    open_right: bool
    length: int

    @property
    def lower_limit(self) -> bool:
        """True where the run reaches an edge of the sweep: the eye is at least this wide."""
        return self.width > 0 and (self.open_left or self.open_right)

    @property
    def full(self) -> bool:
        """Every tap works: more often a delay line that does not move than a perfect eye."""
        return self.length > 0 and self.open_left and self.open_right and self.holes == 0


LEAST_RUN = 3
"""A dead tap is a hole where one of the runs beside it has this many taps; between shorter ones it
is noise."""


def runs(window: str) -> list[tuple[int, int]]:
    """Runs of working taps as (first, last), both included."""
    edges = [i for i, (a, b) in enumerate(pairwise("0" + window + "0")) if a != b]
    return [(start, stop - 1) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def measure(window: str, taps: float = 1.0, *, wraps: bool = False) -> Window:
    """Measure a window string of 1 (works) and 0; each character stands for `taps` taps.

    `wraps`: the sweep covers one clock period, so a run over the right edge goes on at the left
    (write levelling). A hole is a single dead tap inside the run; the run is not cut by it, but
    the hole is counted.
    """
    text = window
    shift = 0
    if wraps and "0" in text and text[0] == "1" and text[-1] == "1":
        shift = text.rindex("0") + 1
        text = text[shift:] + text[:shift]
    joined: list[list[int]] = []
    holes_in: list[int] = []
    before = 0  # taps of the run before this one
    for first, last in runs(text):
        taps_here = last - first + 1
        if joined and first - joined[-1][1] == 2 and max(before, taps_here) >= LEAST_RUN:
            joined[-1][1] = last
            holes_in[-1] += 1
        else:
            joined.append([first, last])
            holes_in.append(0)
        before = taps_here
    if not joined:
        return Window(0.0, None, None, None, 0, False, False, len(text))
    best = max(range(len(joined)), key=lambda i: joined[i][1] - joined[i][0])
    first, last = joined[best]
    centre = ((first + last) / 2 + shift) * taps
    if wraps and shift:
        centre %= len(text) * taps
    return Window(
        (last - first + 1) * taps,
        (first + shift) % len(text),
        (last + shift) % len(text),
        centre,
        holes_in[best],
        first == 0 and not shift,
        last == len(text) - 1 and not shift,
        len(text),
    )
