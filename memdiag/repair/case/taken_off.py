"""What packages drew that were taken off: two readings of a rail, with them on and with them off.

Conductances add (Kirchhoff): a rail that reads R1 with a package and R2 without it had that package
at 1/(1/R1 - 1/R2). The reading with it on then says two things, each once: what the package draws,
and, through the reading with it off, what the rail draws by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from memdiag.evidence import rails
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Place, Quote, RailRow
from memdiag.model.figures import Table
from memdiag.model.quantities import show_ohms

if TYPE_CHECKING:
    from memdiag.repair.case.joint import Watched

_F = Table("Packages taken off")
SAME = _F.practice(
    "same reading", 0.05, "share by which two readings of one rail differ with nothing done"
)


def attribute(watched: Sequence[Watched]) -> None:
    """Let the last reading of a rail before packages came off speak of those packages, where the
    next reading tells what is left without them."""
    for before, after in pairwise(watched):
        off = _off(after) - _off(before)
        if off:
            _compare(before, after, off)


def _off(watched: Watched) -> frozenset[str]:
    return frozenset(watched.measured.run.head.removed or ())


def _compare(before: Watched, after: Watched, off: frozenset[str]) -> None:
    board = before.measured.board
    last = {row.rail: row for row in before.measured.run.rails}
    then = {row.rail: row for row in after.measured.run.rails}
    for rail in last.keys() & then.keys():
        drew = tuple(s.ref for s in board.sites_on_rail(rail) if s.ref in off)
        node = _reading(before, rail)
        if drew and node is not None and _settled(last[rail]) and _settled(then[rail]):
            _drawn(node, drew, last[rail], then[rail], board)


def _reading(watched: Watched, rail: str) -> Node | None:
    return next(
        (n for n in watched.evidence.nodes if n.kind == "rail" and n.place.rail == rail), None
    )


def _settled(row: RailRow) -> bool:
    """A reading that moves is not the last one; upwards it may only be too low."""
    return not math.isinf(row.ohms)


def _drawn(
    node: Node, drew: tuple[str, ...], with_it: RailRow, without: RailRow, board: Board
) -> None:
    """Make the earlier reading one of what the packages drew by themselves."""
    rail = board.rail(with_it.rail)
    fed = max(len(board.sites_on_rail(with_it.rail)), 1)
    own = rails.through_package(with_it.ohms, without.ohms)
    if own is None or without.ohms <= with_it.ohms * (1 + SAME):
        own = math.inf
    table = (
        {"normal": 0.0, "high": 0.0, "low": NOTHING, "short": NOTHING}
        if math.isinf(own)
        else rails.reading_loglik(own, None, rail, len(drew) / fed)
    )
    names = ", ".join(drew)
    says = (
        f"rail {with_it.rail} reads the same with {names} off: they do not draw it down"
        if math.isinf(own)
        else f"rail {with_it.rail} read {show_ohms(with_it.ohms)} with {names} on and "
        f"{show_ohms(without.ohms)} with them off: they drew {show_ohms(own)}"
    )
    fresh = Node("rail", drew, Place())
    fresh.add(table)
    fresh.quotes.append(Quote(with_it.position.line, says))
    node.sites, node.place, node.quotes = fresh.sites, fresh.place, fresh.quotes
    node.replace_by(fresh)


NOTHING = _F.practice(
    "not drawn", -6.0, "log likelihood of a low package whose going leaves the reading as it was"
)
