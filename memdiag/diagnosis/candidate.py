"""A fault that could be, and how near every other place of the board is to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from memdiag.diagnosis import rig_behaviour
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Cause, Channel, Place

Strikes = Mapping[int, Relation]
"""Number of a node -> how it stands to a candidate that strikes it (SELF, LANE or RAIL)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One fault that could be: its mechanism, where it sits, the sites it acts on directly, and the
    nodes it strikes; `along` as `Location`."""

    mechanism: Mechanism
    place: Place
    sites: frozenset[str]
    odds: float
    bonus: float = 0.0
    expected: bool = False
    strikes: Strikes = field(default_factory=dict)
    along: tuple[str, ...] = ()

    @property
    def cause(self) -> Cause:
        return self.mechanism.cause


_BY_COUPLING = (
    ("clamshell", Relation.CLAMSHELL),
    ("partition", Relation.PARTITION),
    ("rail", Relation.RAIL),
    ("place", Relation.PLACE),
)


class Reach:
    """At which level each candidate reaches each group; sites are joined as the board says. Many
    candidates sit on the same sites: each answer is worked out once."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.order = {site.ref: i for i, site in enumerate(board.sites)}
        self._pairs: dict[tuple[str, str], Relation] = {}
        self._packages: dict[tuple[frozenset[str], float], list[int]] = {}
        self._boots: dict[tuple[frozenset[str], Channel | None, float], list[int]] = {}

    def relation(self, sites: frozenset[str], ref: str) -> Relation:
        """How a site stands to a fault that acts on those sites."""
        if ref in sites:
            return Relation.SITE
        return max((self._between(mine, ref) for mine in sites), default=Relation.NONE)

    def _between(self, one: str, other: str) -> Relation:
        at = (one, other)
        if at not in self._pairs:
            why = self.board.couplings(one, other)
            self._pairs[at] = next((n for name, n in _BY_COUPLING if name in why), Relation.BOOT)
        return self._pairs[at]

    def of_packages(self, c: Candidate, groups: Sequence[tuple[str, ...]]) -> list[int]:
        """The level at which a candidate reaches each group, by the group's sites."""
        spill = c.mechanism.spill
        if spill < rig_behaviour.SOFT:
            return [0] * len(groups)
        at = (c.sites, spill)
        if at not in self._packages:
            self._packages[at] = [
                rig_behaviour.level(max(self.relation(c.sites, ref) for ref in sites), spill)
                for sites in groups
            ]
        return self._packages[at]

    def of_boots(self, c: Candidate, nodes: Sequence[Node]) -> list[int]:
        """The same for the boot of each channel."""
        at = (c.sites, c.place.channel, c.mechanism.stops)
        if at not in self._boots:
            mine = min((self.order[ref] for ref in c.sites if ref in self.order), default=0)
            self._boots[at] = [
                rig_behaviour.boot_level(self._when(c, mine, node), c.mechanism.stops)
                for node in nodes
            ]
        return self._boots[at]

    def _when(self, c: Candidate, mine: int, node: Node) -> int:
        if not c.sites.isdisjoint(node.sites):
            other = None not in (c.place.channel, node.place.channel)
            if not other or c.place.channel == node.place.channel:
                return rig_behaviour.OWN
            return rig_behaviour.AFTER
        theirs = min((self.order[r] for r in node.sites if r in self.order), default=mine)
        return rig_behaviour.AFTER if theirs > mine else rig_behaviour.BEFORE
