"""The factors of a posterior over sets of faults. They know no memory.

The model. A fault comes in one or more variants (how strongly it shows). Nodes have ordered states;
a variant puts the nodes that it strikes in some state with some probability, and where several
act on a node, the greatest of their states shows: a noisy maximum, the many-state form of the
noisy-OR (Pearl 1988; Henrion 1989), in which cumulative probabilities multiply. With no fault at
all a node leaks out of its lowest state now and then.

Nodes that are alike in what disturbs them form a group, and a group is in one of a few
circumstances. The circumstance says how its nodes leak and what was seen there means. How probable
it is depends on the level at which the nearest fault of the set reaches the group, and on the
context: a habit that is the same for all groups of a family, with a prior.

P(set) is proportional to the odds of its variants times, for each family,
sum over contexts of prior * product over groups of
sum over circumstances of P(circumstance | context, level) * product over nodes of
sum over states of P(state | set, circumstance) * likelihood(state, circumstance).

A variant holds effects only for the nodes that it strikes, and reaches the other groups by a
level: memory and time grow with rows and with the variants that something speaks for.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from msgspec import Struct

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Levels = npt.NDArray[np.int8]

AT_ONCE = 256
"""Rows of levels that are looked up in one step, so that memory does not grow with both."""

MOST_KNOWN = 4_000_000
"""Numbers that are kept of what was worked out: 32 MB."""

TINY = 1e-30
"""What is impossible counts as this likely."""


class Group(Struct, frozen=True):
    """Nodes under one circumstance.

    loglik   (K, N, S): log likelihood of what was seen at node n in state s, in circumstance k;
             states in rising order, -inf beyond a node's last one.
    leak     (K, N, S): P(state <= s) with no fault; 1 in a node's last state and beyond.
    chance   (C, D, K): P(circumstance k | context c, level d), level 0 where no fault reaches it.
             Where contexts and circumstances come in `cases` that exclude each other, those of one
             case after those of another, (C / cases, D, K / cases): the same in each case.
    direct   (M,): the variants that strike nodes of the group, in rising order.
    effects  (M, N, S): P(state <= s) that each of them alone gives; 1 where it strikes not.
    """

    loglik: Array
    leak: Array
    chance: Array
    direct: Ints
    effects: Array
    cases: int = 1


class Family(Struct, frozen=True):
    """Groups with the same contexts. `contexts` (C,): log prior of each, normalised; `reach`
    (V, G): the level at which each variant reaches each group."""

    contexts: Array
    groups: tuple[Group, ...]
    reach: Levels


class Model(Struct, frozen=True):
    """Families; `odds` (V,): log prior odds of each variant; `fault` (V,): which fault it belongs
    to, variants of one fault exclude each other. What is present for certain is part of the leak
    and of the levels. `vague`: the variants that can stand for anything, as well as several others
    together."""

    families: tuple[Family, ...]
    odds: Array
    fault: Ints
    vague: frozenset[int] = frozenset()


class Weighed:
    """A group with its likelihoods ready to be summed.

    The likelihood of a node is linear in its cumulatives:
    sum over s of (cdf_s - cdf_s-1) L_s = sum over s of cdf_s (L_s - L_s+1).
    """

    def __init__(self, group: Group) -> None:
        self.group = group
        self.among = {v: at for at, v in enumerate(group.direct.tolist())}
        top = group.loglik.max(axis=(0, 2), keepdims=True) if group.loglik.size else 0.0
        self.offset = float(np.sum(top))
        like = np.exp(group.loglik - top)
        like[..., :-1] -= like[..., 1:]
        self.slope = group.leak * like  # (K, N, S)
        self.alone = self._sum(self.slope.sum(axis=-1))  # (K,)
        self.unstruck = self.at_levels(self.alone)  # (C, D)
        self.one = self.each(self.slope)  # (M, K)

    @staticmethod
    def _sum(likelihood: Array) -> Array:
        """(..., N) likelihoods -> sum of their logs, eight factors to a log."""
        n = likelihood.shape[-1]
        cut = np.maximum(likelihood, TINY)
        if n <= 8:
            return np.asarray(np.log(cut.prod(axis=-1)))
        starts = np.arange(0, n, 8)
        total: Array = np.log(np.multiply.reduceat(cut, starts, axis=-1)).sum(axis=-1)
        return total

    def each(self, slope: Array) -> Array:
        """(M, K): log likelihood in each circumstance with each striking variant added."""
        by_node = np.matmul(
            slope.transpose(1, 0, 2), self.group.effects.transpose(1, 2, 0)
        )  # (N, K, M)
        return self._sum(by_node.transpose(2, 1, 0))

    def at_levels(self, log: Array, only: Ints | None = None) -> Array:
        """(..., K) log likelihoods by circumstance -> (..., C, D) by context and level; `only` at
        these levels."""
        group = self.group
        chance = group.chance if only is None else group.chance[:, only]
        contexts, levels, circumstances = chance.shape
        log = log.reshape(*log.shape[:-1], group.cases, circumstances)
        top = log.max(axis=-1, keepdims=True)
        total = np.exp(log - top) @ chance.reshape(-1, circumstances).T
        found: Array = np.log(np.maximum(total, 1e-300)) + top
        return found.reshape(*log.shape[:-2], group.cases * contexts, levels)

    def strikers(self, members: Sequence[int]) -> tuple[int, ...]:
        """Those of these variants that strike nodes of the group, by their place among `direct`."""
        return tuple([self.among[v] for v in members if v in self.among])

    def together(self, strikers: tuple[int, ...]) -> Array:
        """The slope with the effects of these strikers in it."""
        slope = self.slope
        for at in strikers:
            slope = slope * self.group.effects[at]
        return slope


class Scores:
    """Log likelihoods of sets of one family, for all variants at once."""

    def __init__(self, family: Family) -> None:
        self.family = family
        self.groups = [Weighed(group) for group in family.groups]
        self.offset = sum(g.offset for g in self.groups)
        count = len(self.groups)
        c, d = len(family.contexts), family.groups[0].chance.shape[1] if count else 1
        self.unstruck = np.zeros((c, count, d))
        for i, group in enumerate(self.groups):
            self.unstruck[:, i] = group.unstruck
        pairs = sorted(
            (int(v), g, m)
            for g, group in enumerate(family.groups)
            for m, v in enumerate(group.direct)
        )
        self.who = np.array([p[0] for p in pairs], np.int64)
        self.where = np.array([p[1] for p in pairs], np.int64)
        order = np.lexsort((np.arange(len(pairs)), self.where))
        starts = np.searchsorted(self.where[order], np.arange(count + 1))
        self.of_group = [order[a:b] for a, b in pairwise(starts.tolist())]
        self.struck = np.zeros((len(pairs), c, d))
        self.looked_up = np.zeros((count, d), bool)
        self.columns = np.arange(count)
        self.strikes: dict[int, list[int]] = {}
        for v, g, _ in pairs:
            self.strikes.setdefault(v, []).append(g)
        self._met: dict[int, npt.NDArray[np.bool_]] = {}
        self._known: dict[tuple[int, int, tuple[int, ...]], tuple[Array, Array]] = {}
        self._held = 0
        # Many variants reach the board alike: what they have in common is looked up once.
        kinds, of = np.unique(family.reach, axis=0, return_inverse=True)
        self.kinds: Levels = np.vstack([kinds, np.zeros((1, count), kinds.dtype)])
        self.kind: Ints = np.append(of.reshape(-1), len(kinds))

    def one_more(self, members: Sequence[int]) -> Array:
        """(C, V + 1): log likelihood of the set with each variant added, and last of the set."""
        level = self.kinds[self.kind[[*members, -1]]].max(axis=0)
        levels = np.maximum(self.kinds, level)  # (kinds, G)
        hit = np.zeros(len(self.columns), bool)
        hit[[g for v in members for g in self.strikes.get(v, ())]] = True
        of_kind = self._unstruck(levels)
        gains = []
        for g in np.flatnonzero(hit).tolist():
            group = self.groups[g]
            change, gain = self._struck_group(g, int(level[g]), group.strikers(members))
            of_kind += change
            gains.append((group.group.direct, gain))
        total = of_kind[:, self.kind]
        plain = ~hit[self.where]
        who, where = self.who[plain], self.where[plain]
        at = levels[self.kind[who], where]
        self._look_up(where, at)
        more = self.struck[plain, :, at] - self.unstruck[:, where, at].T  # (P, C)
        if len(who):
            first = np.flatnonzero(np.diff(who, prepend=-1))  # they stand in the order of variants
            total[:, who[first]] += np.add.reduceat(more, first, axis=0).T
        for direct, gain in gains:
            total[:, direct] += gain
        return total

    def _look_up(self, where: Ints, at: Levels) -> None:
        """Work out what each variant does to these groups at these levels: most levels that a board
        has are asked of few groups."""
        asked = np.zeros_like(self.looked_up)
        asked[where, at] = True
        for g in np.flatnonzero((asked & ~self.looked_up).any(axis=1)).tolist():
            new = np.flatnonzero(asked[g] & ~self.looked_up[g])
            found = self.groups[g].at_levels(self.groups[g].one, new)  # (M, C, levels)
            for level, column in zip(new.tolist(), np.moveaxis(found, -1, 0), strict=True):
                self.struck[self.of_group[g], :, level] = column
        self.looked_up |= asked

    def _unstruck(self, levels: Levels) -> Array:
        """(C, R): log likelihood of all groups at these levels, (R, G), where nothing strikes."""
        total = np.zeros((self.unstruck.shape[0], len(levels)))
        for start in range(0, len(levels), AT_ONCE):
            part = levels[start : start + AT_ONCE]
            total[:, start : start + AT_ONCE] = self.unstruck[:, self.columns, part].sum(axis=2)
        return total

    def _struck_group(self, g: int, level: int, strikers: tuple[int, ...]) -> tuple[Array, Array]:
        """What these strikers change of a group that is reached at that level at least: (C, kinds)
        of each kind against no striker, and (C, M) what each of the others that strike it adds to
        its kind. Sets that differ elsewhere ask the same."""
        key = (g, level, strikers)
        found = self._known.get(key)
        if found is None:
            found = self._with(g, level, strikers)
            self._held += found[0].size + found[1].size
            if self._held > MOST_KNOWN:
                self._known.clear()
                self._held = found[0].size + found[1].size
            self._known[key] = found
        return found

    def _with(self, g: int, level: int, strikers: tuple[int, ...]) -> tuple[Array, Array]:
        group = self.groups[g]
        here = np.maximum(self.kinds[:, g], level)
        only, of = np.unique(here, return_inverse=True)
        slope = group.together(strikers)
        now = group.at_levels(group._sum(slope.sum(axis=-1)), only)  # (C, levels)
        each = group.at_levels(group.each(slope), only)  # (M, C, levels)
        direct = group.group.direct
        at = of[self.kind[direct]]
        gain = each[np.arange(len(direct)), :, at].T - now[:, at]
        return now[:, of] - self.unstruck[:, g][:, here], gain

    def by_group(self, context: int) -> Array:
        """(V + 1, G): what each group says of each variant alone in a context, last of none."""
        alone: Array = self.unstruck[context][self.columns, self.kinds][self.kind]
        at = self.kinds[self.kind[self.who], self.where]
        self._look_up(self.where, at)
        alone[self.who, self.where] = self.struck[np.arange(len(self.who)), context, at]
        return alone

    def of_two(self, useful: Ints, alone: Array) -> Array:
        """(U, U): about the log likelihood of each two of these variants together, where `by_group`
        says this of them.

        A group is taken to say what it says of the one that it speaks for; where they strike other
        nodes of it, what it says of both.
        """
        more = alone[useful] - alone[-1]
        struck = np.zeros(len(self.columns), bool)
        struck[self.where[np.isin(self.who, useful)]] = True
        calm = more[:, ~struck & (more != 0.0).any(axis=0)]
        total = np.maximum(calm[:, None], calm[None]).sum(axis=2) + float(alone[-1].sum())
        for g in map(int, np.flatnonzero(struck)):
            mine = more[:, g]
            total += np.maximum.outer(mine, mine)
            direct = self.family.groups[g].direct
            here = np.flatnonzero(np.isin(direct, useful))
            at = np.searchsorted(useful, direct[here])
            both = np.minimum.outer(mine[at], mine[at]).clip(0.0)
            total[np.ix_(at, at)] += np.where(self._meet(g)[np.ix_(here, here)], 0.0, both)
        return np.asarray(total)

    def _meet(self, g: int) -> npt.NDArray[np.bool_]:
        """(M, M): whether two variants that strike a group strike one node of it."""
        if g not in self._met:
            strikes = (self.family.groups[g].effects < 1.0).any(axis=2).astype(float)
            self._met[g] = strikes @ strikes.T > 0
        return self._met[g]
