"""What the posterior claims: a cause at a place, and how surely.

Candidates that differ only in how the fault shows, or in how exactly its place is known, support
one claim together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from memdiag.diagnosis.beliefs import Beliefs
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.network import Candidate
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.evidence.nodes import Node
from memdiag.model import Cause, Place

NEGLIGIBLE = 1e-4
"""Candidates less probable than this support no claim."""


@dataclass(frozen=True, slots=True)
class Claim:
    """A cause at a place, the likeliest mechanism of it, the candidates behind it with the sites
    they act on, and the probability that one of them is present."""

    cause: Cause
    mechanism: Mechanism
    place: Place
    members: frozenset[int]
    sites: frozenset[str]
    probability: float


def claims(beliefs: Beliefs, threshold: float) -> list[Claim]:
    """One claim for each place where a fault is likelier than `threshold`, most probable
    first. Competing candidates of one place make one claim, of the likeliest cause."""
    return sorted(_Grouping(beliefs).claims(threshold), key=lambda c: -c.probability)


def causes_at(beliefs: Beliefs, claim: Claim, spilled: bool) -> dict[Cause, float]:
    """What is true at the claim's place, cause by cause; sums to 1. The claim's own cause
    elsewhere on the place counts separately."""
    out: dict[Cause, float] = {}
    for world in beliefs.worlds:
        cause = claim.cause
        if claim.members.isdisjoint(world.members):
            cause = beliefs.cause_in(world, claim.place, claim.sites, spilled)
        out[cause] = out.get(cause, 0.0) + world.probability
    total = sum(out.values())
    return {c: min(p / total, 1.0) for c, p in out.items()}


def nodes_at(beliefs: Beliefs, claim: Claim) -> Iterator[Node]:
    """Nodes that the claim's candidates act on directly."""
    near = beliefs.hypotheses.near
    for j, node in enumerate(beliefs.hypotheses.nodes):
        if any(near[i, j] >= Relation.LANE for i in claim.members):
            yield node


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
        for seed in sorted(self.marginals, key=lambda i: (i not in self.best, -self.marginals[i])):
            if seed in used:
                continue
            rivals = self._rivals(seed) - used
            first = seed in self.best
            sure = self.beliefs.any_of(rivals) if first else self._beyond(rivals, used)
            if sure >= threshold:
                used |= rivals
                yield self._strongest(rivals)

    def _beyond(self, rivals: set[int], used: set[int]) -> float:
        """Probability that one of the rivals is present where no claim already made acts."""
        others = self.beliefs.candidates(rivals)
        acting = {i for i in used if any(_overlap(self.beliefs.candidate(i), o) for o in others)}
        return sum(
            w.probability
            for w in self.beliefs.worlds
            if not rivals.isdisjoint(w.members) and acting.isdisjoint(w.members)
        )

    def _rivals(self, seed: int) -> set[int]:
        """Candidates that would explain the same thing as `seed`: they act on its place and are
        seldom present together with it."""
        mine = self.beliefs.candidate(seed)
        found = {seed}
        for i, mass in self.marginals.items():
            if i == seed or (i in self.best and seed in self.best):
                continue
            if not _overlap(mine, self.beliefs.candidate(i)):
                continue
            if self.beliefs.together(i, seed) < 0.5 * min(mass, self.marginals[seed]):
                found.add(i)
        return found

    def _strongest(self, rivals: set[int]) -> Claim:
        by_cause: dict[tuple[Cause, str | None], set[int]] = {}
        for i in rivals:
            c = self.beliefs.candidate(i)
            by_cause.setdefault((c.cause, c.place.site), set()).add(i)
        members = max(by_cause.values(), key=self.beliefs.any_of)
        ranked = sorted(members, key=lambda i: -self.marginals[i])
        place, support = self._place(ranked)
        first = self.beliefs.candidate(ranked[0])
        sites = frozenset[str]().union(*(c.sites for c in self.beliefs.candidates(support)))
        sure = self.beliefs.any_of(support)
        return Claim(first.cause, first.mechanism, place, frozenset(support), sites, sure)

    def _place(self, ranked: list[int]) -> tuple[Place, set[int]]:
        """The finest place that holds three quarters of the members' mass, else what they have
        in common: a joint known to be on a lane, but not whether it is a line or the strobe.
        And the members behind it."""
        whole = self.beliefs.any_of(ranked)
        first = self.beliefs.candidate(ranked[0])
        place, support = first.place, {ranked[0]}
        for i in ranked[1:]:
            if self.beliefs.any_of(support) >= 0.75 * whole:
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
