"""Exact posteriors over sets of faults, for models small enough: by hand from states, by pgmpy.

Neither uses a cumulative probability of a set: the states that each fault and the leak give a node
are drawn apart, and the greatest of them shows.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Sequence
from itertools import combinations, product
from typing import Any

import numpy as np
from msgspec.structs import replace

from memdiag.diagnosis.noisy_max import Array, Family, Group, Ints, Model
from memdiag.diagnosis.search import Posterior

NEVER = -np.inf
NOBODY: Ints = np.zeros(0, np.int64)
Weights = dict[tuple[int, ...], float]


# ---- models ----


def _pmf(rng: np.random.Generator, states: int, floor: float = 0.01) -> Array:
    drawn = rng.dirichlet(np.full(states, 0.6)) + floor
    return np.asarray(drawn / drawn.sum())


def random_group(
    rng: np.random.Generator, variants: int, shape: tuple[int, int, int], nodes: int = 2
) -> Group:
    """`shape`: contexts, levels, circumstances. Nodes of two to four states, each struck by some
    variants; a node has some states less than the widest."""
    contexts, levels, k = shape
    states = 4
    direct = np.flatnonzero(rng.random(variants) < 0.6)
    loglik = np.full((k, nodes, states), NEVER)
    leak, effects = np.ones(loglik.shape), np.ones((len(direct), nodes, states))
    for n in range(nodes):
        size = int(rng.integers(2, states + 1))
        for i in range(k):
            loglik[i, n, :size] = np.log(_pmf(rng, size, 1e-4))
            quiet = _pmf(rng, size)
            quiet[0] += 2.0
            leak[i, n, : size - 1] = np.cumsum(quiet / quiet.sum())[:-1]
        for m in range(len(direct)):
            effects[m, n, : size - 1] = np.cumsum(_pmf(rng, size))[:-1]
    chance = np.array([[_pmf(rng, k) for _ in range(levels)] for _ in range(contexts)])
    return Group(loglik, leak, chance, direct.astype(np.int64), effects)


def whole_chance(group: Group) -> Array:
    """(C, D, K) of all cases at once: a circumstance of another case is impossible."""
    c, d, k = group.chance.shape
    out = np.zeros((group.cases, c, d, group.cases, k))
    for case in range(group.cases):
        out[case, :, :, case] = group.chance
    return out.reshape(group.cases * c, d, group.cases * k)


def random_model(seed: int, *, faults: int, strengths: int = 2, rare: float = 0.3) -> Model:
    """One to three families of one or two contexts, each of one to three groups of one to three
    circumstances and levels; faults of one to `strengths` variants."""
    rng = np.random.default_rng(seed)
    fault = np.array([f for f in range(faults) for _ in range(rng.integers(1, strengths + 1))])
    families = []
    for _ in range(rng.integers(1, 4)):
        contexts, levels, groups = (int(rng.integers(1, top)) for top in (3, 4, 4))
        built = tuple(
            random_group(rng, len(fault), (contexts, levels, int(rng.integers(1, 4))))
            for _ in range(groups)
        )
        reach = rng.integers(0, levels, (len(fault), groups))
        families.append(Family(np.log(rng.dirichlet(np.ones(contexts))), built, reach))
    odds = np.log(rng.uniform(0.005, rare, len(fault)))
    return Model(tuple(families), odds, fault)


def two_state(
    shows: Sequence[Sequence[float]],
    leak: Sequence[float],
    priors: Sequence[float],
    seen: Sequence[bool | None],
    *,
    apart: bool = True,
) -> Model:
    """Faults that make findings present: `shows[f][n]` is the chance that fault f alone does so.
    `seen`: present, absent, or (None) not looked at. `apart`: each finding a group of its own."""
    states = {True: [NEVER, 0.0], False: [0.0, NEVER], None: [0.0, 0.0]}
    loglik = np.array([states[s] for s in seen])
    quiet = np.array([[1 - p, 1.0] for p in leak])
    effects = np.array([[[1 - p, 1.0] for p in row] for row in shows])
    effects = effects.reshape(len(shows), len(seen), 2)
    every = range(len(seen))
    groups = []
    for part in [[n] for n in every] if apart else [list(every)]:
        mine = [f for f, row in enumerate(shows) if any(row[n] for n in part)]
        struck = effects[np.ix_(mine, part)]
        one = np.ones((1, 1, 1))
        groups.append(
            Group(loglik[part][None], quiet[part][None], one, np.array(mine, np.int64), struck)
        )
    odds = np.log(np.array(priors) / (1 - np.array(priors)))
    reach = np.zeros((len(priors), len(groups)), np.int64)
    return Model((Family(np.zeros(1), tuple(groups), reach),), odds, np.arange(len(priors)))


def with_certain(model: Model, certain: int) -> Model:
    """The model in which that variant is no question any more: it is part of every leak, and of
    the level at which every group is reached; its fault has no variants left."""
    keep = np.flatnonzero(model.fault != model.fault[certain])
    families = []
    for family in model.families:
        groups = []
        for g, group in enumerate(family.groups):
            level = int(family.reach[certain, g])
            chance = whole_chance(group)
            chance[:, :level] = chance[:, level : level + 1]
            leak = group.leak * np.prod(group.effects[group.direct == certain], axis=0)
            stay = np.isin(group.direct, keep)
            direct = np.searchsorted(keep, group.direct[stay])
            groups.append(Group(group.loglik, leak, chance, direct, group.effects[stay]))
        families.append(replace(family, groups=tuple(groups), reach=family.reach[keep]))
    return Model(tuple(families), model.odds[keep], model.fault[keep])


# ---- what a posterior says ----


def as_mapping(found: Posterior) -> Weights:
    return dict(zip(found.sets, found.probability.tolist(), strict=True))


def marginals(found: Posterior, model: Model) -> list[float]:
    """Probability that each fault is present in any variant."""
    out = [0.0] * (int(model.fault.max()) + 1)
    for members, p in as_mapping(found).items():
        for v in members:
            out[int(model.fault[v])] += p
    return out


# ---- by hand ----


def all_sets(model: Model, most: int) -> Iterator[tuple[int, ...]]:
    for size in range(most + 1):
        for members in combinations(range(len(model.odds)), size):
            if len({int(model.fault[v]) for v in members}) == size:
                yield members


def brute_force(model: Model, most: int = 6) -> Weights:
    """The weight of every set, not normalised."""
    return {members: _weight(model, members) for members in all_sets(model, most)}


def _weight(model: Model, members: tuple[int, ...]) -> float:
    weight = math.exp(sum(model.odds[v] for v in members))
    for family in model.families:
        total = 0.0
        for c, prior in enumerate(family.contexts):
            p = math.exp(prior)
            for g, group in enumerate(family.groups):
                level = max((int(family.reach[v, g]) for v in members), default=0)
                p *= sum(
                    float(whole_chance(group)[c, level, k]) * _seen(group, k, members)
                    for k in range(len(group.loglik))
                )
            total += p
        weight *= total
    return weight


def _seen(group: Group, k: int, members: tuple[int, ...]) -> float:
    """Likelihood of what was seen at the nodes of a group in one circumstance."""
    striking = [int(np.flatnonzero(group.direct == v)[0]) for v in members if v in group.direct]
    out = 1.0
    for n in range(group.loglik.shape[1]):
        cumulative = [group.leak[k, n], *(group.effects[m, n] for m in striking)]
        pmfs = [np.diff(cdf, prepend=0.0).tolist() for cdf in cumulative]
        one = 0.0
        for drawn in product(*([s for s, p in enumerate(pmf) if p > 0] for pmf in pmfs)):
            chance = math.prod(pmf[s] for pmf, s in zip(pmfs, drawn, strict=True))
            one += chance * math.exp(group.loglik[k, n, max(drawn)])
        out *= one
    return out


# ---- by pgmpy ----


class ByElimination:
    """The same model as a network of pgmpy, and its posterior by variable elimination.

    Roots: each fault, with its variants as states, and the context of each family. Each group has
    its level, the greatest at which a present fault reaches it (a deterministic table), and its
    circumstance, a child of level and context. A node is a child of the faults that strike it and
    of the circumstance; what was seen there is a child of node and circumstance.
    """

    def __init__(self, model: Model) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its own modules warn of each other while they load
            from pgmpy.factors.discrete import TabularCPD
            from pgmpy.inference import VariableElimination
            from pgmpy.models import DiscreteBayesianNetwork
        self.model = model
        self.network = DiscreteBayesianNetwork()
        self._table: Any = TabularCPD
        self._engine: Any = VariableElimination
        self.faults = sorted({int(f) for f in model.fault})
        self.own = {
            f: [v for v in range(len(model.odds)) if model.fault[v] == f] for f in self.faults
        }
        self.sizes: dict[str, int] = {}
        for f, own in self.own.items():
            weights = np.array([1.0, *np.exp(model.odds[own])])
            self._add(f"F{f}", (weights / weights.sum())[:, None], [])
        for i, family in enumerate(model.families):
            self._add(f"C{i}", np.exp(family.contexts)[:, None], [])
            for g, group in enumerate(family.groups):
                self._add_group(f"{i}.{g}", f"C{i}", group, family.reach[:, g])

    def _add(self, name: str, columns: Array, parents: list[str]) -> None:
        """A variable; `columns` (states, combinations of the parents' states)."""
        self.network.add_node(name)
        self.network.add_edges_from((parent, name) for parent in parents)
        self.sizes[name] = len(columns)
        sizes = [self.sizes[p] for p in parents]
        self.network.add_cpds(self._table(name, len(columns), columns, parents, sizes))

    def _choices(self, faults: Sequence[int]) -> Iterator[list[int]]:
        """The variants present, for each combination of the states of these faults."""
        for which in product(*(range(len(self.own[f]) + 1) for f in faults)):
            yield [self.own[f][w - 1] for f, w in zip(faults, which, strict=True) if w]

    def _add_group(self, name: str, context: str, group: Group, reach: Ints) -> None:
        chance = whole_chance(group)
        _, levels, k = chance.shape
        near = [f for f in self.faults if reach[self.own[f]].any()]
        most = [max((int(reach[v]) for v in there), default=0) for there in self._choices(near)]
        self._add(f"D{name}", np.eye(levels)[:, most], [f"F{f}" for f in near])
        self._add(f"K{name}", chance.reshape(-1, k).T, [context, f"D{name}"])
        struck = sorted({int(self.model.fault[v]) for v in group.direct})
        at = {int(v): m for m, v in enumerate(group.direct)}
        top = group.loglik.max(axis=(0, 2))
        for n in range(group.loglik.shape[1]):
            columns = []
            for i in range(k):
                for there in self._choices(struck):
                    # Independent of the engine's form: a maximum is built up one cause at a time.
                    shown = np.diff(group.leak[i, n], prepend=0.0)
                    for v in there:
                        if v in at:
                            shown = _greater(shown, np.diff(group.effects[at[v], n], prepend=0.0))
                    columns.append(shown)
            self._add(f"N{name}.{n}", np.array(columns).T, [f"K{name}", *(f"F{f}" for f in struck)])
            like = np.exp(group.loglik[:, n] - top[n]).reshape(-1)
            self._add(f"S{name}.{n}", np.array([like, 1 - like]), [f"K{name}", f"N{name}.{n}"])

    def posterior(self) -> Weights:
        """P(set of variants given what was seen), over all sets of any size."""
        roots = [f"F{f}" for f in self.faults]
        seen = {name: 0 for name in self.sizes if name.startswith("S")}
        found = self._engine(self.network).query(roots, evidence=seen, show_progress=False)
        out = {}
        for which in product(*(range(self.sizes[r]) for r in roots)):
            members = tuple(
                self.own[f][w - 1] for f, w in zip(self.faults, which, strict=True) if w
            )
            out[members] = float(found.get_value(**dict(zip(roots, which, strict=True))))
        return out


def _greater(one: Array, other: Array) -> Array:
    """(S,) the distribution of the greater of two independent states."""
    out = np.zeros(len(one))
    for (a, p), (b, q) in product(enumerate(one), enumerate(other)):
        out[max(a, b)] += p * q
    return out
