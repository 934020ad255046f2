"""Where each kind of fault could sit on this board, and the factors of all of them together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import combinations

import numpy as np

from memdiag import faults, inference
from memdiag.board import Board
from memdiag.evidence.gather import Evidence
from memdiag.evidence.nodes import STATES, Node
from memdiag.faults import Kind, Near
from memdiag.findings import Cause, Locus
from memdiag.records import Channel, Run
from memdiag.shop import Shop

ODD = -0.7
"""A place whose sound state is this much (log) less likely than its best is worth a candidate."""

PAIR_ODD = 1.5
"""A pair of lines is a candidate bridge from this log likelihood ratio of being joined up."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One fault that could be: its kind, where it sits, and the sites it acts on directly."""

    kind: Kind
    locus: Locus
    sites: frozenset[str]
    odds: float
    bonus: float = 0.0
    expected: bool = False

    @property
    def cause(self) -> Cause:
        return self.kind.cause


@dataclass(slots=True)
class Case:
    """Everything the posterior is taken over: candidates, their variants, the nodes, the model."""

    candidates: list[Candidate]
    variants: list[tuple[int, int]]  # (candidate, variant of its kind)
    nodes: list[Node]
    near: np.ndarray  # (candidates, nodes) of Near
    model: inference.Model
    extra: dict[str, object] = field(default_factory=dict)


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
    model, variants = _model(candidates, variants, nodes, near)
    return Case(candidates, variants, nodes, near, model)


def _touched(c: Candidate, near: np.ndarray, nodes: Sequence[Node]) -> bool:
    """Whether anything in the dump speaks of the candidate's own place. One that nothing speaks
    of keeps its prior and would only dilute the rest; but a package no row names may be the one
    that disturbs the others."""
    if bool((near >= Near.LANE).any()):
        return True
    return c.kind.name == "missing" and any(n.kind == "place" and n.healthy < ODD for n in nodes)


def removed_and_silent(run: Run, evidence: Evidence) -> frozenset[str]:
    """Sites declared empty on purpose that did not answer: an `id` that passes is an answer."""
    quiet = []
    for ref in run.head.removed or ():
        answers = any(
            n.kind == "place" and n.sites == (ref,) and n.loglik.get("absent", 0) < n.loglik.get(
                "sound", 0) - 2
            for n in evidence.nodes
        )  # fmt: skip
        if not answers:
            quiet.append(ref)
    return frozenset(quiet)


# --- candidates -----------------------------------------------------------------------------


def _enumerate(
    run: Run, board: Board, evidence: Evidence, shop: Shop, given: frozenset[str]
) -> Iterator[Candidate]:
    factor = _Factors(run, board, shop)
    for kind in faults.KINDS:
        for locus, sites, share, bonus in _SEATS[kind.seat](kind, board, evidence):
            expected = kind.name == "missing" and locus.site in given
            if not expected and sites and sites <= given:
                continue  # nothing can be wrong with a package that is not there
            odds = factor.prior(kind, locus) * share
            if odds > 0 or expected:
                yield Candidate(kind, locus, sites, max(odds, 1e-12), bonus, expected)


_PRIOR_OF = {
    # kinds that share a prior: (its name, their share of it)
    "controller": ("controller", 0.85), "controller_line": ("controller", 0.15),
    "shorted_gone": ("shorted", 0.75), "shorted_alive": ("shorted", 0.25),
}  # fmt: skip


class _Factors:
    """Priors with the factors that the run's stage and history put on them."""

    def __init__(self, run: Run, board: Board, shop: Shop) -> None:
        self.shop = shop
        stage = {"after-swap": shop.stages.after_swap, "final": shop.stages.final}
        self.stage = stage.get(run.head.stage or "", 1.0)
        self.replaced = frozenset(run.head.replaced or ())
        self.reflowed = frozenset(run.head.reflowed or ())

    def prior(self, kind: Kind, locus: Locus) -> float:
        s = self.shop.stages
        name, share = _PRIOR_OF.get(kind.name, (kind.name, 1.0))
        p = float(getattr(self.shop.priors, name)) * self.stage * share
        joint = kind.cause in (Cause.JOINT, Cause.BRIDGE)
        if locus.site in self.replaced:
            if kind.cause in (Cause.MISSING, Cause.WEAK):
                p *= s.replaced_package
            elif joint:
                p *= s.replaced_joint
        if locus.site in self.reflowed and joint:
            p *= s.reflowed_joint
        if kind.cause is Cause.CONTROLLER and self.replaced:
            p *= s.replaced_controller
        return p


Seat = tuple[Locus, frozenset[str], float, float]


def _site_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    for site in board.sites:
        yield _locus_of(site.ref, board), frozenset({site.ref}), 1 / len(board.sites), 0.0


def _locus_of(ref: str, board: Board) -> Locus:
    """A site, or where the dump named none, the channel and lane that stand for it."""
    site = board.site(ref)
    if site is None or site.named:
        return Locus(site=ref)
    link = site.links[0] if site.links else None
    if link is None:
        return Locus()
    lanes = {k.lane for k in site.links}
    return Locus(channel=link.channel, lane=lanes.pop() if len(lanes) == 1 else None)


def _shorted_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Packages, where rails were read or fed. One no training row speaks of is not called gone."""
    if not any(n.kind in ("rail", "heat") for n in evidence.nodes):
        return
    heard = {ref for n in evidence.nodes if n.kind == "place" for ref in n.sites}
    for locus, sites, share, bonus in _site_seats(kind, board, evidence):
        if sites <= heard:
            yield locus, sites, share, bonus
        elif kind.cause is Cause.WEAK:
            yield locus, sites, 4 * share, bonus  # the whole of the prior they share


def _port_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    ports = [(s, c) for s in board.sites for c in (s.channels or (None,))]
    for site, channel in ports:
        where = _locus_of(site.ref, board)
        if site.named:
            where = Locus(site=site.ref, channel=channel)
        yield where, frozenset({site.ref}), 1 / len(ports), 0.0


def _count_lanes(board: Board) -> int:
    return max(1, sum(max(1, len(s.links)) for s in board.sites))


def _lane_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Every lane that looks odd or lies behind something odd; where the board knows no lanes,
    'a lane of it'."""
    lanes = _count_lanes(board)
    for locus, site in _suspects(board, evidence):
        yield locus, frozenset({site}), (1 if locus.lane is not None else 2) / lanes, 0.0


def _suspects(board: Board, evidence: Evidence) -> Iterator[tuple[Locus, str]]:
    """(locus, site) of the lanes that look odd or lie behind an odd channel, site or board row."""
    seen: set[tuple[object, ...]] = set()
    for node in _odd(evidence, ("place", "line")):
        for ref in node.sites:
            site = board.site(ref)
            if site is None:
                continue
            any_rank = node.rank is not None or not board.known
            mine: list[tuple[Channel | None, int | None, int | None]] = [
                (k.channel, node.rank if any_rank else k.rank, k.lane)
                for k in site.links
                if (node.channel is None or k.channel == node.channel)
                and (node.rank is None or k.rank == node.rank)
                and (node.lane is None or k.lane == node.lane)
            ] or [(node.channel, node.rank, node.lane)]
            for at in dict.fromkeys(mine):
                if (ref, *at) not in seen:
                    seen.add((ref, *at))
                    yield Locus(ref if site.named else None, *at), ref


def _place(ref: str, board: Board, node: Node, dq: int | tuple[int, int] | None = None) -> Locus:
    site = board.site(ref)
    named = site is None or site.named
    return Locus(ref if named else None, node.channel, node.rank, node.lane, dq)


def _line_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Data lines that look odd; of an odd lane whose lines are not known apart, 'a line of it'."""
    lines = 8 * _count_lanes(board)
    detailed = set()
    for node in evidence.nodes:
        if node.kind != "line":
            continue
        detailed |= {(ref, node.channel, node.lane) for ref in node.sites}
        if node.healthy < ODD:
            for ref in node.sites:
                yield _place(ref, board, node, node.dq), frozenset({ref}), 1 / lines, 0.0
    for locus, site in _suspects(board, evidence):
        if (site, locus.channel, locus.lane) not in detailed:
            yield locus, frozenset({site}), 8 / lines, 0.0


def _pair_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    pairs = 14 * _count_lanes(board)  # neighbouring balls: each line has three or four
    by_lane: dict[tuple[object, ...], list[Node]] = {}
    for node in _odd(evidence, ("line",)):
        by_lane.setdefault((node.sites, node.channel, node.rank, node.lane), []).append(node)
    for lines in by_lane.values():
        for a, b in combinations(lines, 2):
            assert a.dq is not None and b.dq is not None
            bonus = (a.partner.get(b.dq, 0.0) + b.partner.get(a.dq, 0.0)) / 2
            if bonus < -PAIR_ODD:
                continue
            for ref in a.sites:
                yield _place(ref, board, a, (a.dq, b.dq)), frozenset({ref}), 1 / pairs, bonus
    detailed = {(ref, n.channel, n.lane) for n in evidence.nodes if n.kind == "line"
                for ref in n.sites}  # fmt: skip
    for locus, site in _suspects(board, evidence):
        if (site, locus.channel, locus.lane) not in detailed:
            yield locus, frozenset({site}), 14 / pairs, 0.0


def _rail_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """The rails that feed packages, and any other rail that was read or fed."""
    feeding = {r.name: board.sites_on_rail(r.name) for r in board.rails if r.feeds == "packages"}
    feeding = {
        n: sites for n, sites in feeding.items() if len(sites) > 1 or (sites and board.known)
    }
    for name, sites in feeding.items():
        yield Locus(rail=name), frozenset(s.ref for s in sites), 1 / len(feeding), 0.0
    read = dict.fromkeys(n.rail for n in evidence.nodes if n.rail is not None)
    for name in read:
        if name not in feeding:
            yield Locus(rail=name), frozenset(), 0.4, 0.0
    if not feeding and len(board.sites) > 1:
        yield Locus(), frozenset(s.ref for s in board.sites), 0.5, 0.0
        yield from _unknown_group(board, evidence)


def _unknown_group(board: Board, evidence: Evidence) -> Iterator[Seat]:
    """Without a profile nobody knows which sites share a rail or a block, but some do: the sites
    that look worse than disturbed may be such a group. One grouping of many, so a small share."""
    sick = {
        ref
        for n in evidence.nodes
        if n.kind == "place" and len(n.sites) == 1 and max(n.vector()[:3]) < ODD
        for ref in n.sites
    }
    if 2 <= len(sick) < len(board.sites):
        yield Locus(), frozenset(sick), 0.5 / len(board.sites), 0.0


def _phy_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    partitions = board.partitions
    channels = board.channels
    # Where a channel serves one package alone, its failing is a joint more often than the
    # controller; a channel of several packages is a block of its own.
    alone = all(sum(c in s.channels for s in board.sites) == 1 for c in channels)
    by_channel = 0.15 if alone else 0.5 if partitions else 1.0
    for name, sites in partitions.items():
        if len(partitions) > 1 or len(sites) < len(board.sites) or len(board.sites) == 1:
            refs = frozenset(s.ref for s in sites)
            share = (1 - by_channel) / len(partitions)
            if len(refs) == 1 and len(board.sites) > 1:
                share *= 0.3  # a block of one package fails more often by the package's joints
            yield Locus(partition=name), refs, 0.8 * share, 0.0
            lanes = sorted({k.lane for s in sites for k in s.links if k.lane is not None})
            for lane in lanes if len(lanes) > 1 else ():
                mine = frozenset(s.ref for s in sites if any(k.lane == lane for k in s.links))
                yield Locus(partition=name, lane=lane), mine, 0.2 * share / len(lanes), 0.0
    if not board.known:
        yield from _unknown_group(board, evidence)
    for channel in channels:
        refs = frozenset(s.ref for s in board.sites if channel in s.channels)
        sites_here = [board.site(r) for r in refs]
        only = sites_here[0] if len(sites_here) == 1 else None
        site = only.ref if only is not None and only.named else None
        yield Locus(site=site, channel=channel), refs, by_channel / len(channels), 0.0


def _stripe_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    """One lane or line position over every site that has it, where at least two of them look
    odd there; and a line whose errors keep a stride."""
    by_lane: dict[int, set[str]] = {}
    for site in board.sites:
        for link in site.links:
            if link.lane is not None:
                by_lane.setdefault(link.lane, set()).add(site.ref)
    odd = _odd(evidence, ("place", "line"))
    for lane, sites in by_lane.items():
        here = [n for n in odd if n.lane == lane]
        if len({ref for n in here for ref in n.sites}) >= 2 and len(sites) >= 2:
            yield Locus(lane=lane), frozenset(sites), 0.5 / len(by_lane), 0.0
            for dq in {n.dq for n in here if n.dq is not None}:
                yield Locus(lane=lane, dq=dq), frozenset(sites), 0.5 / (8 * len(by_lane)), 0.0
    for ref, channel, rank, number, dq in sorted(evidence.strides, key=str):
        site = board.site(ref)
        named = ref if site is None or site.named else None
        yield Locus(named, channel, rank, number, dq), frozenset({ref}), 0.8, 0.0


def _board_seats(kind: Kind, board: Board, evidence: Evidence) -> Iterator[Seat]:
    if board.sites:
        yield Locus(), frozenset(s.ref for s in board.sites), 1.0, 0.0


_SEATS = {"site": _site_seats, "shorted": _shorted_seats, "port": _port_seats,
          "lane": _lane_seats, "line": _line_seats, "pair": _pair_seats, "rail": _rail_seats,
          "phy": _phy_seats, "stripe": _stripe_seats, "board": _board_seats}  # fmt: skip


def _odd(evidence: Evidence, kinds: Sequence[str]) -> list[Node]:
    return [n for n in evidence.nodes if n.kind in kinds and n.healthy < ODD]


# --- relations and the model ----------------------------------------------------------------

_BY_RELATION = (("clamshell", Near.CLAMSHELL), ("partition", Near.PARTITION),
                ("rail", Near.RAIL), ("place", Near.PLACE))  # fmt: skip


def _relations(candidates: Sequence[Candidate], nodes: Sequence[Node], board: Board) -> np.ndarray:
    order = {site.ref: i for i, site in enumerate(board.sites)}
    refs = list(order)
    between = np.zeros((len(refs), len(refs)), np.int64)
    for i, a in enumerate(refs):
        for j, b in enumerate(refs):
            if i != j:
                why = board.relations(a, b)
                code = Near.AFTER if j > i else Near.BEFORE
                for name, near in _BY_RELATION:
                    if name in why:
                        code = near
                        break
                between[i, j] = code
    out = np.zeros((len(candidates), len(nodes)), np.int64)
    for i, c in enumerate(candidates):
        mine = [order[r] for r in c.sites if r in order]
        first = min(mine, default=0)
        for j, node in enumerate(nodes):
            out[i, j] = _relation(c, node, mine, first, order, between)
    return out


def _relation(
    c: Candidate, node: Node, mine: list[int], first: int, order: dict[str, int],
    between: np.ndarray,
) -> int:
    locus = c.locus
    shared = not c.sites.isdisjoint(node.sites)
    if node.kind in ("rail", "heat"):
        if c.kind.seat == "rail":
            of_rail = node.kind == "rail" or not node.sites
            return Near.SELF if node.rail == locus.rail and of_rail else Near.NONE
        return Near.SELF if shared and c.kind.seat in ("shorted", "board") else Near.NONE
    if shared and _meets(locus, node):
        same_dq = node.dq is None or locus.dq is None or node.dq in (
            locus.dq if isinstance(locus.dq, tuple) else (locus.dq,)
        )  # fmt: skip
        return Near.SELF if same_dq else Near.LANE
    alone = len(node.sites) == 1 and c.sites.issuperset(node.sites)
    if shared and (c.kind.cause is not Cause.CONTROLLER or alone):
        return Near.SITE
    theirs = [order[r] for r in node.sites if r in order]
    if node.kind == "boot" and theirs:
        return Near.AFTER if min(theirs) > first else Near.BEFORE
    return max((int(between[i, j]) for i in mine for j in theirs), default=Near.NONE)


def _meets(locus: Locus, node: Node) -> bool:
    return all(
        a is None or b is None or a == b
        for a, b in (
            (locus.channel, node.channel),
            (locus.rank, node.rank),
            (locus.lane, node.lane),
        )
    )


HOPELESS, EACH = -4.0, 0.7
"""A variant that explains its own place worse (log) than mere disturbances would, by more than
this and this much again for each node of it, is not followed up."""


def _model(
    candidates: Sequence[Candidate],
    variants: Sequence[tuple[int, int]],
    nodes: Sequence[Node],
    near: np.ndarray,
) -> tuple[inference.Model, list[tuple[int, int]]]:
    """The factors of the variants that are not hopeless, and those variants."""
    # What the boot does matters only where steps were not run.
    some_cut = any(n.kind == "boot" and n.healthy < ODD for n in nodes)
    rigs = [r for r, rig in enumerate(faults.RIGS) if some_cut or rig.boot == "goes on"]
    width = max(map(len, STATES.values()))
    loglik = np.full((len(nodes), width), -np.inf)
    for j, node in enumerate(nodes):
        vector = node.vector()
        loglik[j, : len(vector)] = vector
    kinds = list(STATES)
    kind_of = np.array([kinds.index(n.kind) for n in nodes], np.int64)
    leak = _leak_table(width)[rigs]
    hopes = _hopes(candidates, variants, near, loglik, kind_of)
    kept = [
        (i, j)
        for (i, j), hope in zip(variants, hopes, strict=True)
        if hope > HOPELESS - EACH * int((near[i] >= Near.LANE).sum())
        or candidates[i].expected
        or candidates[i].cause is Cause.UNDECIDED
    ]
    effects = np.empty((len(rigs), len(kept), len(nodes), width))
    for v, (i, j) in enumerate(kept):
        # One table for each variant of a kind, shared by all its candidates.
        table = _variant_table(candidates[i].kind.name, j, width)
        effects[:, v] = table[rigs][:, kind_of, near[i]]
    odds = np.array(
        [
            math.log(c.odds * c.kind.variants[j].share) + c.bonus
            for c, j in ((candidates[i], j) for i, j in kept)
        ]
    )
    given = tuple(v for v, (i, _) in enumerate(kept) if candidates[i].expected)
    odds[list(given)] = -700.0
    model = inference.Model(
        loglik, effects, leak[:, kind_of], odds, np.array([i for i, _ in kept], np.int64),
        _log_shares([faults.RIGS[r].prior for r in rigs]), given,
    )  # fmt: skip
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
    place = np.isin(kind_of, [i for i, k in enumerate(STATES) if k in ("place", "line")])
    mere = np.where(place, like[:, :3].max(axis=1), like[:, 0])
    own = near >= Near.LANE
    out = []
    for i, j in variants:
        nodes = np.flatnonzero(own[i])
        table = _variant_table(candidates[i].kind.name, j, like.shape[1])[0]
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
def _variant_table(name: str, variant: int, width: int) -> np.ndarray:
    """(rigs, node kinds, Near, states) cumulative probabilities of one variant of a kind."""
    kind = faults.BY_NAME[name]
    pmfs = [
        [
            [faults.effect(kind, kind.variants[variant], rig, k, near) for near in Near]
            for k in STATES
        ]
        for rig in faults.RIGS
    ]
    return _cumulative(pmfs, width)


@cache
def _leak_table(width: int) -> np.ndarray:
    """(rigs, node kinds, states) cumulative probabilities with no fault."""
    return _cumulative([[[faults.leak(rig, k)] for k in STATES] for rig in faults.RIGS], width)[
        :, :, 0
    ]


def _cumulative(pmfs: list[list[list[faults.Pmf]]], width: int) -> np.ndarray:
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
