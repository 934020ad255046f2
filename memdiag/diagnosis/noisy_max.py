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

Sets hold at most three faults; larger ones are outside the model. All sets of one and two are
scored. Sets of three are scored for the faults that hold the most mass, one after another, until
what is left is small; on a board with very many variants the less telling ones are added only to
sets that turned out heavy. `Posterior.left_out` is an estimate of what is left from above, see
`_Search`.
"""

from __future__ import annotations

import heapq
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
    """Sets that were scored, most probable first, as tuples of variant numbers (the given ones
    left out), their probabilities (with `left_out` they sum to 1), and the mass not listed."""

    sets: tuple[tuple[int, ...], ...]
    probability: Array
    left_out: float
    log_evidence: float


class _Scorer:
    """Scores sets: their log likelihood in each context.

    The likelihood of a node is linear in its cumulatives:
    sum over s of (cdf_s - cdf_s-1) L_s = sum over s of cdf_s (L_s - L_s+1).
    """

    def __init__(self, model: Model) -> None:
        self.model = model
        top = np.where(np.isneginf(model.loglik).all(axis=1), 0.0, model.loglik.max(axis=1))
        self.offset = float(top.sum())
        self.slope = _slope(np.exp(model.loglik - top[:, None]))  # (N, S)
        self.base = model.leak.copy()
        for v in model.given:
            self.base *= model.effects[:, v]
        # (C, N, S, V): one small matrix product a node and context scores all variants at once.
        self.by_state = np.ascontiguousarray(np.moveaxis(model.effects, 1, 3))

    def cumulative(self, members: tuple[int, ...]) -> Array:
        """(C, N, S) cumulative probabilities of a set."""
        total = self.base
        for v in members:
            total = total * self.model.effects[:, v]
        return total

    def score(self, cumulative: Array) -> Array:
        """(C, N, S) -> log likelihood (C,) of the set."""
        return _log_total(np.einsum("cns,ns->cn", cumulative, self.slope))

    def score_one_more(self, cumulative: Array, by_state: Array | None = None) -> Array:
        """(C, V): log likelihood of the set with each variant added; `by_state` (C, N, S, V) are
        the effects of the variants to add, all of them where not said."""
        weighed = (cumulative * self.slope)[:, :, None, :]
        adding = self.by_state if by_state is None else by_state
        return _log_total(np.matmul(weighed, adding)[:, :, 0], 1)

    def score_two_more(self, cumulative: Array) -> Array:
        """(C, V, V): log likelihood of the set with every pair of variants added."""
        contexts, nodes, _, variants = self.by_state.shape
        weighed = cumulative * self.slope
        out = np.zeros((contexts, variants, variants))
        for c in range(contexts):
            for start in range(0, nodes, 8):
                part = self.by_state[c, start : start + 8]  # (n, S, V)
                left = np.swapaxes(part * weighed[c, start : start + 8, :, None], 1, 2)
                product = np.maximum(np.matmul(left, part), TINY).prod(axis=0)
                out[c] += np.log(product)
        return out


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
    product = values.reshape(len(values) // 8, 8, *values.shape[1:]).prod(axis=1)
    total: Array = np.log(product).sum(axis=0)
    return total


def infer(model: Model, *, most: int = 3, tolerance: float = 2e-3, widest: int = 120) -> Posterior:
    """The posterior over sets of at most `most` (1 to 3) faults.

    Sets of three are followed up until they can hold no more than `tolerance` of the mass. With
    more than `widest` variants only the most telling ones are paired with one another; the others
    are added to the sets that turn out heavy.
    """
    search = _Search(model, widest)
    if most >= 2 and len(search.useful) > 1:
        search.pairs()
    if most >= 3 and len(search.useful) > 2:
        search.triples(tolerance)
    if most >= 2 and search.dropped.size:
        search.dropped_ones(most, tolerance)
    return search.posterior()


LISTED = 1e-7
"""Sets lighter than this share of the heaviest are summed, not listed."""

MOST_TRIED = 300
"""Sets to which the variants left out of pairs are added, heaviest first."""


class _Search:
    """Exhaustive over sets of one and two, best first over sets of three.

    What is left of the triples is estimated from above: their faults all lie outside those that
    were followed up, so they hold at most the mass of the pairs outside them times the growth
    from pairs to triples seen where it was followed up, doubled.
    """

    def __init__(self, model: Model, widest: int) -> None:
        self.model, self.scorer = model, _Scorer(model)
        base = self.scorer.cumulative(())
        empty = self.scorer.score(base) + model.contexts
        self.prior = model.contexts[:, None] + model.odds
        ones = self.scorer.score_one_more(base) + self.prior
        self.scale = float(max(empty.max(), ones.max(initial=-np.inf)))
        single = np.exp(ones - self.scale)  # (C, V)
        self.weights: dict[tuple[int, ...], float] = {(): float(np.exp(empty - self.scale).sum())}
        given = {int(model.fault[v]) for v in model.given}
        free = [v for v in range(len(model.odds)) if int(model.fault[v]) not in given]
        self.weights.update({(v,): float(single[:, v].sum()) for v in free})
        self.left = 0.0
        self.useful = np.array(free, np.int64)
        self.dropped = np.array([], np.int64)
        if len(free) > widest:
            self._narrow(single, widest)
        part = model.effects[:, self.useful]
        self.scorer.by_state = np.ascontiguousarray(np.moveaxis(part, 1, 3))
        self.apart = model.fault[self.useful][:, None] != model.fault[self.useful][None, :]

    def _narrow(self, single: Array, widest: int) -> None:
        """Keep the variants that tell most, alone or beside the best fault."""
        best = int(single[:, self.useful].sum(axis=0).argmax())
        beside = self.scorer.score_one_more(self.scorer.cumulative((int(self.useful[best]),)))
        worth = np.maximum(
            np.log(single[:, self.useful].sum(axis=0) + 1e-300)
            - math.log(self.weights[()] + 1e-300),
            (beside[:, self.useful] - beside[:, self.useful].max()).max(axis=0)
            + self.model.odds[self.useful],
        )
        order = np.argsort(-worth, kind="stable")
        self.dropped = np.sort(self.useful[order[widest:]])
        self.useful = np.sort(self.useful[order[:widest]])

    def _two_more(self, members: tuple[int, ...]) -> Array:
        """(V, V) weights of the set with every pair of useful variants, 0 where not allowed."""
        odds = self.model.odds[self.useful]
        log = self.scorer.score_two_more(self.scorer.cumulative(members))
        log += self.model.contexts[:, None, None] - self.scale
        log += odds[:, None] + odds[None, :] + sum(self.model.odds[v] for v in members)
        allowed = self.apart
        for v in members:
            other = self.model.fault[self.useful] != self.model.fault[v]
            allowed = allowed & other[:, None] & other[None, :]
        return np.where(allowed, np.exp(log).sum(axis=0), 0.0)

    def _keep(self, members: tuple[int, ...], pairs: Array) -> None:
        least = LISTED * max(self.weights.values())
        for a, b in zip(*np.nonzero(np.triu(pairs) > least), strict=True):
            key = tuple(sorted((*members, int(self.useful[a]), int(self.useful[b]))))
            self.weights[key] = float(pairs[a, b])
        self.left += float(np.where(pairs <= least, pairs, 0.0).sum() / 2)

    def pairs(self) -> None:
        self.pair = self._two_more(())
        self._keep((), self.pair)

    def triples(self, tolerance: float) -> None:
        rest = self.pair.copy()  # pairs without a fault that was followed up
        followed, grown = 0.0, 0.0
        for _ in range(len(self.useful)):
            total = sum(self.weights.values())
            growth = 2 * grown / followed if followed else 1.0
            if growth * float(rest.sum()) / 2 <= tolerance * total:
                break
            a = int(rest.sum(axis=1).argmax())
            same = self.model.fault[self.useful] == self.model.fault[self.useful[a]]
            mass = float(rest[same].sum())
            for v in np.flatnonzero(same):
                if rest[v].sum() > 1e-3 * mass:
                    pairs = self._two_more((int(self.useful[v]),))
                    grown += float(pairs.sum() / 2)
                    self._keep((int(self.useful[v]),), pairs)
            followed += mass
            rest[same] = rest[:, same] = 0.0
        growth = 2 * grown / followed if followed else 1.0
        self.left += growth * float(rest.sum()) / 2

    def dropped_ones(self, most: int, tolerance: float) -> None:
        """Sets with the variants that were left out of pairs and triples: each added to the
        heaviest sets, and to what comes out, until the rest can hold little. The rest is
        estimated from how much the sets grew that were tried, doubled."""
        part = np.ascontiguousarray(np.moveaxis(self.model.effects[:, self.dropped], 1, 3))
        todo = [(-w, s) for s, w in self.weights.items() if 0 < len(s) < most]
        heapq.heapify(todo)
        ahead = -sum(w for w, _ in todo)
        tried, grown = 0.0, 0.0
        total = sum(self.weights.values())
        least = LISTED * max(self.weights.values())
        for _ in range(MOST_TRIED):
            growth = 2 * grown / tried if tried else 1.0
            if not todo or growth * ahead <= tolerance * total / 2:
                break
            weight, members = heapq.heappop(todo)
            ahead, tried = ahead + weight, tried - weight
            log = self.scorer.score_one_more(self.scorer.cumulative(members), part)
            log += self.prior[:, self.dropped] - self.scale
            log += sum(self.model.odds[v] for v in members)
            more = np.exp(log).sum(axis=0)
            for v in members:
                more[self.model.fault[self.dropped] == self.model.fault[v]] = 0.0
            for at in np.flatnonzero(more > least):
                key = tuple(sorted((*members, int(self.dropped[at]))))
                if key in self.weights:
                    continue
                self.weights[key] = float(more[at])
                grown += float(more[at])
                total += float(more[at])
                if len(key) < most:
                    heapq.heappush(todo, (-float(more[at]), key))
                    ahead += float(more[at])
        growth = 2 * grown / tried if tried else 1.0
        self.left += growth * max(ahead, 0.0)

    def posterior(self) -> Posterior:
        sets = list(self.weights)
        weights = np.array([self.weights[s] for s in sets])
        total = float(weights.sum()) + self.left
        order = np.argsort(-weights, kind="stable")
        return Posterior(
            tuple(sets[i] for i in order),
            weights[order] / total,
            self.left / total,
            math.log(total) + self.scale + self.scorer.offset,
        )


def cumulative(pmf: Sequence[float], states: int) -> Array:
    """A state distribution -> its cumulative probabilities, padded to `states` with ones."""
    out = np.ones(states)
    out[: len(pmf) - 1] = np.cumsum(np.asarray(pmf, float))[:-1]
    return out
