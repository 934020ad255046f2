"""A fault that could be, and how near every other place of the board is to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct, field

from memdiag.diagnosis import rig_behaviour
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.noisy_max import Levels
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Cause, Channel, Place

Strikes = Mapping[int, Relation]
"""Number of a node -> how it stands to a candidate that strikes it (SELF, LANE or RAIL)."""


class Candidate(Struct, frozen=True):
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


def _numbered(ref: str) -> tuple[str, int | None]:
    """The letters and the number of a designator, None where it ends in none."""
    name = ref.rstrip("0123456789")
    digits = ref[len(name) :]
    return name, int(digits) if digits.isascii() and digits else None


class Reach:
    """At which level each candidate reaches each group; sites are joined as the board says. Many
    candidates sit on the same sites: each answer is worked out once."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.order = {site.ref: i for i, site in enumerate(board.sites)}
        self._around: dict[str, Levels] = {}
        self._by_number: dict[tuple[str, int | None], list[int]] = {}
        self._from: dict[frozenset[str], Levels] = {}

    def relation(self, sites: frozenset[str], ref: str) -> Relation:
        """How a site stands to a fault that acts on those sites."""
        return Relation(int(self._relations(sites)[self.order[ref]]))

    def _relations(self, sites: frozenset[str]) -> Levels:
        """(sites of the board,) how each stands to a fault that acts on those sites."""
        if sites not in self._from:
            found = np.full(len(self.order), Relation.BOOT if sites else Relation.NONE, np.int8)
            mine = [self.order[ref] for ref in sites if ref in self.order]
            if len(mine) < len(found):
                for ref in sites:
                    np.maximum(found, self._one(ref), out=found)
            found[mine] = Relation.SITE
            self._from[sites] = found
        return self._from[sites]

    def _one(self, ref: str) -> Levels:
        """The same for a fault that acts on one site."""
        if ref not in self._around:
            found = np.full(len(self.order), Relation.BOOT, np.int8)
            for other, why in self.board.neighbours(ref).items():
                found[self.order[other]] = next(n for name, n in _BY_COUPLING if name in why)
            if not self.board.known:
                found[self._numbered_beside(ref)] = Relation.PARTITION
            self._around[ref] = found
        return self._around[ref]

    def _numbered_beside(self, ref: str) -> list[int]:
        """Without a profile nobody knows what lies where, but packages of neighbouring numbers
        mostly share something: the place, a block, two sides of one spot."""
        if not self._by_number:
            for other, at in self.order.items():
                self._by_number.setdefault(_numbered(other), []).append(at)
        name, number = _numbered(ref)
        if number is None:
            return []
        beside = ((name, number - 1), (name, number + 1))
        return [at for key in beside for at in self._by_number.get(key, ())]

    def of_packages(
        self, candidates: Sequence[tuple[Candidate, int]], groups: Sequence[tuple[str, ...]]
    ) -> Levels:
        """(candidates, groups) the level at which each, in that variant, reaches each group, by the
        group's sites."""
        out = np.zeros((len(candidates), len(groups)), np.int8)
        at = np.array([self.order[ref] for sites in groups for ref in sites], np.int64)
        starts = np.cumsum([0, *(len(sites) for sites in groups)])[:-1]
        known: dict[tuple[frozenset[str], float, float], Levels] = {}
        for row, (c, variant) in enumerate(candidates):
            key = (c.sites, c.mechanism.spill, c.mechanism.stops[variant])
            if key not in known:
                near = np.maximum.reduceat(self._relations(c.sites)[at], starts)
                known[key] = rig_behaviour.levels(*key[1:])[near]
            out[row] = known[key]
        return out

    def of_boots(
        self, candidates: Sequence[tuple[Candidate, int]], nodes: Sequence[Node]
    ) -> Levels:
        """The same for the boot of each channel."""
        out = np.zeros((len(candidates), len(nodes)), np.int8)
        first = [
            min((self.order[r] for r in n.sites if r in self.order), default=-1) for n in nodes
        ]
        theirs = np.array(first, np.int64)
        by_site: dict[str, list[int]] = {}
        for n, node in enumerate(nodes):
            for ref in node.sites:
                by_site.setdefault(ref, []).append(n)
        known: dict[tuple[frozenset[str], Channel | None], Levels] = {}
        for row, (c, variant) in enumerate(candidates):
            key = (c.sites, c.place.channel)
            if key not in known:
                mine = min((self.order[ref] for ref in c.sites if ref in self.order), default=0)
                after, before = rig_behaviour.AFTER, rig_behaviour.BEFORE
                when = np.where(theirs > mine, after, before).astype(np.int8)
                for n in (n for ref in c.sites for n in by_site.get(ref, ())):
                    # Of the same package another channel comes after it.
                    other = None not in (c.place.channel, nodes[n].place.channel)
                    own = not other or nodes[n].place.channel == c.place.channel
                    when[n] = rig_behaviour.OWN if own else after
                known[key] = when
            out[row] = rig_behaviour.boot_level(0, c.mechanism.stops[variant]) + known[key]
        return out
