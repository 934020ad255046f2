"""How boards join their packages: whom a fault pulls at, how hard, and with bursts of noise or not.

What is pulled, and by how much, stands in `rig_behaviour.py`.
"""

from __future__ import annotations

from typing import NamedTuple

from memdiag.model.figures import Table

_F = Table("How boards join their packages")

BURSTS = _F.practice("bursts", 0.45, "share of pulled packages that bursts of noise hit")


class Board(NamedTuple):
    """How a board joins its packages. Its stubs, clocks and references are the same for all, so
    this is drawn once for a board."""

    share: float
    pull: float = 1.0
    least: float = 0.0
    block: float = 0.0
    hard: float = 0.0
    bursts: float = BURSTS


_SAYS = {
    "share": "share of boards",
    "pull": "how much more than the average",
    "least": "chance at least, whatever joins two",
    "block": "the same of one PHY block or two sides of a stub",
    "hard": "share of pulls there that are strong, where it is one for all",
    "bursts": "share of pulled packages that bursts of noise hit there",
}
BOARDS = tuple(
    Board(**{k: _F.practice(f"{name} boards, {k}", value, _SAYS[k]) for k, value in given.items()})
    for name, given in (
        ("stiff", {"share": 0.56, "pull": 0.35}),
        ("soft", {"share": 0.22, "pull": 2.2}),
        ("shaking", {"share": 0.10, "pull": 2.5, "least": 0.8, "bursts": 0.9}),
        ("joined", {"share": 0.07, "block": 0.9}),
        ("hard", {"share": 0.05, "block": 0.9, "hard": 0.7}),
    )
)
