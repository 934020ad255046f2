"""A board in characters, for a terminal: where the site in question is among the others.

A side is drawn as it is seen, the bottom with left and right swapped. A character is about twice as
high as it is wide, so it is to scale as far as there is room; it shows where a package is, not how
large.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from memdiag.model import Board, Cause, Site
from memdiag.reports.packages import Mark
from memdiag.reports.page import Places

WIDEST, HIGHEST = 60, 11
"""Characters and lines of a side at the most."""
MARKS = {
    ">{}<": "work on it",
    "?{}?": "one of these",
    "~{}~": "disturbed",
    "!{}!": "at fault too",
    " {} ": "",
}


def sketch(places: Places, width: int) -> str:
    """The sides with a mark on them, each under its name; "" where the profile knows no places, or
    so many characters are too few for them."""
    marked = {ref for ref, mark in places.marks.items() if _sign(mark).strip() != "{}"}
    sides = []
    used: dict[str, None] = {}
    for side in ("top", "bottom"):
        here = [s for s in _placed(places.board) if s.side == side]
        if not marked.isdisjoint(s.ref for s in here):
            drawn = _side(here, places.marks, min(width, WIDEST) - 4)
            if drawn is None:
                return ""
            sides.append("\n".join([f"{places.board.name or 'board'}, {side} side", *drawn]))
            used |= dict.fromkeys(_sign(places.marks.get(s.ref)) for s in here)
    legend = "   ".join(f"{sign.format('U')} {MARKS[sign]}" for sign in MARKS if sign in used)
    return "\n".join([*sides, legend.rstrip()]) if sides else ""


def _placed(board: Board) -> Iterator[Site]:
    return (s for s in board.sites if s.x is not None and s.y is not None)


def _sign(mark: Mark | None) -> str:
    if mark is None or mark == Mark(told=mark.told) or mark.cause == Cause.CLEAR.value:
        return " {} "
    if mark.one_of:
        return "?{}?"
    if mark.work:
        return ">{}<"
    return "~{}~" if mark.cause == Cause.SPILLOVER.value else "!{}!"


def _side(here: list[Site], marks: Mapping[str, Mark], room: int) -> list[str] | None:
    """The lines of one side, None where names would cover each other."""
    labels = {s.ref: _sign(marks.get(s.ref)).format(s.ref) for s in here}
    longest = max(map(len, labels.values()))
    xs, ys = [s.x or 0.0 for s in here], [s.y or 0.0 for s in here]
    span = max(max(xs) - min(xs), 1e-9)
    across = min((room - longest) / span, 1.5)
    if across <= 0:
        return None
    down = min(across / 2, (HIGHEST - 1) / max(max(ys) - min(ys), 1e-9))
    lines: dict[int, dict[int, str]] = {}
    for s in here:
        x, y = s.x or 0.0, s.y or 0.0
        column = round((max(xs) - x if s.side == "bottom" else x - min(xs)) * across)
        lines.setdefault(round((max(ys) - y) * down), {})[column] = labels[s.ref]
    wide = round(span * across) + longest
    made = []
    for row in range(max(lines) + 1):
        text = ""
        for column, label in sorted(lines.get(row, {}).items()):
            if text and column <= len(text) - 1:
                return None
            text = text.ljust(column) + label
        made.append(f"| {text.ljust(wide)} |")
    rim = f"+{'-' * (wide + 2)}+"
    return [rim, *made, rim]
