"""The factors of a case: what every variant that is not hopeless predicts of every node."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from memdiag.diagnosis import noisy_max
from memdiag.diagnosis.faults.locations import ODD
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.rig_behaviour import RIGS, Pmf, Relation
from memdiag.evidence.nodes import STATES, Node
from memdiag.model import Cause, Place


@dataclass(frozen=True, slots=True)
class Candidate:
    """One fault that could be: its mechanism, where it sits, and the sites it acts on directly."""

    mechanism: Mechanism
    place: Place
    sites: frozenset[str]
    odds: float
    bonus: float = 0.0
    expected: bool = False

    @property
    def cause(self) -> Cause:
        return self.mechanism.cause


HOPELESS, EACH = -4.0, 0.7
"""A variant that explains its own place worse (log) than mere disturbances would, by more than
this and this much again for each node of it, is not followed up."""


def build_model(
    candidates: Sequence[Candidate],
    variants: Sequence[tuple[int, int]],
    nodes: Sequence[Node],
    near: np.ndarray,
) -> tuple[noisy_max.Model, list[tuple[int, int]]]:
    """The factors of the variants that are not hopeless, and those variants."""
    # What the boot does matters only where steps were not run.
    some_cut = any(n.kind == "boot" and n.sound_log_ratio < ODD for n in nodes)
    known = [r for r, rig in enumerate(RIGS) if some_cut or rig.boot == "goes on"]
    width = max(map(len, STATES.values()))
    loglik = np.full((len(nodes), width), -np.inf)
    for j, node in enumerate(nodes):
        vector = node.vector()
        loglik[j, : len(vector)] = vector
    kinds = list(STATES)
    kind_of = np.array([kinds.index("whole" if n.whole else n.kind) for n in nodes], np.int64)
    leak = _leak_table(width)[known]
    hopes = _hopes(candidates, variants, near, loglik, kind_of)
    kept = [
        (i, j)
        for (i, j), hope in zip(variants, hopes, strict=True)
        if hope > HOPELESS - EACH * int((near[i] >= Relation.LANE).sum())
        or candidates[i].expected
        or candidates[i].mechanism.unknown
    ]
    effects = np.empty((len(known), len(kept), len(nodes), width))
    for v, (i, j) in enumerate(kept):
        # One table for each variant of a mechanism, shared by all its candidates.
        table = _variant_table(candidates[i].mechanism, j, width)
        effects[:, v] = table[known][:, kind_of, near[i]]
    odds = np.array(
        [
            math.log(c.odds * c.mechanism.variants[j].share) + c.bonus
            for c, j in ((candidates[i], j) for i, j in kept)
        ]
    )
    given = tuple(v for v, (i, _) in enumerate(kept) if candidates[i].expected)
    odds[list(given)] = -700.0
    model = noisy_max.Model(
        loglik,
        effects,
        leak[:, kind_of],
        odds,
        np.array([i for i, _ in kept], np.int64),
        _log_shares([RIGS[r].prior for r in known]),
        given,
    )
    return model, kept


def _hopes(
    candidates: Sequence[Candidate],
    variants: Sequence[tuple[int, int]],
    near: np.ndarray,
    loglik: np.ndarray,
    kind_of: np.ndarray,
) -> list[float]:
    """For each variant: log of how well it explains its own place against the better of nothing
    and a disturbance from elsewhere."""
    like = np.exp(loglik)
    slope = like.copy()
    slope[:, :-1] -= like[:, 1:]
    # States 0 to 2 of a place are healthy ones; of other nodes only 0 costs nothing.
    place = np.isin(kind_of, [i for i, k in enumerate(STATES) if k in ("place", "whole", "line")])
    mere = np.where(place, like[:, :3].max(axis=1), like[:, 0])
    own = near >= Relation.LANE
    out = []
    for i, j in variants:
        nodes = np.flatnonzero(own[i])
        table = _variant_table(candidates[i].mechanism, j, like.shape[1])[0]
        cdf = table[kind_of[nodes], near[i][nodes]]
        found = (cdf * slope[nodes]).sum(axis=1)
        ratio = np.log(np.maximum(found, 1e-30) / mere[nodes])
        out.append(float(ratio.sum()) + candidates[i].bonus)
    return out


def _log_shares(weights: list[float]) -> np.ndarray:
    shares = np.array(weights)
    logs: np.ndarray = np.log(shares / shares.sum())
    return logs


@cache
def _variant_table(mechanism: Mechanism, variant: int, width: int) -> np.ndarray:
    """(rigs, node kinds, Relation, states) cumulative probabilities of one variant."""
    one = mechanism.variants[variant]
    pmfs = [
        [[mechanism.effect(one, rig, kind, near) for near in Relation] for kind in STATES]
        for rig in RIGS
    ]
    return _cumulative(pmfs, width)


@cache
def _leak_table(width: int) -> np.ndarray:
    """(rigs, node kinds, states) cumulative probabilities with no fault."""
    return _cumulative([[[rig.leak(kind)] for kind in STATES] for rig in RIGS], width)[:, :, 0]


def _cumulative(pmfs: list[list[list[Pmf]]], width: int) -> np.ndarray:
    """Nested pmfs (rigs, node kinds, relations) -> cumulative probabilities, padded with ones."""
    table = np.zeros((len(pmfs), len(STATES), len(pmfs[0][0]), width))
    for i, states in enumerate(STATES.values()):
        place = {state: s for s, state in enumerate(states)}
        for r, by_kind in enumerate(pmfs):
            for near, pmf in enumerate(by_kind[i]):
                for state, p in pmf.items():
                    table[r, i, near, place[state]] = p
    table[..., 0] = 0.0
    table[..., 0] = 1.0 - table.sum(axis=-1)
    np.cumsum(table, axis=-1, out=table)
    return np.minimum(table, 1.0)
