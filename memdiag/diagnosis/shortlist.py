"""Which variants are worth a thought, and the model of those.

Most of what could be wrong with a board explains nothing of its dump: it is left out before any set
of faults is weighed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from memdiag.diagnosis import noisy_max, rig_behaviour
from memdiag.diagnosis.candidate import Candidate, Reach
from memdiag.diagnosis.network import Parts, Variants
from memdiag.diagnosis.noisy_max import Array, Ints, Weighed
from memdiag.evidence.nodes import Node

HOPELESS, EACH = -4.0, 0.5
"""A variant that explains its own place worse (log, with its share of the fault) than mere
disturbances would, by more than this and this much again for each node of it, is not followed
up."""

NOWHERE = -0.6
"""Nor is one beside which each package that it strikes is so much less likely (log), whatever
disturbs it, than without."""

BESIDE = 9.0
"""Nor is one that explains it so much worse (log) than another strength of the same fault does."""

TOLD_BEST = 3.0
"""Unless it explains one package so much better (log) than that strength does."""

_AT_BEST: Array = rig_behaviour.CHANCE.max(axis=(0, 1))[None, None]
"""How probable each circumstance is where rig, board and neighbours make it most so."""


def build_model(
    candidates: Sequence[Candidate],
    nodes: Sequence[Node],
    reach: Reach,
    kept_for_the_run: Sequence[float],
) -> tuple[noisy_max.Model, Variants]:
    """The factors of the variants that are not hopeless, and those variants."""
    parts = Parts(candidates, nodes, kept_for_the_run)
    every = [
        (i, j)
        for i, c in enumerate(candidates)
        if not c.expected
        for j in range(len(c.mechanism.variants))
    ]
    kept = hopeful(parts, every)
    odds = np.array(
        [
            math.log(c.odds * c.mechanism.variants[j].share) + c.bonus
            for c, j in ((candidates[i], j) for i, j in kept)
        ]
    )
    fault = np.array([i for i, _ in kept], np.int64)
    vague = frozenset(v for v, (i, _) in enumerate(kept) if candidates[i].mechanism.unknown)
    return noisy_max.Model(parts.families(kept, reach), odds, fault, vague), kept


def hopeful(parts: Parts, every: Variants) -> Variants:
    """The variants that explain their own place not much worse than a disturbance would, and make
    some package of it no less likely."""
    number = {key: v for v, key in enumerate(every)}
    hope = np.array(
        [
            parts.candidates[i].bonus + math.log(parts.candidates[i].mechanism.variants[j].share)
            for i, j in every
        ]
    )
    count = np.zeros(len(every))
    gains: list[tuple[Ints, Array]] = []
    over_none = np.where([bool(parts.candidates[i].strikes) for i, _ in every], -np.inf, 0.0)
    for members in parts.by_group.values():
        group = parts.group(members, _AT_BEST, number)
        if group.direct.size:
            ready = Weighed(group)
            at_best = np.tile(np.log(group.chance[0, 0]), group.cases)
            gain = (ready.one + at_best).max(axis=1) - (ready.alone + at_best).max()
            gains.append((group.direct, gain))
            better = (ready.one - ready.alone).max(axis=1)
            over_none[group.direct] = np.maximum(over_none[group.direct], better)
            count[group.direct] += (group.effects[:, :, 0] < 1).sum(axis=1)
    for n in parts.reading_nodes:
        group = parts.reading(n, number)
        ready = Weighed(group)
        gain = ready.one[:, 0] - ready.alone[0]
        gains.append((group.direct, gain))
        over_none[group.direct] = np.maximum(over_none[group.direct], gain)
        count[group.direct] += 1
    for direct, gain in gains:
        hope[direct] += gain
    first = _best_of_each(every, hope)
    leads = hope > hope[first] - BESIDE
    for direct, gain in gains:
        # Elsewhere another fault may hide it: one group that it tells best is enough.
        mine = np.full(len(every), -np.inf)
        mine[direct] = gain
        leads[direct] |= gain > mine[first[direct]] + TOLD_BEST
    return [
        (i, j)
        for v, (i, j) in enumerate(every)
        if (hope[v] > HOPELESS - EACH * count[v] and over_none[v] > NOWHERE and leads[v])
        or parts.candidates[i].mechanism.unknown
    ]


def _best_of_each(every: Variants, hope: Array) -> Ints:
    """(V,) of each variant, which one of its candidate explains most."""
    best: dict[int, int] = {}
    for v, (i, _) in enumerate(every):
        if i not in best or hope[v] > hope[best[i]]:
            best[i] = v
    return np.array([best[i] for i, _ in every], np.int64)
