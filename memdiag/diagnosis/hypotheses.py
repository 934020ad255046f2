"""The candidates of a run: their priors, how they stand to every node, and the case they make."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from memdiag.diagnosis import fault_catalogue, noisy_max
from memdiag.diagnosis.fault_catalogue import Kind
from memdiag.diagnosis.locations import ODD, SEATS
from memdiag.diagnosis.network import Candidate, build_model
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.diagnosis.settings import Shop
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.records import Run
from memdiag.model.verdict import Cause


@dataclass(slots=True)
class Case:
    """Everything the posterior is taken over: candidates, their variants, the nodes, the model."""

    candidates: list[Candidate]
    variants: list[tuple[int, int]]  # (candidate, variant of its kind)
    nodes: list[Node]
    near: np.ndarray  # (candidates, nodes) of Relation
    model: noisy_max.Model


def build(run: Run, board: Board, evidence: Evidence, shop: Shop) -> Case:
    """The case of a run. Sites declared removed are given as missing unless they answered."""
    nodes = evidence.nodes
    given = removed_and_silent(run, evidence)
    candidates = list(_enumerate(run, board, evidence, shop, given))
    near = _relations(candidates, nodes, board)
    speaks = [
        c.expected or _touched(c, row, nodes) for c, row in zip(candidates, near, strict=True)
    ]
    candidates = [c for c, kept in zip(candidates, speaks, strict=True) if kept]
    near = near[np.array(speaks, bool)]
    variants = [(i, j) for i, c in enumerate(candidates) for j in range(len(c.kind.variants))]
    model, variants = build_model(candidates, variants, nodes, near)
    return Case(candidates, variants, nodes, near, model)


def _touched(c: Candidate, near: np.ndarray, nodes: Sequence[Node]) -> bool:
    """Whether anything in the dump speaks of the candidate's own place. One that nothing speaks
    of keeps its prior and would only dilute the rest; but a package no row names may be the one
    that disturbs the others."""
    if bool((near >= Relation.LANE).any()):
        return True
    return c.kind.name == "missing" and any(
        n.kind == "place" and n.sound_log_ratio < ODD for n in nodes
    )


def removed_and_silent(run: Run, evidence: Evidence) -> frozenset[str]:
    """Sites declared empty on purpose that did not answer: an `id` that passes is an answer."""
    quiet = []
    for ref in run.head.removed or ():
        answers = any(
            n.kind == "place"
            and n.sites == (ref,)
            and n.loglik.get("absent", 0) < n.loglik.get("sound", 0) - 2
            for n in evidence.nodes
        )
        if not answers:
            quiet.append(ref)
    return frozenset(quiet)


# --- candidates -----------------------------------------------------------------------------


def _enumerate(
    run: Run, board: Board, evidence: Evidence, shop: Shop, given: frozenset[str]
) -> Iterator[Candidate]:
    factor = _Factors(run, board, shop)
    for kind in fault_catalogue.KINDS:
        for place, sites, share, bonus in SEATS[kind.seat](kind, board, evidence):
            expected = kind.name == "missing" and place.site in given
            if not expected and sites and sites <= given:
                continue  # nothing can be wrong with a package that is not there
            odds = factor.prior(kind, place) * share
            if odds > 0 or expected:
                yield Candidate(kind, place, sites, max(odds, 1e-12), bonus, expected)


_PRIOR_OF = {
    # kinds that share a prior: (its name, their share of it)
    "controller": ("controller", 0.85),
    "controller_line": ("controller", 0.15),
    "supply": ("supply", 0.8),
    "supply_far": ("supply", 0.2),
    "shorted_gone": ("shorted", 0.75),
    "shorted_alive": ("shorted", 0.25),
}


class _Factors:
    """Priors with the factors that the run's stage and history put on them."""

    def __init__(self, run: Run, board: Board, shop: Shop) -> None:
        self.shop = shop
        stage = {"after-swap": shop.stages.after_swap, "final": shop.stages.final}
        self.stage = stage.get(run.head.stage or "", 1.0)
        self.replaced = frozenset(run.head.replaced or ())
        self.reflowed = frozenset(run.head.reflowed or ())

    def prior(self, kind: Kind, place: Place) -> float:
        s = self.shop.stages
        name, share = _PRIOR_OF.get(kind.name, (kind.name, 1.0))
        p = float(getattr(self.shop.priors, name)) * self.stage * share
        joint = kind.cause in (Cause.JOINT, Cause.BRIDGE)
        if place.site in self.replaced:
            if kind.cause in (Cause.MISSING, Cause.WEAK):
                p *= s.replaced_package
            elif joint:
                p *= s.replaced_joint
        if place.site in self.reflowed and joint:
            p *= s.reflowed_joint
        if kind.cause is Cause.CONTROLLER and self.replaced:
            p *= s.replaced_controller
        return p


# --- relations and the model ----------------------------------------------------------------

_BY_RELATION = (
    ("clamshell", Relation.CLAMSHELL),
    ("partition", Relation.PARTITION),
    ("rail", Relation.RAIL),
    ("place", Relation.PLACE),
)


_OF_RAILS = ("rail", "rail_far", "shorted", "board")
"""Seats whose faults reach the readings of rails and what warms."""


def _relations(candidates: Sequence[Candidate], nodes: Sequence[Node], board: Board) -> np.ndarray:
    order = {site.ref: i for i, site in enumerate(board.sites)}
    refs = list(order)
    between = np.zeros((len(refs), len(refs)), np.int64)
    for i, a in enumerate(refs):
        for j, b in enumerate(refs):
            if i != j:
                why = board.couplings(a, b)
                code = Relation.AFTER if j > i else Relation.BEFORE
                for name, near in _BY_RELATION:
                    if name in why:
                        code = near
                        break
                between[i, j] = code
    out = np.zeros((len(candidates), len(nodes)), np.int64)
    same: dict[object, np.ndarray] = {}  # candidates of one place stand alike to every node
    for i, c in enumerate(candidates):
        at = (
            c.sites,
            c.place,
            c.kind.seat in _OF_RAILS and c.kind.seat,
            c.kind.cause is Cause.CONTROLLER,
        )
        if at not in same:
            mine = [order[r] for r in c.sites if r in order]
            first = min(mine, default=0)
            same[at] = np.array(
                [_relation(c, n, mine, first, order, between) for n in nodes], np.int64
            )
        out[i] = same[at]
    return out


def _relation(
    c: Candidate,
    node: Node,
    mine: list[int],
    first: int,
    order: dict[str, int],
    between: np.ndarray,
) -> int:
    shared = not c.sites.isdisjoint(node.sites)
    if node.kind in ("rail", "heat"):
        if c.kind.seat in ("rail", "rail_far"):
            of_rail = node.kind == "rail" or not node.sites
            same = node.place.rail == c.place.rail
            return Relation.SELF if same and of_rail else Relation.NONE
        return Relation.SELF if shared and c.kind.seat in ("shorted", "board") else Relation.NONE
    if shared and c.place.lane_meets(node.place) and (not node.whole or _strikes_all(c, node)):
        same_line = c.place.dq is None or node.place.dq is None or node.place.dq in c.place.lines
        return Relation.SELF if same_line else Relation.LANE
    alone = len(node.sites) == 1 and c.sites.issuperset(node.sites)
    if shared and (c.kind.cause is not Cause.CONTROLLER or alone):
        return Relation.SITE
    theirs = [order[r] for r in node.sites if r in order]
    if node.kind == "boot" and theirs:
        return Relation.AFTER if min(theirs) > first else Relation.BEFORE
    return max((int(between[i, j]) for i in mine for j in theirs), default=Relation.NONE)


def _strikes_all(c: Candidate, node: Node) -> bool:
    """Whether the fault strikes all lines of the node's place."""
    fault, seen = c.place, node.place
    return fault.dq is None and Place(None, fault.channel, fault.rank, fault.lane).covers(seen)
