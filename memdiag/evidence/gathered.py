"""The evidence of a run: its nodes, and how much of the board they cover."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct, field
from msgspec.structs import replace

from memdiag.evidence.addresses import Shape
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Place


class ThinEye(Struct, frozen=True):
    """An eye well below what is healthy on this run: its share of that, and where it stands."""

    place: Place
    step: str
    shown: str
    share: float
    line: int


class Evidence(Struct):
    """Everything a dump says, each at the place it says it of."""

    nodes: list[Node]
    shapes: dict[str, Shape] = field(default_factory=dict)
    """What the addresses of each site's errors look like."""
    strides: set[Place] = field(default_factory=set)
    """Data lines whose errors keep a constant stride."""
    erring: frozenset[str] = frozenset()
    """The sites that any error, or check that failed, was counted or listed of."""
    counted: dict[Place, tuple[int, int]] = field(default_factory=dict)
    """Wrong bits, and bits, by lane; by channel where no lane was counted by itself."""
    equal: Sequence[Place] = ()
    """Those that erred equally often, in the order of their rates."""
    silent_sites: tuple[str, ...] = ()
    """Sites of the profile that no row of the dump speaks of."""
    bits_per_lane: float | None = None
    thin_eyes: tuple[ThinEye, ...] = ()
    """Eyes that no board is released with, whatever else was counted."""
    habits: frozenset[str] = frozenset()
    """Steps that the rig fails on every board: they say nothing of this one."""
    kept: tuple[float, ...] = (1.0,)
    """What board and rig keep for the whole run and nobody knows (how far the reference of widths
    is down, where the rig has its limits): the probability of each case. The nodes have a
    likelihood for each."""
    notes: list[str] = field(default_factory=list)


def owners_of(link: Place, board: Board) -> tuple[str, ...]:
    """The sites of the board that a link can mean; where it has no such lane, those of its
    channel. None for a site that the board does not have."""
    found = link.sites(board)
    if not found and link.channel is not None:
        found = replace(link, rank=None, lane=None).sites(board)
    return tuple(ref for ref in found if board.site(ref) is not None)


def at_owner(link: Place, owners: tuple[str, ...]) -> Place:
    """The link with its only owner as its site."""
    return replace(link, site=owners[0] if len(owners) == 1 else None, dq=None)
