"""What a run says of each place, gathered by place, and the evidence that comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from memdiag.evidence.addresses import Shape
from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.nodes import Node
from memdiag.evidence.table import settle
from memdiag.model.board import Board
from memdiag.model.records import Channel, CountRow, Scope, TrainingRow

Key = tuple[str | None, Channel | None, int | None, int | None]


@dataclass(slots=True)
class Evidence:
    """The nodes of a run, and how much of the board they cover."""

    nodes: list[Node]
    shapes: dict[str, Shape] = field(default_factory=dict)
    strides: set[tuple[str, Channel | None, int | None, int | None, int]] = field(
        default_factory=set
    )
    """(site, channel, rank, lane, dq) of data lines whose errors keep a constant stride."""
    silent_sites: tuple[str, ...] = ()
    """Sites of the profile that no row of the dump speaks of."""
    bits_per_lane: float | None = None
    notes: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Group:
    training: list[TrainingRow] = field(default_factory=list)
    counts: list[CountRow] = field(default_factory=list)
    tally: LaneTally | None = None


def key_of(scope: Scope, board: Board) -> Key:
    s = settle(scope, board)
    return (s.site, s.channel, s.rank, s.lane)


def settle_tally(tally: LaneTally, board: Board) -> Scope:
    return settle(Scope(tally.site, tally.channel, tally.rank, tally.lane), board)


def owners_of(key: Key, board: Board) -> tuple[str, ...]:
    site, channel, rank, lane = key
    if site is None and channel is None:
        return tuple(s.ref for s in board.sites)
    found = tuple(s.ref for s in board.owners(Scope(site, channel, rank, lane)))
    if not found and channel is not None and site is None:
        found = tuple(s.ref for s in board.owners(Scope(channel=channel)))
    return found


LINE_OF = {
    "sound": "sound",
    "stray": "stray",
    "disturbed": "disturbed",
    "array": "array",
    "astray": "astray",
    "thin": "thin",
    "open": "dead",
    "joined": "line",
    "dead": "dead",
}


def level(key: Key) -> tuple[bool, ...]:
    """How detailed a place is: counts are compared with counts of the same detail."""
    return tuple(part is not None for part in key)
