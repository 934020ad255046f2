"""The posterior of a run, asked in candidates: how surely each is present, alone and together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from memdiag.diagnosis.hypotheses import Hypotheses
from memdiag.diagnosis.network import Candidate
from memdiag.diagnosis.noisy_max import Posterior
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.model import Cause, Place

AUDIBLE = 0.1
"""A fault that disturbs its neighbours less than this (`Mechanism.spill`) is no source of it."""


@dataclass(frozen=True, slots=True)
class World:
    """One set of candidate faults and its probability; variants and rigs summed out."""

    members: frozenset[int]
    probability: float


class Beliefs:
    """The posterior over the hypotheses of one run."""

    def __init__(self, hypotheses: Hypotheses, posterior: Posterior) -> None:
        self.hypotheses = hypotheses
        self.left_out = posterior.left_out
        self.given = frozenset(i for i, c in enumerate(hypotheses.candidates) if c.expected)
        merged: dict[frozenset[int], float] = {}
        for members, p in zip(posterior.sets, posterior.probability, strict=True):
            key = frozenset(hypotheses.variants[v][0] for v in members)
            merged[key] = merged.get(key, 0.0) + float(p)
        self.worlds = tuple(_probable(merged))
        # Asked for again and again where every site of a large board is sick.
        self._marginal = [0.0] * len(hypotheses.candidates)
        self._together: dict[tuple[int, int], float] = {}
        for world in self.worlds:
            for i in world.members:
                self._marginal[i] += world.probability
            for pair in combinations(sorted(world.members - self.given), 2):
                self._together[pair] = self._together.get(pair, 0.0) + world.probability

    def candidate(self, number: int) -> Candidate:
        return self.hypotheses.candidates[number]

    def candidates(self, numbers: Iterable[int]) -> list[Candidate]:
        return [self.hypotheses.candidates[i] for i in numbers]

    def marginal(self, number: int) -> float:
        """Probability that one candidate is present."""
        return self._marginal[number]

    def together(self, one: int, other: int) -> float:
        """Probability that both are."""
        return self._together.get((min(one, other), max(one, other)), 0.0)

    def any_of(self, members: Iterable[int]) -> float:
        """Probability that at least one of the candidates is present."""
        wanted = frozenset(members)
        return sum(w.probability for w in self.worlds if not wanted.isdisjoint(w.members))

    @property
    def best(self) -> World:
        return max(self.worlds, key=lambda w: w.probability)

    @property
    def clear(self) -> float:
        """Probability that there is no fault at all beyond those declared."""
        return sum(w.probability for w in self.worlds if not w.members)

    # --- causes -----------------------------------------------------------------------------

    def overall(self) -> dict[Cause, float]:
        """What is wrong with the board as a whole: each world by its most direct fault."""
        out: dict[Cause, float] = {}
        for world in self.worlds:
            members = self.candidates(world.members)
            cause = max(members, key=lambda f: f.odds).cause if members else Cause.CLEAR
            out[cause] = out.get(cause, 0.0) + world.probability
        return out

    def site_causes(self, site: str) -> dict[Cause, float]:
        """What is true of a disturbed site: a fault of its own, spillover, or a stray."""
        out: dict[Cause, float] = {}
        for world in self.worlds:
            cause = self.cause_in(world, Place(site=site), frozenset({site}), True)
            out[cause] = out.get(cause, 0.0) + world.probability
        return out

    def cause_in(self, world: World, place: Place, sites: frozenset[str], spilled: bool) -> Cause:
        """The cause, in one world, of what is seen at a place. `spilled`: it looks disturbed."""
        faults = self.candidates(world.members)
        here = [f for f in faults if not f.sites.isdisjoint(sites) and f.place.lane_meets(place)]
        direct = [f for f in here if not f.mechanism.unknown]
        if direct:
            return min(direct, key=lambda f: len(f.sites)).cause
        if here:
            return here[0].cause
        acting = (*faults, *self.candidates(self.given))
        if spilled and any(f.mechanism.spill > AUDIBLE for f in acting):
            return Cause.SPILLOVER
        return Cause.CLEAR

    # --- spillover --------------------------------------------------------------------------

    def source_of(self, site: str) -> Candidate | None:
        """The candidate that a site's disturbance most probably comes from."""
        weight: dict[int, float] = {}
        nodes = [j for j, n in enumerate(self.hypotheses.nodes) if site in n.sites]
        for world in self.worlds[:200]:
            acting = [
                i
                for i in (*world.members, *self.given)
                if site not in self.candidate(i).sites and not self.candidate(i).mechanism.unknown
            ]
            if acting:
                nearest = max(acting, key=lambda i: self._reach(i, nodes))
                weight[nearest] = weight.get(nearest, 0.0) + world.probability
        return self.candidate(max(weight, key=weight.__getitem__)) if weight else None

    def _reach(self, candidate: int, nodes: Sequence[int]) -> float:
        near = self.hypotheses.near[candidate]
        nearest = max((int(near[j]) for j in nodes), default=int(Relation.NONE))
        return nearest * self.candidate(candidate).mechanism.spill


TAIL = 1e-5
"""Worlds that together hold less than this are not asked: their share goes to the others."""


def _probable(merged: Mapping[frozenset[int], float]) -> Iterator[World]:
    """Worlds by falling probability until only `TAIL` is left, scaled to sum to 1."""
    ranked = sorted(merged.items(), key=lambda pair: -pair[1])
    kept, mass = [], 0.0
    for members, p in ranked:
        kept.append((members, p))
        mass += p
        if mass >= 1 - TAIL:
            break
    for members, p in kept:
        yield World(members, p / mass)
