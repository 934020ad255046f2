"""The hypotheses of a run: every fault that could be, its odds, and how it stands to each node."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from memdiag.diagnosis import faults, noisy_max
from memdiag.diagnosis.faults.locations import ODD
from memdiag.diagnosis.faults.mechanism import Mechanism, Rails
from memdiag.diagnosis.history import Past
from memdiag.diagnosis.network import Candidate, build_model
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model import Board, Place, Run


@dataclass(slots=True)
class Hypotheses:
    """Everything the posterior is taken over: candidates, their variants, the nodes, the model."""

    candidates: list[Candidate]
    variants: list[tuple[int, int]]  # (candidate, variant of its mechanism)
    nodes: list[Node]
    near: np.ndarray  # (candidates, nodes) of Relation
    model: noisy_max.Model


def build(
    run: Run,
    board: Board,
    evidence: Evidence,
    settings: Settings,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
) -> Hypotheses:
    """The hypotheses of a run. Sites declared removed are given as missing unless they answered."""
    nodes = evidence.nodes
    candidates = list(_candidates(run, board, evidence, settings, mechanisms))
    near = _relations(candidates, nodes, board)
    speaks = [
        c.expected or _touched(c, row, nodes) for c, row in zip(candidates, near, strict=True)
    ]
    candidates = [c for c, kept in zip(candidates, speaks, strict=True) if kept]
    near = near[np.array(speaks, bool)]
    variants = [(i, j) for i, c in enumerate(candidates) for j in range(len(c.mechanism.variants))]
    model, variants = build_model(candidates, variants, nodes, near)
    return Hypotheses(candidates, variants, nodes, near, model)


def _touched(c: Candidate, near: np.ndarray, nodes: Sequence[Node]) -> bool:
    """Whether anything in the dump speaks of the candidate's own place. One that nothing speaks
    of keeps its prior and would only dilute the rest; but a package no row names may be the one
    that disturbs the others."""
    if bool((near >= Relation.LANE).any()):
        return True
    return c.mechanism.absence and any(n.kind == "place" and n.sound_log_ratio < ODD for n in nodes)


# --- candidates -----------------------------------------------------------------------------


def _candidates(
    run: Run, board: Board, evidence: Evidence, settings: Settings, mechanisms: Sequence[Mechanism]
) -> Iterator[Candidate]:
    head = run.head
    given = _removed_and_silent(run, evidence)
    replaced, reflowed = frozenset(head.replaced or ()), frozenset(head.reflowed or ())
    for mechanism in mechanisms:
        prior = settings.prior(mechanism.prior)
        for place, sites, share, bonus in mechanism.locations(board, evidence):
            expected = mechanism.absence and place.site in given
            if not expected and sites and sites <= given:
                continue  # nothing can be wrong with a package that is not there
            past = Past(place.site in replaced, place.site in reflowed, bool(replaced))
            odds = mechanism.odds(prior, settings.stages, head.stage, past) * share
            if odds > 0 or expected:
                yield Candidate(mechanism, place, sites, max(odds, 1e-12), bonus, expected)


def _removed_and_silent(run: Run, evidence: Evidence) -> frozenset[str]:
    """Sites declared empty on purpose that did not answer: an `id` that passes is an answer."""
    return frozenset(
        ref
        for ref in run.head.removed or ()
        if not any(
            n.kind == "place"
            and n.sites == (ref,)
            and n.loglik.get("absent", 0) < n.loglik.get("sound", 0) - 2
            for n in evidence.nodes
        )
    )


# --- relations ------------------------------------------------------------------------------

_BY_COUPLING = (
    ("clamshell", Relation.CLAMSHELL),
    ("partition", Relation.PARTITION),
    ("rail", Relation.RAIL),
    ("place", Relation.PLACE),
)


def _relations(candidates: Sequence[Candidate], nodes: Sequence[Node], board: Board) -> np.ndarray:
    """(candidates, nodes) of Relation."""
    sites = _Sites(board)
    out = np.zeros((len(candidates), len(nodes)), np.int64)
    same: dict[object, np.ndarray] = {}  # candidates of one place stand alike to every node
    for i, c in enumerate(candidates):
        at = (c.sites, c.place, c.mechanism.rails, c.mechanism.beyond_site)
        if at not in same:
            mine = sites.numbers(c.sites)
            same[at] = np.array([_relation(c, n, mine, sites) for n in nodes], np.int64)
        out[i] = same[at]
    return out


class _Sites:
    """The sites of a board, numbered in boot order, and how each stands to each other one."""

    def __init__(self, board: Board) -> None:
        refs = [site.ref for site in board.sites]
        self._order = {ref: i for i, ref in enumerate(refs)}
        self.between = np.zeros((len(refs), len(refs)), np.int64)
        for i, a in enumerate(refs):
            for j, b in enumerate(refs):
                if i != j:
                    why = board.couplings(a, b)
                    by_order = Relation.AFTER if j > i else Relation.BEFORE
                    self.between[i, j] = next(
                        (near for name, near in _BY_COUPLING if name in why), by_order
                    )

    def numbers(self, refs: Iterable[str]) -> list[int]:
        return [self._order[ref] for ref in refs if ref in self._order]


def _relation(c: Candidate, node: Node, mine: list[int], sites: _Sites) -> int:
    shared = not c.sites.isdisjoint(node.sites)
    if node.kind in ("rail", "heat"):
        return Relation.SELF if _acts_on_rail(c, node, shared) else Relation.NONE
    if shared and c.place.lane_meets(node.place) and (not node.whole or _strikes_all(c, node)):
        same_line = c.place.dq is None or node.place.dq is None or node.place.dq in c.place.lines
        return Relation.SELF if same_line else Relation.LANE
    alone = len(node.sites) == 1 and c.sites.issuperset(node.sites)
    if shared and (alone or not c.mechanism.beyond_site):
        return Relation.SITE
    theirs = sites.numbers(node.sites)
    if node.kind == "boot" and theirs:
        return Relation.AFTER if min(theirs) > min(mine, default=0) else Relation.BEFORE
    return max((int(sites.between[i, j]) for i in mine for j in theirs), default=Relation.NONE)


def _acts_on_rail(c: Candidate, node: Node, shared: bool) -> bool:
    """Whether the fault pulls the reading of a rail, or is what warms when it is fed."""
    if c.mechanism.rails is Rails.ITS_OWN:
        same = node.place.rail == c.place.rail
        return same and (node.kind == "rail" or not node.sites)
    return shared and c.mechanism.rails is Rails.OF_ITS_SITES


def _strikes_all(c: Candidate, node: Node) -> bool:
    """Whether the fault strikes all lines of the node's place."""
    fault, seen = c.place, node.place
    return fault.dq is None and Place(None, fault.channel, fault.rank, fault.lane).covers(seen)
