"""What is so at each place of a simulated board, as classes that a classifier can learn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import IntEnum

from memdiag.model import Board, Channel
from tests.simulator.truth import Truth


class So(IntEnum):
    """What may be so at a place: nothing, a fault of the site's own, or one of its rail or
    controller."""

    HEALTHY = 0
    MISSING = 1
    PINS = 2
    ARRAY = 3
    LINE = 4
    COMMAND = 5
    BRIDGE = 6
    SUPPLY = 7
    CONTROLLER = 8

    @property
    def cause(self) -> str:
        """The contract's word for it."""
        return _CAUSES[self]


_CAUSES = {
    So.HEALTHY: "clear",
    So.MISSING: "missing",
    So.PINS: "weak",
    So.ARRAY: "weak",
    So.LINE: "joint",
    So.COMMAND: "joint",
    So.BRIDGE: "bridge",
    So.SUPPLY: "supply",
    So.CONTROLLER: "controller",
}

OWN = (So.MISSING, So.PINS, So.ARRAY, So.LINE, So.COMMAND, So.BRIDGE)
"""What is the site's own."""

_KINDS = {
    "missing": So.MISSING,
    "short-package": So.MISSING,
    "pins": So.PINS,
    "array": So.ARRAY,
    "bridge": So.BRIDGE,
    "open-ca": So.COMMAND,
    "open-address": So.COMMAND,
}


def _shown(truth: Iterable[Truth]) -> list[Truth]:
    return [t for t in truth if t.visible and not t.expected]


def of_site(ref: str, truth: Iterable[Truth]) -> So:
    """What is so at a site, its own fault before one that strikes it from elsewhere. A fault that
    left no trace is not there to be seen."""
    shown = _shown(truth)
    own = [t for t in shown if t.site == ref and t.cause != "controller"]
    if own:
        cause = own[0].cause
        return _KINDS.get(own[0].kind, So.LINE if cause == "joint" else _of_cause(cause))
    struck = [t for t in shown if ref in t.sites]
    return _of_cause(struck[0].cause) if struck else So.HEALTHY


def _of_cause(cause: str) -> So:
    return next(so for so, word in _CAUSES.items() if word == cause)


def of_rail(name: str, truth: Iterable[Truth]) -> So:
    """Whether the supply of that name is at fault."""
    low = any(t.cause == "supply" and name in (t.rail, *t.rails) for t in _shown(truth))
    return So.SUPPLY if low else So.HEALTHY


def of_channel(channel: Channel, truth: Iterable[Truth], board: Board) -> So:
    """Whether the controller has lost that channel, or what serves it."""
    for one in _shown(truth):
        if one.cause == "controller":
            struck = {c for s in board.sites if s.ref in one.sites for c in s.channels}
            if channel in (struck if one.channel is None else {one.channel}):
                return So.CONTROLLER
    return So.HEALTHY


def classes(
    sites: Sequence[str],
    rails: Sequence[str],
    channels: Sequence[Channel],
    truth: Sequence[Truth],
    board: Board,
) -> tuple[list[So], list[So], list[So]]:
    """The classes of all places of a dump."""
    return (
        [of_site(ref, truth) for ref in sites],
        [of_rail(name, truth) for name in rails],
        [of_channel(channel, truth, board) for channel in channels],
    )
