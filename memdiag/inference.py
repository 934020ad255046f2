"""The posterior over sets of faults. It knows no memory, only factors.

The model. Every candidate fault comes in one or more variants (how strongly it shows) and puts
every node in one of the node's ordered states with some probability; with no fault a node leaks
out of its lowest state now and then. Where several faults act on a node, the greatest of their
states shows: a noisy maximum, the many-state form of the noisy-OR (Pearl 1988; Henrion 1989), in
which the cumulative probabilities of the faults multiply. A context is a circumstance
all faults share (here: how the rig behaves); it has a prior and its own effects.

P(context, set) is proportional to P(context) * product of the odds of the set's variants *
product over nodes of sum over states P(state | set, context) * likelihood(state). Sets hold at
most one variant of a fault. Everything is in log space.

Sets are searched by size, best first. What is not looked at is bounded: adding faults to a set
can only move states up, so no superset of S can explain node n better than
sum over s of P(s | S) * max over s' >= s of likelihood(s').
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

TINY = 1e-30
"""What is impossible counts as this likely: eight of them multiply without underflow."""


@dataclass(frozen=True, slots=True)
class Model:
    """The factors.

    loglik    (N, S): log likelihood of what was seen at node n in state s, states in rising
              order, padded with -inf beyond a node's last state.
    effects   (C, V, N, S): the cumulative probability P(state <= s) that variant v alone gives
              node n in context c; 1 in a node's last state and beyond.
    leak      (C, N, S): the same with no fault at all.
    odds      (V,): log prior odds of the variant being present; bonus likelihoods included.
    fault     (V,): which fault a variant belongs to; variants of one fault exclude each other.
    contexts  (C,): log prior of each context, normalised.
    given     variants that are present for certain (their odds are not counted).
    """

    loglik: Array
    effects: Array
    leak: Array
    odds: Array
    fault: npt.NDArray[np.int64]
    contexts: Array
    given: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Posterior:
    """Sets that were looked at, most probable first, as tuples of variant numbers (the given ones
    left out), their probabilities (they sum to 1), and a bound on the mass not looked at."""

    sets: tuple[tuple[int, ...], ...]
    probability: Array
    context: Array  # (sets, C): joint probability with each context
    left_out: float
    log_evidence: float

    def of_fault(self, fault: npt.NDArray[np.int64], number: int) -> float:
        """Marginal probability that fault `number` is present in any variant."""
        return float(
            sum(
                p
                for members, p in zip(self.sets, self.probability, strict=True)
                if any(fault[v] == number for v in members)
            )
        )


class _Scorer:
    """Scores sets: their log likelihood in each context, and the bound on their supersets.

    The likelihood of a node is linear in its cumulatives:
    sum over s of (cdf_s - cdf_s-1) L_s = sum over s of cdf_s (L_s - L_s+1).
    """

    def __init__(self, model: Model) -> None:
        self.model = model
        top = np.where(np.isneginf(model.loglik).all(axis=1), 0.0, model.loglik.max(axis=1))
        self.offset = float(top.sum())
        like = np.exp(model.loglik - top[:, None])
        best_above = np.maximum.accumulate(like[:, ::-1], axis=1)[:, ::-1]
        self.base = model.leak.copy()
        for v in model.given:
            self.base *= model.effects[:, v]
        self.slopes = np.stack([_slope(like), _slope(best_above)], axis=1)  # (N, 2, S)
        # (C, N, S, V): one small matrix product a node and context scores all variants at once.
        self.by_state = np.ascontiguousarray(np.moveaxis(model.effects, 1, 3))

    def cumulative(self, members: tuple[int, ...]) -> Array:
        """(C, N, S) cumulative probabilities of a set."""
        total = self.base
        for v in members:
            total = total * self.model.effects[:, v]
        return total

    def score(self, cumulative: Array) -> tuple[Array, Array]:
        """(C, N, S) -> log likelihood (C,) of the set and the bound (C,) on its supersets."""
        both = np.einsum("cns,nks->cnk", cumulative, self.slopes)
        return _log_total(both[..., 0]), _log_total(both.max(axis=-1))

    def score_more(self, cumulative: Array) -> tuple[Array, Array]:
        """The same for the set with each variant added: two (C, V) arrays."""
        both = np.matmul(cumulative[:, :, None, :] * self.slopes, self.by_state)  # (C, N, 2, V)
        exact = both[:, :, 0]
        above = np.maximum(both[:, :, 1], exact)
        return _log_total(exact, 1), _log_total(above, 1)


def _slope(like: Array) -> Array:
    slope = like.copy()
    slope[:, :-1] -= like[:, 1:]
    return slope


def _log_total(likelihood: Array, axis: int = -1) -> Array:
    """Sum of logs along an axis, eight factors to a log."""
    values = np.moveaxis(np.maximum(likelihood, TINY), axis, 0)
    short = -len(values) % 8
    if short:
        values = np.concatenate([values, np.ones((short, *values.shape[1:]))])
    product = values.reshape(-1, 8, *values.shape[1:]).prod(axis=1)
    total: Array = np.log(product).sum(axis=0)
    return total


def infer(
    model: Model, *, most: int = 3, beam: int = 24, tolerance: float = 1e-4
) -> Posterior:
    """The posterior over sets of at most `most` faults.

    `beam` sets of each size are extended by one more fault, those with the largest bound first;
    a set is not extended once all its supersets together cannot hold `tolerance` of the mass
    found so far. The mass of what was left is bounded in `Posterior.left_out`; 0 means exact (up
    to sets larger than `most`, whose bound is included).
    """
    scorer = _Scorer(model)
    variants = len(model.odds)
    room = np.bincount(model.fault, np.exp(model.odds)) if variants else np.zeros(1)

    root: tuple[int, ...] = ()
    log, above = scorer.score(scorer.cumulative(root))
    weights: dict[tuple[int, ...], Array] = {root: log + model.contexts}
    spare = float(room.sum())
    # Of each set of the present size: log of the most that all its supersets can weigh.
    level = {root: _logsumexp(above + model.contexts) + float(_any_more(spare))}
    left: list[float] = []
    total = _logsumexp(weights[root])
    for size in range(1, most + 1):
        ranked = sorted(level, key=lambda s: -level[s])
        worth = total + math.log(max(tolerance, TINY) / len(level))
        chosen = [s for s in ranked[: 1 if size == 1 else beam] if level[s] > worth]
        left += [level[s] for s in ranked[len(chosen) :]]
        grown: dict[tuple[int, ...], float] = {}
        for s in chosen:
            _extend(scorer, s, spare, room, weights, grown)
        level = grown
        if not level:
            break
        total = _logsumexp(np.concatenate(list(weights.values())))
    left += level.values()

    sets = list(weights)
    table = np.array([weights[s] for s in sets])  # (sets, C)
    evidence = _logsumexp(table.ravel())
    joint = np.exp(table - evidence)
    probability = joint.sum(axis=1)
    order = np.argsort(-probability, kind="stable")
    outside = math.exp(min(_logsumexp(np.array(left)) - evidence, 700.0)) if left else 0.0
    return Posterior(
        tuple(sets[i] for i in order),
        probability[order],
        joint[order],
        outside / (1.0 + outside),
        evidence + scorer.offset,
    )


def _any_more(spare: float | Array) -> Array:
    """log of the prior weight of all ways to add one or more other faults, from above:
    product of (1 + odds) - 1 <= exp(sum of odds) - 1, `spare` being that sum."""
    room = np.asarray(spare, float)
    some = room > 1e-12
    return np.where(some, np.log(np.expm1(np.clip(room, 1e-12, 50.0))), -np.inf)


def _extend(
    scorer: _Scorer,
    members: tuple[int, ...],
    spare: float,
    room: Array,
    weights: dict[tuple[int, ...], Array],
    grown: dict[tuple[int, ...], float],
) -> None:
    """Add every set with one more variant of another fault to `weights`, its reach to `grown`."""
    model = scorer.model
    taken = {int(model.fault[v]) for v in members}
    prior = float(sum(model.odds[v] for v in members))
    log, above = scorer.score_more(scorer.cumulative(members))
    weight = model.contexts[:, None] + (prior + model.odds)
    log = (log + weight).T
    unused = spare - sum(float(room[f]) for f in taken) - room[model.fault]
    reach = np.logaddexp.reduce(above + weight, axis=0) + _any_more(unused)
    for v, (row, limit) in enumerate(zip(log, reach.tolist(), strict=True)):
        if int(model.fault[v]) not in taken:
            key = tuple(sorted((*members, v)))
            if key not in weights:
                weights[key] = row
                grown[key] = limit


def _logsumexp(values: Array) -> float:
    if values.size == 0:
        return -math.inf
    top = float(values.max())
    if math.isinf(top):
        return top
    return top + math.log(float(np.exp(values - top).sum()))


def cumulative(pmf: Sequence[float], states: int) -> Array:
    """A state distribution -> its cumulative probabilities, padded to `states` with ones."""
    out = np.ones(states)
    out[: len(pmf) - 1] = np.cumsum(np.asarray(pmf, float))[:-1]
    return out
