"""The search for the sets of faults that hold the probability.

Sets of none and one are all scored. A set is taken up by adding every variant to it. Sets of one
are taken up as long as the pairs of them may hold much, by an estimate from what each says alone:
two that explain little alone may explain all together. From there on the heaviest sets are taken up
one after another, until what is left can hold little; so sets grow as far as `most`.
Variants that can stand for anything come last. Beside them no set on the way to one that explains
as much by several faults weighs anything, and it would not be found.
`Posterior.left_out` is an estimate of what is left from above: the mass of the sets not taken up,
by four times the growth seen in those of their size that were, and what was too light to be listed.
"""

from __future__ import annotations

import heapq

import numpy as np
from msgspec import Struct

from memdiag.diagnosis.noisy_max import Array, Ints, Model, Scores


class Posterior(Struct, frozen=True):
    """Sets that were scored, most probable first, as tuples of variant numbers, their
    probabilities (with `left_out` they sum to 1), and the mass not listed."""

    sets: tuple[tuple[int, ...], ...]
    probability: Array
    left_out: float
    log_evidence: float


def infer(model: Model, *, most: int = 6, tolerance: float = 4e-3, widest: int = 120) -> Posterior:
    """The posterior over sets of at most `most` faults.

    Sets are taken up until the others can hold no more than `tolerance` of the mass. With more
    than `widest` variants only the most telling ones are paired with one another; the others are
    added to the sets that turn out heavy.
    """
    search = _Search(model, most)
    if most >= 2 and len(search.odds):
        search.pairs(widest, tolerance)
        search.grow(tolerance)
    if model.vague:
        search.with_vague()
        search.grow(tolerance)
    return search.posterior()


MOST_EXPONENT = 500.0
"""Estimates are bounded by this power of e above what is known, within the range of a float."""

LISTED = 2e-6
"""Sets lighter than this share of the heaviest are summed, not listed."""

HEAVY, MOST_HEAVY = 0.01, 8
"""Sets with more than this share of the mass are also tried without each of their members, and so
many of one are taken up at once."""

MANY = 4
"""Sets of so many are taken up only where they are heavy: boards with five faults and more are
rare enough to be looked for only where four do not do."""

BEYOND = 16.0
"""Pairs lighter (log) than this beside what is known are not thought of."""

MOST_TRIED = 200
"""Sets that are taken up at most, heaviest first; as many again with vague variants."""


class _Search:
    def __init__(self, model: Model, most: int) -> None:
        self.most = most
        self.odds, self.fault = model.odds, model.fault
        self.vague, self.vague_ones = np.array(sorted(model.vague), np.int64), model.vague
        self.later: list[tuple[tuple[int, ...], float]] = []  # sets with one of them, log weight
        self.families = [(Scores(f), f.contexts) for f in model.families]
        logs = self._one_more(())
        self._put_off((), logs)
        self.scale = float(logs.max())
        ones = np.exp(logs - self.scale)
        self.weights: dict[tuple[int, ...], float] = {(): float(ones[-1])}
        self.weights.update({(v,): float(w) for v, w in enumerate(ones[:-1])})
        self.total, self.heaviest = float(ones.sum()), float(ones.max())
        self.single = logs[:-1]
        self.ahead = _Ahead(most)
        self.taken: set[tuple[int, ...]] = set()
        self.left = self.unpaired = self.met = 0.0

    def _one_more(self, members: tuple[int, ...]) -> Array:
        """(V + 1,): log weight of the set with each variant added, and last of the set itself."""
        total = np.append(self.odds, 0.0) + self.odds[list(members)].sum()
        for scores, contexts in self.families:
            total = total + _log_mean(scores.one_more(members), contexts)
        return np.asarray(total)

    def pairs(self, widest: int, tolerance: float) -> None:
        """Take up the heavy variants, and those whose pairs may hold much, until the other pairs
        can hold little."""
        ranked = [int(v) for v in np.argsort(-self.single, kind="stable")]
        for v in ranked[:MOST_HEAVY]:
            if self.weights[v,] > HEAVY * self.total:
                self._take(v)
        useful = np.delete(np.arange(len(self.odds)), self.vague)
        if len(useful) > widest:
            alone, beside = self.single[useful], self._one_more((ranked[0],))[useful]
            worth = np.maximum(alone - alone.max(), beside - beside.max())
            useful = np.sort(useful[np.argsort(-worth, kind="stable")[:widest]])
        likely, open_ = self._of_two(useful[[(int(v),) not in self.taken for v in useful]])
        left = 0.0
        for _ in range(len(open_)):
            weight = np.exp(np.minimum(likely - self.scale, MOST_EXPONENT))
            left = 2 * float(weight.sum())  # each pair stands there twice, and counts twice
            if left <= tolerance * self.total / 2:
                break
            next_ = int(weight.sum(axis=0).argmax())
            likely[next_] = likely[:, next_] = -np.inf
            self._take(int(open_[next_]))
        self.unpaired = left
        self.taken.update((int(v),) for v in useful)
        for members, held in self.weights.items():
            if members and members not in self.taken and not self.vague_ones.issuperset(members):
                self.ahead.add(members, held)

    def _take(self, v: int) -> None:
        self.taken.add((v,))
        self._more((v,))

    def _of_two(self, useful: Ints) -> tuple[Array, Ints]:
        """(U, U): about the log weight of each two of these variants, and which they are: those
        that may weigh anything with the most telling one beside them."""
        known: list[tuple[Scores, list[Array], Array]] = []
        most, base = self.odds[useful], 0.0
        for scores, contexts in self.families:
            log = scores.one_more(()) + contexts[:, None]
            heavy = np.argsort(-self.single)[:MOST_HEAVY]
            best = sorted(set(log[:, heavy].argmax(axis=0).tolist()))
            alone = [scores.by_group(c) for c in best]
            none = contexts[best] + [a[-1].sum() for a in alone]
            more = [(a[useful] - a[-1]).clip(0.0).sum(axis=1) for a in alone]
            most = most + (none[:, None] + more).max(axis=0)
            base += float(none.max())
            known.append((scores, alone, contexts[best]))
        hopeful = most + most.max(initial=-np.inf) - base > self.scale - BEYOND
        useful = useful[hopeful]
        total = self.odds[useful][:, None] + self.odds[useful][None, :]
        for scores, alone, contexts in known:
            total = total + _log_mean(np.array([scores.of_two(useful, a) for a in alone]), contexts)
        apart = self.fault[useful][:, None] != self.fault[useful][None, :]
        return np.where(apart, total, -np.inf), useful

    def _scaled(self, log: Array) -> Array:
        """Weights of log weights, the heaviest of all sets so far being near 1: a second fault may
        explain what is far beyond the range of a float."""
        top = float(log.max(initial=self.scale))
        if top > self.scale + 1:
            factor = float(np.exp(self.scale - top))
            self.weights = {members: w * factor for members, w in self.weights.items()}
            self.left *= factor
            self.unpaired *= factor
            self.heaviest *= factor
            self.total *= factor
            self.ahead.scale(factor)
            self.scale = top
        return np.asarray(np.exp(log - self.scale))

    def grow(self, tolerance: float) -> None:
        """Take up the heaviest sets, and what comes out, until the rest can hold little."""
        ahead = self.ahead
        for _ in range(MOST_TRIED):
            if not ahead.todo or ahead.holds() <= tolerance * self.total / 2:
                break
            heaviest = ahead.pop()
            for part in self._to_take(heaviest):
                found = self._more(part)
                ahead.took(part, self.weights.get(part, 0.0))
                if part == heaviest:
                    # What was taken for the sake of a set with one more grows into that one.
                    ahead.saw(part, self.weights[part], sum(w for _, w in found) + self.met)
                for key, w in found:
                    if len(key) < MANY or w > HEAVY * self.total:
                        ahead.add(key, w)

    def with_vague(self) -> None:
        """List the sets that were put off: what was taken up, with a vague variant in it."""
        self.vague = np.zeros(0, np.int64)
        self.ahead.forget()
        weight = self._scaled(np.array([log for _, log in self.later]))
        heaviest = max(self.heaviest, float(weight.max(initial=0.0)))
        for (key, _), w in zip(self.later, weight.tolist(), strict=True):
            if len(key) > 1 and w <= LISTED * heaviest:
                self.left += w
                continue
            self._list(key, w)
        for v in sorted(self.vague_ones) if self.most >= 2 else ():
            self._take(v)
        for members, held in self.weights.items():
            if members not in self.taken and not self.vague_ones.isdisjoint(members):
                self.ahead.add(members, held)

    def _put_off(self, members: tuple[int, ...], log: Array) -> None:
        """Keep the log weights of these sets with a vague variant for later."""
        for v in self.vague[np.isfinite(log[self.vague])]:
            self.later.append((tuple(sorted((*members, int(v)))), float(log[v])))
        log[self.vague] = -np.inf

    def _to_take(self, members: tuple[int, ...]) -> list[tuple[int, ...]]:
        """The set, and of a heavy one the sets without one of its members: what stands for that
        member may do so in another way."""
        parts = [members] if len(members) < self.most else []
        if len(members) > 1 and self.weights[members] > HEAVY * self.total:
            parts += [tuple(v for v in members if v != out) for out in members]
        fresh = [part for part in parts if part not in self.taken]
        self.taken.update(fresh)
        return fresh

    def _more(self, members: tuple[int, ...]) -> list[tuple[tuple[int, ...], float]]:
        """The sets of one more than these that are new, and heavy enough to be listed."""
        log = self._one_more(members)[:-1]
        for member in members:
            log[self.fault == self.fault[member]] = -np.inf
        self._put_off(members, log)
        weight = self._scaled(log)
        found, self.met = [], 0.0
        least = LISTED * self.heaviest
        self.left += float(weight[weight <= least].sum())
        for v in np.flatnonzero(weight > least):
            key = tuple(sorted((*members, int(v))))
            if key not in self.weights:
                self._list(key, float(weight[v]))
                found.append((key, float(weight[v])))
            elif self.later and not len(self.vague) and not self.vague_ones.isdisjoint(key):
                # It was listed when it was put off: that sets grow so is seen all the same.
                self.met += float(weight[v])
        return found

    def _list(self, members: tuple[int, ...], weight: float) -> None:
        self.weights[members] = weight
        self.total += weight
        self.heaviest = max(self.heaviest, weight)

    def posterior(self) -> Posterior:
        sets = list(self.weights)
        weights = np.array([self.weights[s] for s in sets])
        self.ahead.mass[2:3] = [mass + self.unpaired for mass in self.ahead.mass[2:3]]
        left = self.left + self.unpaired + self.ahead.holds()
        total = float(weights.sum()) + left
        order = np.argsort(-weights, kind="stable")
        offset = sum(scores.offset for scores, _ in self.families)
        return Posterior(
            tuple(sets[i] for i in order),
            weights[order] / total,
            left / total,
            float(np.log(total)) + self.scale + offset,
        )


class _Ahead:
    """The sets that are still to be taken up, heaviest first, and what they can hold. How much sets
    grow is seen apart for each size: sets of one find nearly nothing that is new."""

    def __init__(self, most: int) -> None:
        self.todo: list[tuple[float, tuple[int, ...]]] = []
        self.mass = [0.0] * most  # by size
        self.tried, self.grown = [0.0] * most, [0.0] * most

    def add(self, members: tuple[int, ...], weight: float) -> None:
        heapq.heappush(self.todo, (-weight, members))
        if len(members) < len(self.mass):
            self.mass[len(members)] += weight

    def scale(self, factor: float) -> None:
        """Multiply all weights."""
        self.todo = [(w * factor, members) for w, members in self.todo]
        heapq.heapify(self.todo)
        for part in (self.mass, self.tried, self.grown):
            part[:] = [w * factor for w in part]

    def forget(self) -> None:
        """What was seen of how sets grow says nothing of those to come."""
        self.tried, self.grown = [0.0] * len(self.mass), [0.0] * len(self.mass)

    def pop(self) -> tuple[int, ...]:
        return heapq.heappop(self.todo)[1]

    def took(self, members: tuple[int, ...], weight: float) -> None:
        self.mass[len(members)] -= weight

    def saw(self, members: tuple[int, ...], weight: float, gained: float) -> None:
        """What came of a set of that weight."""
        self.tried[len(members)] += weight
        self.grown[len(members)] += gained

    def holds(self) -> float:
        """What can come of the sets that were not taken up. Where none of a size was, they are
        taken to grow as those of the size below did."""
        growth, total = 1.0, 0.0
        for mass, tried, grown in zip(self.mass, self.tried, self.grown, strict=True):
            growth = 4 * grown / tried if tried else growth
            total += growth * max(mass, 0.0)
        return total


def _log_mean(log: Array, contexts: Array) -> Array:
    """(C, ...) log likelihoods -> log of their mean under the contexts' prior."""
    log = log + contexts.reshape(-1, *([1] * (log.ndim - 1)))
    top = log.max(axis=0)
    total: Array = np.log(np.exp(log - top).sum(axis=0)) + top
    return total
