"""One model of all runs of a repair, and what its posterior says of each of them.

The nodes of every run stand side by side; each run keeps its own rig and board habits. A life of a
fault strikes in the runs in which it is there, and in the others it predicts what a healthy place
prints: so a run speaks for or against faults that another showed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from memdiag.diagnosis import faults, noisy_max, search
from memdiag.diagnosis.candidate import Candidate, Reach
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.hypotheses import Hypotheses, Places, proposed
from memdiag.diagnosis.network import Parts, Variants
from memdiag.diagnosis.noisy_max import Family, Group, Ints
from memdiag.diagnosis.search import Posterior
from memdiag.diagnosis.settings import Settings
from memdiag.diagnosis.shortlist import hopeful
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measurements
from memdiag.model import Board
from memdiag.repair.case.lives import Key, Life, Lives, keys_of, placed
from memdiag.repair.case.parts import Whereabouts, follow, steps


class Watched(Struct, frozen=True):
    """A run of a repair with what it says of each place."""

    measured: Measurements
    evidence: Evidence


class Joint(Struct):
    """The faults of a repair over its runs. `lives[v]` and `variant[v]` say what variant v of the
    model is: a life, and the strength of its fault, as a number in `kept`."""

    keys: list[Key]
    lives: list[Life]
    strength: list[int]
    kept: Variants
    by_run: list[Hypotheses]
    posterior: Posterior

    def seen_in(self, run: int) -> tuple[Hypotheses, Posterior]:
        """What is believed of the board as it was in a run, from all runs that were given."""
        merged: dict[tuple[int, ...], float] = {}
        for members, p in zip(self.posterior.sets, self.posterior.probability, strict=True):
            now = tuple(sorted({self.strength[v] for v in members if self.lives[v].there[run]}))
            merged[now] = merged.get(now, 0.0) + float(p)
        ranked = sorted(merged.items(), key=lambda pair: -pair[1])
        found = replace(
            self.posterior,
            sets=tuple(s for s, _ in ranked),
            probability=np.array([p for _, p in ranked]),
        )
        return self.by_run[run], found

    def marginals(self, run: int) -> dict[int, float]:
        """Key -> probability that the fault is there in a run."""
        out: dict[int, float] = {}
        for members, p in zip(self.posterior.sets, self.posterior.probability, strict=True):
            for key in {self.lives[v].key for v in members if self.lives[v].there[run]}:
                out[key] = out.get(key, 0.0) + float(p)
        return out


def infer(
    watched: Sequence[Watched],
    board: Board,
    settings: Settings,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
) -> Joint:
    """The posterior over the faults of these runs, the first of them first."""
    runs = [w.measured.run for w in watched]
    done = steps(runs)
    where = follow(board, runs, done)
    found = _Found(watched, board, settings, mechanisms, where)
    weighed = [_InRun(n, w, board, found, where) for n, w in enumerate(watched)]
    kept = sorted({pair for run in weighed for pair in run.hopeful})
    hopeful = [frozenset(i for i, _ in run.hopeful) for run in weighed]
    lives, strength, odds, fault = _variants(found, kept, Lives(done, where, settings), hopeful)
    number = {pair: n for n, pair in enumerate(kept)}
    strength_at = np.array([number[s] for s in strength], np.int64)
    families = tuple(
        _over_lives(family, strength_at, np.array([life.there[n] for life in lives], bool))
        for n, run in enumerate(weighed)
        for family in run.families(kept)
    )
    vague = frozenset(v for v, key in enumerate(fault) if found.keys[key].mechanism.unknown)
    model = noisy_max.Model(families, np.array(odds), np.array(fault, np.int64), vague)
    by_run = [run.hypotheses(kept) for run in weighed]
    return Joint(found.keys, lives, strength_at.tolist(), kept, by_run, search.infer(model))


class _Found:
    """Every fault that any run speaks for."""

    def __init__(
        self,
        watched: Sequence[Watched],
        board: Board,
        settings: Settings,
        mechanisms: Sequence[Mechanism],
        where: Whereabouts,
    ) -> None:
        self.keys: list[Key] = []
        self.odds: list[float] = []
        self.bonus: list[dict[int, float]] = []
        """By key: what each run's own evidence adds to its odds."""
        self.expected: list[list[Candidate]] = []
        number: dict[Key, int] = {}
        for n, w in enumerate(watched):
            # What was done before is told by the lives: the odds are those of any board.
            head = replace(w.measured.run.head, stage=None, replaced=None, reflowed=None)
            if n == 0:
                head = w.measured.run.head
            run = replace(w.measured.run, head=head)
            given: list[Candidate] = []
            for c in proposed(run, board, w.evidence, settings, mechanisms):
                if c.expected:
                    given.append(c)
                    continue
                for key, share in keys_of(c, n, where):
                    if key not in number:
                        number[key] = len(self.keys)
                        self.keys.append(key)
                        self.odds.append(c.odds * share)
                        self.bonus.append({})
                    self.bonus[number[key]][n] = c.bonus
            self.expected.append(given)


class _InRun:
    """One run, asked about the faults of all of them."""

    def __init__(
        self, n: int, watched: Watched, board: Board, found: _Found, where: Whereabouts
    ) -> None:
        self.nodes, self.reach = watched.evidence.nodes, Reach(board)
        at = Places(self.nodes, board)
        self.candidates: list[Candidate] = []
        present = []
        for number, key in enumerate(found.keys):
            c = placed(key, n, where)
            present.append(c is not None)
            if c is None:  # no life is there in this run: a place holder that strikes nothing
                c = Candidate(key.mechanism, key.place, key.sites, 1.0, along=key.along)
            else:
                c = replace(c, strikes=at.struck_by(c))
            bonus = found.bonus[number].get(n, 0.0)
            self.candidates.append(replace(c, odds=max(found.odds[number], 1e-12), bonus=bonus))
        self.candidates += found.expected[n]
        self.parts = Parts(self.candidates, self.nodes, watched.evidence.kept)
        mine = [
            (i, j)
            for i, seen in enumerate(found.bonus)
            if n in seen and present[i]
            for j in range(len(found.keys[i].mechanism.variants))
        ]
        self.hopeful = hopeful(self.parts, mine)

    def families(self, kept: Variants) -> tuple[Family, ...]:
        return self.parts.families(kept, self.reach)

    def hypotheses(self, kept: Variants) -> Hypotheses:
        nothing = noisy_max.Model((), np.zeros(0), np.zeros(0, np.int64))
        return Hypotheses(self.candidates, kept, self.nodes, self.reach, nothing)


def _variants(
    found: _Found, kept: Variants, lives: Lives, followed: Sequence[frozenset[int]]
) -> tuple[list[Life], list[tuple[int, int]], list[float], list[int]]:
    """Every strength of every life: the lives, the strengths, log odds and which fault it is."""
    all_lives: dict[int, list[Life]] = {}
    out_lives, strength, odds, fault = [], [], [], []
    for key, j in kept:
        if key not in all_lives:
            seen = [key in there for there in followed]
            all_lives[key] = list(lives.of(key, found.keys[key], found.odds[key], seen))
        share = found.keys[key].mechanism.variants[j].share
        for life in all_lives[key]:
            bonus = sum(b for n, b in found.bonus[key].items() if life.there[n])
            out_lives.append(life)
            strength.append((key, j))
            odds.append(math.log(life.odds * share) + bonus)
            fault.append(key)
    return out_lives, strength, odds, fault


def _over_lives(family: Family, strength: Ints, there: np.ndarray) -> Family:
    """A family of a run by the strengths of faults, spread over their lives: one that is not there
    strikes nothing and reaches nobody."""
    reach = np.where(there[:, None], family.reach[strength], 0).astype(np.int8)
    return Family(family.contexts, tuple(_group(g, strength, there) for g in family.groups), reach)


def _group(group: Group, strength: Ints, there: np.ndarray) -> Group:
    row = np.full(int(strength.max(initial=-1)) + 1, -1, np.int64)
    inside = group.direct[group.direct < len(row)]
    row[inside] = np.arange(len(inside))
    at = np.where(there, row[strength], -1)
    direct = np.flatnonzero(at >= 0)
    return replace(group, direct=direct.astype(np.int64), effects=group.effects[at[direct]])
