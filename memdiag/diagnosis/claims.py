"""What the posterior claims: where something is wrong, and what.

Candidates that would explain the same thing compete: two causes at one package, a line or its lane,
one package or another on the same low rail. They support one claim together. Where comes before
what: a claim's place is the smallest that holds most of them, whatever the cause, and where several
packages are as likely as each other it is all of those.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from msgspec import Struct

from memdiag.diagnosis.beliefs import Beliefs
from memdiag.diagnosis.candidate import Candidate
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Cause, Place

NEGLIGIBLE = 1e-3
"""Candidates less probable than this support no claim."""

HOLDS = 0.75
"""A place that holds this share of a claim is where it is."""

GROUP_HOLDS = 0.9
"""The packages of a group hold this share of it."""

EXCLUSIVE = 0.15
"""Of two places that nothing joins, one explains away the other where they are present together
this much more seldom than if they were independent."""


RAISED = 3.0
"""What is claimed must be so much likelier, in odds, than it was before the dump was read."""


class Claim(Struct, frozen=True):
    """A cause at a place, the likeliest mechanism of it, the candidates behind it with the sites
    they act on, and the probability that one of them is present. `rivals` are all the candidates
    that compete there; `one_of` the packages that are not told apart, empty where the place says
    it all."""

    cause: Cause
    mechanism: Mechanism
    place: Place
    members: frozenset[int]
    sites: frozenset[str]
    probability: float
    rivals: frozenset[int]
    one_of: tuple[str, ...] = ()


def claims(beliefs: Beliefs, threshold: float) -> list[Claim]:
    """One claim for each place where a fault is likelier than `threshold`, most probable
    first. Competing candidates of one place make one claim, of the likeliest cause."""
    return sorted(_Grouping(beliefs).claims(threshold), key=lambda c: -c.probability)


def causes_at(beliefs: Beliefs, claim: Claim, spilled: bool) -> dict[Cause, float]:
    """What is true at the claim's place, cause by cause; sums to 1. The claim's own cause
    elsewhere on the place counts separately."""
    out: dict[Cause, float] = {}
    sites = frozenset(claim.one_of) or claim.sites
    for world in beliefs.worlds:
        cause = claim.cause
        if claim.members.isdisjoint(world.members):
            cause = beliefs.cause_in(world, claim.place, sites, spilled)
        out[cause] = out.get(cause, 0.0) + world.probability
    total = sum(out.values())
    return {c: min(p / total, 1.0) for c, p in out.items()}


def held_at(beliefs: Beliefs, claim: Claim) -> float:
    """Probability that a fault sits at the claim's place, whatever it is. One that only reaches it
    from something wider, as a rail does, is not there, and one of many packages is none of them.
    A cause that nothing here names has no place of its own: it is where the dump speaks against
    soundness, in that share."""
    sites = frozenset(claim.one_of) or claim.sites
    if claim.place.site is not None:
        sites |= {claim.place.site}
    here, nameless = set(), set()
    for i, c in enumerate(beliefs.hypotheses.candidates):
        if c.sites <= sites and c.place.lane_meets(claim.place):
            if len(c.sites) == 1 or not claim.one_of:
                here.add(i)
        elif c.mechanism.unknown:
            nameless.add(i)
    held = beliefs.any_of(here) + beliefs.any_of(nameless, here) * _share_of(beliefs, sites)
    return min(held, 1.0)


def _share_of(beliefs: Beliefs, sites: frozenset[str]) -> float:
    """The share of what the dump says against soundness that it says of these sites."""
    against = [(n.sites, -n.sound_log_ratio) for n in beliefs.hypotheses.nodes if n.kind != "boot"]
    whole = sum(nats for _, nats in against)
    return sum(nats for at, nats in against if sites.issuperset(at)) / whole if whole > 0 else 0.0


def nodes_at(beliefs: Beliefs, claim: Claim) -> Iterator[Node]:
    """Nodes that the claim's candidates act on directly."""
    struck = {n for i in claim.members for n in beliefs.candidate(i).strikes}
    yield from (beliefs.hypotheses.nodes[n] for n in sorted(struck))


def whereabouts(beliefs: Beliefs) -> tuple[Place, tuple[str, ...]]:
    """The smallest place that holds most of the probability that something is wrong, whatever it
    is: a package, else a few of which it is one; the board where they are more than half of it."""
    board: Board = beliefs.hypotheses.reach.board
    alone: dict[str, set[int]] = {}
    for i, c in enumerate(beliefs.hypotheses.candidates):
        if len(c.sites) == 1 and i not in beliefs.given:
            alone.setdefault(next(iter(c.sites)), set()).add(i)
    ranked = sorted(alone, key=lambda ref: -beliefs.any_of(alone[ref]))
    taken: list[str] = []
    for ref in ranked:
        taken.append(ref)
        held = beliefs.any_of(i for r in taken for i in alone[r])
        if held >= GROUP_HOLDS * (1 - beliefs.clear):
            break
    else:
        return Place(), ()
    if len(taken) == 1:
        site = board.site(taken[0])
        return (Place(site=taken[0]) if site is None or site.named else Place()), ()
    if 2 * len(taken) > len(board.sites):
        return Place(), ()
    return Place(), tuple(s.ref for s in board.sites if s.ref in taken)


class _Grouping:
    """The candidates of one posterior, grouped by what they would explain."""

    def __init__(self, beliefs: Beliefs) -> None:
        self.beliefs = beliefs
        self.marginals = {
            i: p
            for i in range(len(beliefs.hypotheses.candidates))
            if i not in beliefs.given and (p := beliefs.marginal(i)) > NEGLIGIBLE
        }
        # The best world first: its members explain the dump together, so none of them competes
        # with another. What is left over is taken by probability.
        self.best = beliefs.best.members

    def claims(self, threshold: float) -> Iterator[Claim]:
        used: set[int] = set()
        for seed in sorted(self.marginals, key=self._turn):
            if seed in used:
                continue
            rivals = self._rivals(seed) - used
            if seed in self.best:
                sure = self.beliefs.any_of(rivals)
            elif sum(self.marginals[i] for i in rivals) < threshold:
                continue
            else:
                sure = self._beyond(rivals, used)
            if sure >= threshold and self._raised(rivals, sure):
                used |= rivals
                yield _Placing(self.beliefs, rivals, self.marginals).claim()

    def _raised(self, rivals: set[int], sure: float) -> bool:
        """Whether the dump made them likelier than they were before it was read. Beside a rail that
        is down nobody knows of any package whether it is well: that accuses none."""
        odds = sum(c.odds * math.exp(c.bonus) for c in self.beliefs.candidates(rivals))
        return sure >= (1 - sure) * RAISED * odds

    def _turn(self, number: int) -> tuple[bool, bool, float]:
        """What fits anything is asked last: its rivals need not be rivals of each other."""
        unknown = self.beliefs.candidate(number).mechanism.unknown
        return unknown, number not in self.best, -self.marginals[number]

    def _beyond(self, rivals: set[int], used: set[int]) -> float:
        """Probability that one of the rivals is present where no claim already made acts."""
        others = self.beliefs.candidates(rivals)
        acting = {i for i in used if any(_overlap(self.beliefs.candidate(i), o) for o in others)}
        return self.beliefs.any_of(rivals, acting)

    def _rivals(self, seed: int) -> set[int]:
        """Candidates that would explain the same thing as `seed`: they act on its place and are
        seldom present together with it, or act elsewhere and hardly ever are."""
        mine = self.beliefs.candidate(seed)
        found = {seed}
        others = [i for i in self.marginals if i != seed]
        if seed in self.best:
            others = [i for i in others if i not in self.best]
        for i, both in zip(others, self.beliefs.together(seed, others), strict=True):
            least = min(self.marginals[i], self.marginals[seed])
            if _overlap(mine, self.beliefs.candidate(i)):
                rival = both < 0.5 * least
            else:
                chance = self.marginals[i] * self.marginals[seed]
                rival = both < EXCLUSIVE * chance and chance > NEGLIGIBLE
            if rival:
                found.add(i)
        return found


class _Placing:
    """Where a set of rivals is, and what they claim there."""

    def __init__(self, beliefs: Beliefs, rivals: set[int], marginals: dict[int, float]) -> None:
        self.beliefs, self.rivals, self.marginals = beliefs, rivals, marginals
        self.whole = beliefs.any_of(rivals)
        self.board: Board = beliefs.hypotheses.reach.board

    def claim(self) -> Claim:
        by_sites: dict[frozenset[str], set[int]] = {}
        for i in self.rivals:
            by_sites.setdefault(self.beliefs.candidate(i).sites, set()).add(i)
        ranked = sorted(by_sites.values(), key=self.beliefs.any_of, reverse=True)
        if self.beliefs.any_of(ranked[0]) >= HOLDS * self.whole:
            return self._at(ranked[0])
        alone = [mine for mine in ranked if len(self._sites(mine)) == 1]
        singly = self.beliefs.any_of(i for mine in alone for i in mine)
        shared = 0.0 if len(self._sites(ranked[0])) == 1 else self.beliefs.any_of(ranked[0])
        if len(alone) > 1 and singly >= min(HOLDS * self.whole, shared or self.whole):
            return self._one_of(alone)
        return self._at(ranked[0])

    def _sites(self, members: Iterable[int]) -> frozenset[str]:
        return frozenset[str]().union(*(c.sites for c in self.beliefs.candidates(members)))

    def _at(self, members: set[int]) -> Claim:
        """The claim of the rivals that act on the same sites: of their likeliest cause."""
        by_cause: dict[Cause, set[int]] = {}
        for i in members:
            by_cause.setdefault(self.beliefs.candidate(i).cause, set()).add(i)
        strongest = max(by_cause.values(), key=self.beliefs.any_of)
        ranked = sorted(strongest, key=lambda i: -self.marginals[i])
        place, support = self._place(ranked)
        sites = self._sites(support)
        if place.is_board and len(sites) == 1 < len(self.board.sites):
            (only,) = sites  # on one rail or another: what they have in common is the package
            place = Place(site=only)
        return self._made(place, support, sites)

    def _one_of(self, alone: list[set[int]]) -> Claim:
        """The claim of one package of several that are not told apart."""
        all_of_them = self.beliefs.any_of(i for mine in alone for i in mine)
        taken: set[int] = set()
        for mine in alone:
            taken |= mine
            if self.beliefs.any_of(taken) >= GROUP_HOLDS * all_of_them:
                break
        if len(taken) == len(alone[0]):
            return self._at(alone[0])
        sites = self._sites(taken)
        named = tuple(s.ref for s in self.board.sites if s.ref in sites)
        by_cause: dict[Cause, set[int]] = {}
        for i in taken:
            by_cause.setdefault(self.beliefs.candidate(i).cause, set()).add(i)
        strongest = max(by_cause.values(), key=self.beliefs.any_of)
        return self._made(self._shared(sites), strongest, sites, named)

    def _shared(self, sites: frozenset[str]) -> Place:
        """What these packages share and others do not, where a reading speaks of it: the rail."""
        read = dict.fromkeys(
            n.place.rail for n in self.beliefs.hypotheses.nodes if n.kind in ("rail", "volts")
        )
        for name in read:
            if name is not None and sites <= {s.ref for s in self.board.sites_on_rail(name)}:
                return Place(rail=name)
        return Place()

    def _made(
        self, place: Place, support: set[int], sites: frozenset[str], one_of: tuple[str, ...] = ()
    ) -> Claim:
        first = self.beliefs.candidate(max(support, key=lambda i: self.marginals[i]))
        return Claim(
            first.cause,
            first.mechanism,
            place,
            frozenset(support),
            sites,
            self.beliefs.any_of(support),
            frozenset(self.rivals),
            one_of,
        )

    def _place(self, ranked: list[int]) -> tuple[Place, set[int]]:
        """The finest place that holds most of the members, else what they have in common: a joint
        known to be on a lane, but not whether it is a line or the strobe. And those behind it."""
        whole = self.beliefs.any_of(ranked)
        first = self.beliefs.candidate(ranked[0])
        place, support = first.place, {ranked[0]}
        for i in ranked[1:]:
            if self.beliefs.any_of(support) >= HOLDS * whole:
                break
            common = place.common(self.beliefs.candidate(i).place)
            if common.is_board and first.place.rail is None:
                continue  # two names of one block, or two blocks: the likelier one is named
            support.add(i)
            place = common
        at = first.place
        if at.partition is not None or (at.site is None and at.rail is None):
            # a partition and its only channel are one place
            support |= {i for i in ranked if self.beliefs.candidate(i).sites == first.sites}
        support |= {i for i in ranked if place.covers(self.beliefs.candidate(i).place)}
        return place, support


def _overlap(a: Candidate, b: Candidate) -> bool:
    return not a.sites.isdisjoint(b.sites) and a.place.lane_meets(b.place)
