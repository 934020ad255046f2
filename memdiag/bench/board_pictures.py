"""The boards that can be picked, each with its picture."""

from __future__ import annotations

from memdiag.bench.refusal import Refusal
from memdiag.boards import profiles
from memdiag.reports.drawing import board_svg, drawable


def names() -> list[str]:
    """The boards on the search path by their names, those whose profile can be used."""
    return sorted(
        name for name, path in profiles.shelf() if profiles.read_with_problems(path)[0] is not None
    )


def picture(name: str) -> str:
    """Both sides of a listed board, as SVG. Raises Refusal where there is no such picture."""
    try:
        board = profiles.find(name)
    except profiles.ProfileError as wrong:
        raise Refusal(404, wrong.problems) from None
    if board is None or not drawable(board):
        raise Refusal.of(404, "bench-board", board=name[:80])
    return board_svg(board)
