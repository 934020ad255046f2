"""The posterior of a run, asked in candidates: how surely each is present, alone and together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from msgspec import Struct

from memdiag.diagnosis import network
from memdiag.diagnosis.candidate import Candidate
from memdiag.diagnosis.hypotheses import Hypotheses
from memdiag.diagnosis.noisy_max import Array
from memdiag.diagnosis.search import Posterior
from memdiag.model import Cause, Place

SOURCES_ASKED = 30
"""Worlds that are asked where a disturbance comes from, the most probable first."""

AUDIBLE = 0.1
"""A fault that disturbs its neighbours less than this (`Mechanism.spill`) is no source of it."""


class World(Struct, frozen=True):
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
        self._weight: Array = np.array([w.probability for w in self.worlds])
        # Most candidates are in no world that is asked.
        some = sorted(frozenset[int]().union(*(w.members for w in self.worlds)))
        self._column = {i: column for column, i in enumerate(some)}
        self._present = np.zeros((len(self.worlds), len(some)), bool)
        for row, world in enumerate(self.worlds):
            self._present[row, self._columns(world.members)] = True
        present = self._present.astype(float)
        self._together: Array = present.T @ (self._weight[:, None] * present)
        self._loud: Array = np.array([self._is_loud(w) for w in self.worlds], float)
        self._touching: dict[str, list[int]] = {}
        for row, world in enumerate(self.worlds):
            for site in frozenset[str]().union(*(c.sites for c in self.candidates(world.members))):
                self._touching.setdefault(site, []).append(row)
        self._site_causes: dict[str, dict[Cause, float]] = {}
        self._ratios: dict[int, dict[int, float]] = {}

    def candidate(self, number: int) -> Candidate:
        return self.hypotheses.candidates[number]

    def candidates(self, numbers: Iterable[int]) -> list[Candidate]:
        return [self.hypotheses.candidates[i] for i in numbers]

    def ratios(self, number: int) -> dict[int, float]:
        """How much each node speaks for a candidate, as `network.ratios`; many claims ask it."""
        if number not in self._ratios:
            found = network.ratios(self.candidate(number), self.hypotheses.nodes)
            self._ratios[number] = found
        return self._ratios[number]

    def marginal(self, number: int) -> float:
        """Probability that one candidate is present."""
        at = self._column.get(number)
        return 0.0 if at is None else float(self._together[at, at])

    def together(self, one: int, others: Iterable[int]) -> list[float]:
        """Probability that a candidate is present and each of the others with it."""
        at = self._column.get(one)
        columns = [self._column.get(i) for i in others]
        return [
            0.0 if at is None or column is None else float(self._together[at, column])
            for column in columns
        ]

    def any_of(self, members: Iterable[int], without: Iterable[int] = ()) -> float:
        """Probability that at least one of the candidates is present, and none of `without`."""
        some = self._present[:, self._columns(members)].any(axis=1)
        none = ~self._present[:, self._columns(without)].any(axis=1)
        return float(self._weight[some & none].sum())

    def _columns(self, members: Iterable[int]) -> list[int]:
        return [self._column[i] for i in members if i in self._column]

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
        if site not in self._site_causes:
            at, here = Place(site=site), frozenset({site})
            touched = self._touching.get(site, [])
            rest = self._weight.copy()
            rest[touched] = 0.0
            loud = float(rest @ self._loud)
            out = {Cause.SPILLOVER: loud, Cause.CLEAR: float(rest.sum()) - loud}
            for row in touched:
                cause = self.cause_in(self.worlds[row], at, here, True)
                out[cause] = out.get(cause, 0.0) + float(self._weight[row])
            self._site_causes[site] = out
        return self._site_causes[site]

    def _is_loud(self, world: World) -> bool:
        """Whether a fault of that world, or one that is expected, disturbs its neighbours."""
        acting = (*world.members, *self.given)
        return any(self.candidate(i).mechanism.spill > AUDIBLE for i in acting)

    def cause_in(self, world: World, place: Place, sites: frozenset[str], spilled: bool) -> Cause:
        """The cause, in one world, of what is seen at a place. `spilled`: it looks disturbed."""
        here = [
            f
            for f in self.candidates(world.members)
            if not f.sites.isdisjoint(sites) and f.place.lane_meets(place)
        ]
        direct = [f for f in here if not f.mechanism.unknown]
        if direct:
            return min(direct, key=lambda f: len(f.sites)).cause
        if here:
            return here[0].cause
        return Cause.SPILLOVER if spilled and self._is_loud(world) else Cause.CLEAR

    # --- spillover --------------------------------------------------------------------------

    def source_of(self, site: str) -> Candidate | None:
        """The candidate that a site's disturbance most probably comes from."""
        weight: dict[int, float] = {}
        for world in self.worlds[:SOURCES_ASKED]:
            acting = [
                i
                for i in (*world.members, *self.given)
                if site not in self.candidate(i).sites and not self.candidate(i).mechanism.unknown
            ]
            if acting:
                nearest = max(acting, key=lambda i: self._reach(i, site))
                weight[nearest] = weight.get(nearest, 0.0) + world.probability
        return self.candidate(max(weight, key=weight.__getitem__)) if weight else None

    def _reach(self, number: int, site: str) -> float:
        candidate = self.candidate(number)
        return self.hypotheses.reach.relation(candidate.sites, site) * candidate.mechanism.spill


TAIL, MOST_WORLDS = 1e-4, 3000
"""Worlds that together hold less than this, or come after so many, are not asked: their share goes
to the others."""


def _probable(merged: Mapping[frozenset[int], float]) -> Iterator[World]:
    """Worlds by falling probability until only `TAIL` is left, scaled to sum to 1."""
    ranked = sorted(merged.items(), key=lambda pair: -pair[1])
    kept, mass = [], 0.0
    for members, p in ranked[:MOST_WORLDS]:
        kept.append((members, p))
        mass += p
        if mass >= 1 - TAIL:
            break
    for members, p in kept:
        yield World(members, p / mass)
