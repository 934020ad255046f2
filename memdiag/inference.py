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

TINY = 1e-300


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
    """Scores sets: their joint log likelihood in each context, and the bound on supersets.

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
        self.slopes = self._slope(like), self._slope(best_above)

    @staticmethod
    def _slope(like: Array) -> Array:
        slope = like.copy()
        slope[:, :-1] -= like[:, 1:]
        return slope

    def cumulative(self, members: tuple[int, ...]) -> Array:
        """(C, N, S) cumulative probabilities of a set."""
        total = self.base
        for v in members:
            total = total * self.model.effects[:, v]
        return total

    def score(self, cumulative: Array) -> tuple[Array, Array]:
        """(C, N, S) -> log likelihood (C,) of the set and the bound (C,) on its supersets."""
        exact, above = (np.einsum("cns,ns->cn", cumulative, slope) for slope in self.slopes)
        return _log_total(exact), _log_total(np.maximum(above, exact))

    def score_more(self, cumulative: Array, part: slice) -> tuple[Array, Array]:
        """The same for the set with each variant of `part` added: two (C, part) arrays."""
        effects = self.model.effects[:, part]
        exact, above = (
            np.einsum("cns,cvns->cvn", cumulative * slope, effects) for slope in self.slopes
        )
        return _log_total(exact), _log_total(np.maximum(above, exact))


def _log_total(likelihood: Array) -> Array:
    total: Array = np.log(np.maximum(likelihood, TINY)).sum(axis=-1)
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
    bounds = {root: _logsumexp(above + model.contexts)}
    left: list[float] = []
    total = _logsumexp(weights[root])
    level = [root]
    for size in range(1, most + 1):
        # log of the most that all supersets of each set can weigh (any number of more faults).
        reach = {s: bounds[s] + _more(model, room, s) for s in level}
        level.sort(key=lambda s: -reach[s])
        worth = total + math.log(max(tolerance, TINY) / len(level))
        chosen = [s for s in level[: 1 if size == 1 else beam] if reach[s] > worth]
        left += [reach[s] for s in level[len(chosen) :]]
        level = []
        for s in chosen:
            for members, weight, bound in _extend(scorer, s):
                if members not in weights:
                    weights[members], bounds[members] = weight, bound
                    level.append(members)
        if not level:
            break
        total = _logsumexp(np.concatenate(list(weights.values())))
    else:
        left += [bounds[s] + _more(model, room, s) for s in level]

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


def _more(model: Model, room: Array, members: tuple[int, ...]) -> float:
    """log of the prior weight of all ways to add one or more other faults, from above:
    product of (1 + odds) - 1 <= exp(sum of odds) - 1. `room` is the sum of odds of each fault."""
    spare = float(room.sum() - sum(room[model.fault[v]] for v in members))
    return math.log(math.expm1(min(spare, 50.0))) if spare > 1e-12 else -math.inf


def _extend(
    scorer: _Scorer, members: tuple[int, ...]
) -> list[tuple[tuple[int, ...], Array, float]]:
    """Every set with one more variant of another fault: (set, log weight by context, bound)."""
    model = scorer.model
    base = scorer.cumulative(members)
    taken = {int(model.fault[v]) for v in members}
    prior = float(sum(model.odds[v] for v in members))
    found = []
    # A slice at a time, so that memory stays small on boards with hundreds of nodes.
    step = max(1, 8_000_000 // max(1, base.size))
    for start in range(0, len(model.odds), step):
        part = slice(start, start + step)
        log, above = scorer.score_more(base, part)
        weight = model.contexts[:, None] + (prior + model.odds[part])
        log = (log + weight).T
        bound = np.logaddexp.reduce(above + weight, axis=0).tolist()
        for v, (row, limit) in enumerate(zip(log, bound, strict=True), start):
            if int(model.fault[v]) not in taken:
                found.append((tuple(sorted((*members, v))), row, limit))
    return found


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
