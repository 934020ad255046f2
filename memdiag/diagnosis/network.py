"""The factors of a case: what every variant that is not hopeless predicts of what it can reach.

A package is a group: its lanes, lines and addresses are disturbed together. What several packages
share (a row of a whole channel) is a group of its own, and so are the boot of each channel and each
reading of a rail.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cache

import numpy as np

from memdiag.diagnosis import rig_behaviour
from memdiag.diagnosis.candidate import Candidate, Reach
from memdiag.diagnosis.faults.locations import ODD
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.noisy_max import Array, Family, Group, Ints, Levels
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.evidence.nodes import BOOT, LINK, READINGS, STATES, Node

Variants = list[tuple[int, int]]
"""(candidate, variant of its mechanism)"""

Present = tuple[Candidate, int]
"""The same with the candidate itself."""


class Parts:
    """Nodes by group, and who strikes each."""

    def __init__(
        self,
        candidates: Sequence[Candidate],
        nodes: Sequence[Node],
        kept_for_the_run: Sequence[float],
    ) -> None:
        self.candidates, self.nodes, self.cases = candidates, nodes, len(kept_for_the_run)
        self.by_group: dict[tuple[str, ...], list[int]] = {}
        self.boot_nodes, self.reading_nodes = [], []
        for n, node in enumerate(nodes):
            if node.kind == "boot":
                self.boot_nodes.append(n)
            elif node.kind in READINGS:
                self.reading_nodes.append(n)
            else:
                self.by_group.setdefault(node.sites, []).append(n)
        self.strikers: dict[int, list[int]] = {}
        for i, c in enumerate(candidates):
            for n in c.strikes:
                self.strikers.setdefault(n, []).append(i)
        self._seen: dict[tuple[int, ...], tuple[Array, Array, Array]] = {}
        known = np.log(list(kept_for_the_run))
        self.contexts = (known[:, None] + rig_behaviour.CONTEXTS).reshape(-1)

    def families(self, kept: Variants, reach: Reach) -> tuple[Family, ...]:
        """What those variants predict, in their order, of the packages, boots and readings."""
        given = [(c, 0) for c in self.candidates if c.expected]
        every = (
            self.packages(kept, reach, given),
            self.boots(kept, reach, given),
            self.readings(kept),
        )
        return tuple(f for f in every if f.groups)

    # --- effects ----------------------------------------------------------------------------

    def _striking(self, members: Sequence[int]) -> list[int]:
        return sorted({i for n in members for i in self.strikers.get(n, ())})

    def _effects(self, i: int, members: Sequence[int]) -> Array:
        """(variants of the candidate, N, S) cumulative probabilities at these nodes."""
        candidate = self.candidates[i]
        near = [candidate.strikes.get(n, Relation.NONE) for n in members]
        kinds = [_KINDS.index(self.nodes[n].kind) for n in members]
        return _tables(candidate.mechanism)[:, kinds, near]

    def _direct(
        self, members: Sequence[int], number: Mapping[tuple[int, int], int]
    ) -> tuple[Ints, Array]:
        """The variants that strike these nodes, by their numbers, and their effects."""
        alike: dict[tuple[Mechanism, tuple[Relation, ...]], list[int]] = {}
        for i in self._striking(members):
            c = self.candidates[i]
            near = tuple([c.strikes.get(n, Relation.NONE) for n in members])
            alike.setdefault((c.mechanism, near), []).append(i)
        kinds = [_KINDS.index(self.nodes[n].kind) for n in members]
        who: list[int] = []
        effects = [np.zeros((0, len(members), len(LINK)))]
        for (mechanism, stand), those in alike.items():
            mine = [
                (number[i, j], j)
                for i in those
                for j in range(len(mechanism.variants))
                if (i, j) in number
            ]
            who += [v for v, _ in mine]
            effects.append(_tables(mechanism)[:, kinds, stand][[j for _, j in mine]])
        order = np.argsort(who, kind="stable")
        return np.array(who, np.int64)[order], np.concatenate(effects)[order]

    def _given(self, members: Sequence[int]) -> Array | float:
        """(N, S) what the faults present for certain do to these nodes."""
        total: Array | float = 1.0
        for i in self._striking(members):
            if self.candidates[i].expected:
                total = total * self._effects(i, members)[0]
        return total

    def group(
        self, members: Sequence[int], chance: Array, number: Mapping[tuple[int, int], int]
    ) -> Group:
        """A group of package nodes. `chance` (moods, D, circumstances), in each case of what is
        kept for the run. Where both ways of data were seen and something is odd, there is one of
        each circumstance for each way in which margin may be lost."""
        loglik, leak, weights = self._of_group(tuple(members))
        direct, effects = self._direct(members, number)
        shares = rig_behaviour.WAYS if len(weights) > 1 else (1.0,)
        chance = np.concatenate(
            [share * chance @ weight for share, weight in zip(shares, weights, strict=True)],
            axis=-1,
        )
        return Group(loglik, leak, chance, direct, effects, self.cases)

    def _of_group(self, members: tuple[int, ...]) -> tuple[Array, Array, Array]:
        """What was seen of these nodes, how they leak, and (ways, all circumstances, kept ones) how
        much each circumstance adds to those that are kept, in each way of data that is told apart:
        asked for all variants and again for those that are kept."""
        if members not in self._seen:
            nodes = [self.nodes[n] for n in members]
            odd = any(n.sound_log_ratio < ODD for n in nodes)
            ways = odd and any(n.goes_both_ways for n in nodes)
            w, k = len(rig_behaviour.WAYS) if ways else 1, len(rig_behaviour.VIEW)
            loglik = np.full((self.cases, w, k, len(members), len(LINK)), -np.inf)
            leak = np.ones(loglik.shape)
            for at, node in enumerate(nodes):
                seen = node.by_way()[:w].swapaxes(0, 1)
                loglik[:, :, :, at, : len(node.states)] = seen[:, :, rig_behaviour.VIEW]
                leak[:, :, :, at] = _leak(node.kind)
            leak *= self._given(members)
            kept, weights = _alike(loglik, leak)
            flat = (self.cases * w * len(kept), len(members), len(LINK))
            loglik, leak = (table[:, :, kept].reshape(flat) for table in (loglik, leak))
            self._seen[members] = loglik, leak, weights
        return self._seen[members]

    # --- families -----------------------------------------------------------------------------

    def packages(self, kept: Variants, reach: Reach, given: Sequence[Present]) -> Family:
        number = {key: v for v, key in enumerate(kept)}
        groups = list(self.by_group)
        base = reach.of_packages(given, groups)
        levels = reach.of_packages(self._present(kept), groups)
        # Most levels are those of no fault of this board.
        used = np.flatnonzero(np.bincount(levels.reshape(-1), minlength=1) > 0)
        used = np.insert(used[used > 0], 0, 0)
        built = tuple(
            self.group(
                self.by_group[sites], _from_level(rig_behaviour.CHANCE, base[:, g])[:, used], number
            )
            for g, sites in enumerate(groups)
        )
        return Family(self.contexts, built, np.searchsorted(used, levels).astype(np.int8))

    def _present(self, kept: Variants) -> list[Present]:
        return [(self.candidates[i], j) for i, j in kept]

    def boots(self, kept: Variants, reach: Reach, given: Sequence[Present]) -> Family:
        """The boot of each channel. What it does matters only where steps were not run."""
        nodes = [self.nodes[n] for n in self.boot_nodes]
        some_cut = any(n.sound_log_ratio < ODD for n in nodes)
        known = range(len(rig_behaviour.BOOTS) if some_cut else 1)
        chance = rig_behaviour.BOOT_CHANCE[list(known)]
        contexts = rig_behaviour.BOOTS[list(known)]
        base = reach.of_boots(given, nodes)
        leak = np.ones((2, 1, len(BOOT)))
        leak[1, 0, 0] = 0.0  # cut
        groups = []
        for g, node in enumerate(nodes):
            loglik = np.repeat(node.by_way()[0, 0, :1, None, :], 2, axis=0)
            mine = _from_level(chance, base[:, g])
            nobody = np.zeros((0, 1, len(BOOT)))
            groups.append(Group(loglik, leak, mine, np.zeros(0, np.int64), nobody))
        prior = contexts - np.log(np.exp(contexts).sum())
        return Family(prior, tuple(groups), reach.of_boots(self._present(kept), nodes))

    def reading(self, n: int, number: Mapping[tuple[int, int], int]) -> Group:
        node = self.nodes[n]
        loglik = np.full((1, 1, len(LINK)), -np.inf)
        loglik[0, 0, : len(node.states)] = node.by_way()[0, 0, 0]
        leak = rig_behaviour.cumulative(rig_behaviour.idle(node.kind), node.kind)[None, None]
        leak = leak * self._given([n])
        direct, effects = self._direct([n], number)
        return Group(loglik, leak, np.ones((1, 1, 1)), direct, effects)

    def readings(self, kept: Variants) -> Family:
        number = {key: v for v, key in enumerate(kept)}
        groups = tuple(self.reading(n, number) for n in self.reading_nodes)
        return Family(np.zeros(1), groups, np.zeros((len(kept), len(groups)), np.int8))


def _variants_of(candidate: Candidate) -> range:
    return range(len(candidate.mechanism.variants))


def _alike(loglik: Array, leak: Array) -> tuple[list[int], Array]:
    """Circumstances, of (cases, ways, K, N, S), that say the same of every state but for how
    probable what was seen is in each: one of them stands for all. Where no step was marginal, a rig
    that might have warned is such.

    The ones that are kept, and (ways, K, kept) how much each adds to the chance of those."""
    first = loglik[..., 0]
    shape = np.round(loglik - first[..., None], 9) + 0.0
    total = first.sum(axis=-1)  # (cases, ways, K)
    apart = np.round(total - total[:1], 9) + 0.0
    kept: dict[tuple[bytes, ...], int] = {}
    stands: list[int] = []
    for k in range(loglik.shape[2]):
        key = tuple([table[:, :, k].tobytes() for table in (shape, apart, leak)])
        stands.append(kept.setdefault(key, k))
    numbers = list(kept.values())
    weights = np.zeros((loglik.shape[1], loglik.shape[2], len(numbers)))
    for k, of in enumerate(stands):
        weights[:, k, numbers.index(of)] = np.exp(total[0, :, k] - total[0, :, of])
    return numbers, weights


def _from_level(chance: Array, base: Levels) -> Array:
    """The chances where faults that are certain reach at least that level already."""
    least = int(base.max(initial=0))
    if not least:
        return chance
    out = chance.copy()
    out[:, :least] = chance[:, least : least + 1]
    return out


_KINDS = tuple(k for k in STATES if k != "boot")


@cache
def _tables(mechanism: Mechanism) -> Array:
    """(variants, kinds, Relation, S) cumulative probabilities; ones where nothing is struck."""
    out = np.ones((len(mechanism.variants), len(_KINDS), len(Relation), len(LINK)))
    for j, variant in enumerate(mechanism.variants):
        for (kind, near), pmf in variant.effects.items():
            out[j, _KINDS.index(kind), near] = rig_behaviour.cumulative(pmf, kind)
            if (kind, near) == ("place", Relation.SELF):
                of_all = rig_behaviour.of_all_lanes(pmf)
                out[j, _KINDS.index(kind), Relation.WHOLE] = rig_behaviour.cumulative(of_all, kind)
    return out


@cache
def _leak(kind: str) -> Array:
    return rig_behaviour.leak(kind)


def ratios(
    candidate: Candidate, nodes: Sequence[Node], but: Collection[int] = ()
) -> dict[int, float]:
    """How much each node that a candidate strikes speaks for it, `but` for some: the log of how
    likely what was seen there is with its likeliest variant against with no fault, or with a
    disturbance."""
    numbers = [n for n in candidate.strikes if nodes[n].kind != "boot" and n not in but]
    found = np.zeros((len(candidate.mechanism.variants), len(numbers)))
    for at, n in enumerate(numbers):
        node = nodes[n]
        states = len(node.states)
        effects = _tables(candidate.mechanism)[:, _KINDS.index(node.kind), candidate.strikes[n]]
        like = np.exp(node.by_way()[:, 0]).max(axis=0)[:, :states]  # (views, S)
        with_it = np.diff(effects[:, :states], prepend=0.0, axis=1) @ like[0]
        healthy = np.diff(_leak(node.kind)[:, :states], prepend=0.0, axis=1)
        views = [rig_behaviour.VIEW[k] for k in range(len(healthy))]
        without = max(float(pmf @ like[view]) for pmf, view in zip(healthy, views, strict=True))
        found[:, at] = np.log(np.maximum(with_it, 1e-12) / max(without, 1e-12))
    best = int(found.sum(axis=1).argmax())
    return dict(zip(numbers, found[best].tolist(), strict=True))
