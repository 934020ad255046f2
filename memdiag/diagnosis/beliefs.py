"""Questions to the posterior in the words of a board: which claims hold, and how surely.

A claim is a cause at a place. Candidates that differ only in how the fault shows, or in how
exactly its place is known, support one claim together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from memdiag.diagnosis.hypotheses import Case
from memdiag.diagnosis.network import Candidate
from memdiag.diagnosis.noisy_max import Posterior
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.evidence.nodes import Node
from memdiag.model.place import Place
from memdiag.model.verdict import Cause


@dataclass(frozen=True, slots=True)
class World:
    """One set of candidate faults and its probability; variants and rigs summed out."""

    members: frozenset[int]
    probability: float


@dataclass(frozen=True, slots=True)
class Claim:
    """A cause at a place, the candidates behind it, and its probability."""

    cause: Cause
    place: Place
    members: frozenset[int]
    probability: float


class Answers:
    """The posterior of one case, asked in candidates."""

    def __init__(self, case: Case, posterior: Posterior) -> None:
        self.case = case
        self.posterior = posterior
        self.given = frozenset(i for i, c in enumerate(case.candidates) if c.expected)
        merged: dict[frozenset[int], float] = {}
        for members, p in zip(posterior.sets, posterior.probability, strict=True):
            key = frozenset(case.variants[v][0] for v in members)
            merged[key] = merged.get(key, 0.0) + float(p)
        self.worlds = tuple(_probable(merged))
        # Asked for again and again where every site of a large board is sick.
        self._marginal = [0.0] * len(case.candidates)
        self._together: dict[tuple[int, int], float] = {}
        for world in self.worlds:
            for i in world.members:
                self._marginal[i] += world.probability
            for pair in combinations(sorted(world.members - self.given), 2):
                self._together[pair] = self._together.get(pair, 0.0) + world.probability

    def candidate(self, number: int) -> Candidate:
        return self.case.candidates[number]

    def marginal(self, number: int) -> float:
        """Probability that one candidate is present."""
        return self._marginal[number]

    def any_of(self, members: Iterable[int]) -> float:
        """Probability that at least one of the candidates is present."""
        wanted = frozenset(members)
        return sum(w.probability for w in self.worlds if not wanted.isdisjoint(w.members))

    @property
    def clear(self) -> float:
        """Probability that there is no fault at all beyond those declared."""
        return sum(w.probability for w in self.worlds if not w.members)

    # --- claims -----------------------------------------------------------------------------

    def claims(self, threshold: float) -> list[Claim]:
        """One claim for each place where a fault is likelier than `threshold`, most probable
        first. Competing candidates of one place make one claim, of the likeliest cause."""
        marginals = {
            i: p
            for i in range(len(self.case.candidates))
            if i not in self.given and (p := self.marginal(i)) > 1e-4
        }
        out: list[Claim] = []
        used: set[int] = set()
        # The best world first: its members explain the dump together, so none of them competes
        # with another. What is left over is taken by probability.
        best = max(self.worlds, key=lambda w: w.probability).members
        order = sorted(marginals, key=lambda i: (i not in best, -marginals[i]))
        for seed in order:
            if seed in used:
                continue
            rivals = self._rivals(seed, marginals, best) - used
            sure = self.any_of(rivals) if seed in best else self._beyond(rivals, used)
            if sure < threshold:
                continue
            claim = self._strongest(rivals, marginals, seed if seed in best else None)
            used |= rivals
            out.append(claim)
        return sorted(out, key=lambda c: -c.probability)

    def _beyond(self, rivals: set[int], used: set[int]) -> float:
        """Probability that one of the rivals is present where no claim already made acts."""
        sites = frozenset().union(*(self.candidate(i).sites for i in rivals))
        acting = {
            i
            for i in used
            if not self.candidate(i).sites.isdisjoint(sites)
            and any(_overlap(self.candidate(i), self.candidate(j)) for j in rivals)
        }
        return sum(
            w.probability
            for w in self.worlds
            if not rivals.isdisjoint(w.members) and acting.isdisjoint(w.members)
        )

    def _rivals(self, seed: int, marginals: dict[int, float], best: frozenset[int]) -> set[int]:
        """Candidates that would explain the same thing as `seed`: they act on its place and are
        seldom present together with it."""
        mine = self.candidate(seed)
        found = {seed}
        for i, mass in marginals.items():
            if i == seed or (i in best and seed in best):
                continue
            if not _overlap(mine, self.candidate(i)):
                continue
            together = self._together.get((min(i, seed), max(i, seed)), 0.0)
            if together < 0.5 * min(mass, marginals[seed]):
                found.add(i)
        return found

    def _strongest(self, rivals: set[int], marginals: dict[int, float], seed: int | None) -> Claim:
        by_cause: dict[tuple[Cause, str | None], set[int]] = {}
        for i in rivals:
            c = self.candidate(i)
            by_cause.setdefault((c.cause, c.place.site), set()).add(i)
        (cause, _), members = max(by_cause.items(), key=lambda kv: self.any_of(kv[1]))
        place, support = self._place(members, marginals)
        return Claim(cause, place, frozenset(support), self.any_of(support))

    def _place(self, members: set[int], marginals: dict[int, float]) -> tuple[Place, set[int]]:
        """The finest place that holds three quarters of the members' mass, else what they have
        in common: a joint known to be on a lane, but not whether it is a line or the strobe."""
        ranked = sorted(members, key=lambda i: -marginals[i])
        whole = self.any_of(members)
        first = self.candidate(ranked[0])
        place, support = first.place, {ranked[0]}
        for i in ranked[1:]:
            if self.any_of(support) >= 0.75 * whole:
                break
            common = place.common(self.candidate(i).place)
            if common.is_board and first.place.rail is None:
                continue  # two names of one block, or two blocks: the likelier one is named
            support.add(i)
            place = common
        same = {i for i in members if self.candidate(i).sites == first.sites}
        at = first.place
        if at.partition is not None or (at.site is None and at.rail is None):
            support |= same  # a partition and its only channel are one place
        support |= {i for i in members if place.covers(self.candidate(i).place)}
        return place, support

    def causes_at(self, claim: Claim, spilled: bool) -> dict[Cause, float]:
        """What is true at the claim's place, cause by cause; sums to 1. The claim's own cause
        elsewhere on the place counts separately (see `alternatives`)."""
        out: dict[Cause, float] = {}
        for world in self.worlds:
            cause = self._cause_in(world, claim, spilled)
            out[cause] = out.get(cause, 0.0) + world.probability
        total = sum(out.values())
        return {c: min(p / total, 1.0) for c, p in out.items()}

    def _cause_in(self, world: World, claim: Claim, spilled: bool) -> Cause:
        if not claim.members.isdisjoint(world.members):
            return claim.cause
        return cause_here(
            [self.candidate(i) for i in world.members],
            [self.candidate(i) for i in self.given],
            claim.place,
            claim_sites(claim, self.case),
            spilled,
        )

    def overall(self) -> dict[Cause, float]:
        """What is wrong with the board as a whole: each world by its most direct fault."""
        out: dict[Cause, float] = {}
        for world in self.worlds:
            members = [self.candidate(i) for i in world.members]
            cause = max(members, key=lambda f: f.odds).cause if members else Cause.CLEAR
            out[cause] = out.get(cause, 0.0) + world.probability
        return out

    # --- spillover --------------------------------------------------------------------------

    def site_causes(self, site: str) -> dict[Cause, float]:
        """What is true of a disturbed site: a fault of its own, spillover, or a stray."""
        out: dict[Cause, float] = {}
        given = [self.candidate(i) for i in self.given]
        for world in self.worlds:
            faults = [self.candidate(i) for i in world.members]
            cause = cause_here(faults, given, Place(site=site), frozenset({site}), True)
            out[cause] = out.get(cause, 0.0) + world.probability
        return out

    def source_of(self, site: str) -> tuple[Candidate | None, float]:
        """The candidate that a site's disturbance most probably comes from."""
        weight: dict[int, float] = {}
        nodes = [j for j, n in enumerate(self.case.nodes) if site in n.sites]
        for world in self.worlds[:200]:
            acting = [
                i
                for i in (*world.members, *self.given)
                if site not in self.candidate(i).sites
                and self.candidate(i).cause is not Cause.UNDECIDED
            ]
            if not acting:
                continue
            nearest = max(acting, key=lambda i: self._reach(i, nodes))
            weight[nearest] = weight.get(nearest, 0.0) + world.probability
        if not weight:
            return None, 0.0
        best = max(weight, key=weight.__getitem__)
        return self.candidate(best), weight[best]

    def _reach(self, candidate: int, nodes: list[int]) -> float:
        near = max((int(self.case.near[candidate, j]) for j in nodes), default=int(Relation.NONE))
        return near * self.candidate(candidate).kind.spill


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


def cause_here(
    faults: list[Candidate],
    given: list[Candidate],
    place: Place,
    sites: frozenset[str],
    spilled: bool,
) -> Cause:
    """The cause, in a world of these faults, of what is seen at a place."""
    here = [f for f in faults if not f.sites.isdisjoint(sites) and f.place.lane_meets(place)]
    direct = [f for f in here if f.cause is not Cause.UNDECIDED]
    if direct:
        return min(direct, key=lambda f: len(f.sites)).cause
    if here:
        return Cause.UNDECIDED
    if spilled and any(f.kind.spill > 0.1 for f in (*faults, *given)):
        return Cause.SPILLOVER
    return Cause.CLEAR


def claim_sites(claim: Claim, case: Case) -> frozenset[str]:
    sites: frozenset[str] = frozenset()
    for i in claim.members:
        sites |= case.candidates[i].sites
    return sites


def nodes_at(case: Case, claim: Claim) -> Iterator[Node]:
    """Nodes that the claim's candidates act on directly."""
    members = list(claim.members)
    for j, node in enumerate(case.nodes):
        if any(case.near[i, j] in (Relation.SELF, Relation.LANE) for i in members):
            yield node


def _overlap(a: Candidate, b: Candidate) -> bool:
    return not a.sites.isdisjoint(b.sites) and a.place.lane_meets(b.place)
