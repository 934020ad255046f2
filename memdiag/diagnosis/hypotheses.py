"""The hypotheses of a run: every fault that could be, its odds, and how it stands to each node."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain, islice

from msgspec import Struct
from msgspec.structs import replace

from memdiag.diagnosis import faults, noisy_max
from memdiag.diagnosis.candidate import Candidate, Reach, Strikes
from memdiag.diagnosis.faults.locations import ODD
from memdiag.diagnosis.faults.mechanism import Mechanism, Rails
from memdiag.diagnosis.history import Past
from memdiag.diagnosis.network import Variants
from memdiag.diagnosis.rig_behaviour import ALONG, Relation
from memdiag.diagnosis.settings import Settings
from memdiag.diagnosis.shortlist import build_model
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import READINGS, Node
from memdiag.model import Board, Run


class Hypotheses(Struct):
    """Everything the posterior is taken over: candidates, their variants, the nodes, the model."""

    candidates: list[Candidate]
    variants: Variants
    nodes: list[Node]
    reach: Reach
    model: noisy_max.Model


def build(
    run: Run,
    board: Board,
    evidence: Evidence,
    settings: Settings,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
) -> Hypotheses:
    """The hypotheses of a run. Sites declared removed are given as missing unless they answered."""
    candidates = proposed(run, board, evidence, settings, mechanisms)
    reach = Reach(board)
    model, variants = build_model(candidates, evidence.nodes, reach, evidence.kept)
    return Hypotheses(candidates, variants, evidence.nodes, reach, model)


def proposed(
    run: Run,
    board: Board,
    evidence: Evidence,
    settings: Settings,
    mechanisms: Sequence[Mechanism] = faults.MECHANISMS,
) -> list[Candidate]:
    """Every fault that anything in the run speaks for, with the nodes it strikes there."""
    at = Places(evidence.nodes, board)
    return [
        replace(c, strikes=strikes)
        for c in _candidates(run, board, evidence, settings, mechanisms)
        if at.speak_of(c, strikes := at.struck_by(c))
    ]


# --- candidates -----------------------------------------------------------------------------


def _candidates(
    run: Run, board: Board, evidence: Evidence, settings: Settings, mechanisms: Sequence[Mechanism]
) -> Iterator[Candidate]:
    head = run.head
    given = _removed_and_silent(run, evidence)
    replaced, reflowed = frozenset(head.replaced or ()), frozenset(head.reflowed or ())
    for mechanism in mechanisms:
        prior = settings.prior(mechanism.prior)
        for place, sites, share, bonus, along in mechanism.locations(board, evidence):
            expected = mechanism.absence and place.site in given
            if not expected and sites and sites <= given:
                continue  # nothing can be wrong with a package that is not there
            past = Past(place.site in replaced, place.site in reflowed, bool(replaced))
            odds = mechanism.odds(prior, settings.stages, head.stage, past) * share
            if odds > 0 or expected:
                yield Candidate(
                    mechanism, place, sites, max(odds, 1e-12), bonus, expected, along=along
                )


def _removed_and_silent(run: Run, evidence: Evidence) -> frozenset[str]:
    """Sites declared empty on purpose that did not answer: an `id` that passes is an answer."""
    return frozenset(
        ref
        for ref in run.head.removed or ()
        if not any(
            n.kind == "place" and n.sites == (ref,) and n.said("absent") < n.said("sound") - 2
            for n in evidence.nodes
        )
    )


# --- what a candidate strikes ----------------------------------------------------------------


class Places:
    """The nodes by site and rail, so that a candidate looks only at what it may strike.

    A candidate at whose own place nothing looks odd keeps its prior and would only dilute the
    rest; but a package no row names may be the one that disturbs the others, and where all look
    alike what they share may be ill.
    """

    def __init__(self, nodes: Sequence[Node], board: Board) -> None:
        self.nodes, self.board = nodes, board
        self.odd = [n.sound_log_ratio < ODD for n in nodes]
        self.many = [self._of_lanes(n) for n in nodes]
        self.by_site: dict[str, list[int]] = {}
        self.by_rail: dict[str | None, list[int]] = {}
        self.beside: dict[str, list[int]] = {}
        for n, node in enumerate(nodes):
            if node.kind in READINGS:
                self.by_rail.setdefault(node.place.rail, []).append(n)
            if node.kind != "boot":
                for ref in node.sites:
                    self.by_site.setdefault(ref, []).append(n)

    def _of_lanes(self, node: Node) -> bool:
        """Whether a node tells of several lanes at once."""
        if node.kind != "place" or node.place.lane is not None:
            return False
        of = (self.board.links(replace(node.place, site=ref)) for ref in node.sites)
        return sum(1 for _ in islice(chain.from_iterable(of), 2)) > 1

    def speak_of(self, c: Candidate, strikes: Strikes) -> bool:
        """Whether anything in the dump speaks for the candidate; of a board that it does not speak
        of at all nobody knows more than before."""
        if not self.nodes:
            return True
        if c.expected or any(self.odd[n] for n in strikes):
            return True
        if c.mechanism.absence and not strikes:
            return any(self.odd)
        return c.mechanism.of_many and any(self.nodes[n].doubtful for n in strikes)

    def struck_by(self, c: Candidate) -> Strikes:
        """The nodes that a candidate strikes, in their order: a set of sites has none, and what is
        told of equals would depend on it."""
        found: dict[int, Relation] = {}
        for n in dict.fromkeys(n for ref in c.sites for n in self.by_site.get(ref, ())):
            near = self._stands(c, n)
            if near is not None:
                found[n] = near
        if c.mechanism.rails is Rails.ITS_OWN:
            mine = self.by_rail.get(c.place.rail, ())
            found |= {n: Relation.SELF for n in mine if self._is_own(self.nodes[n])}
        if any(near is Relation.RAIL for v in c.mechanism.variants for _, near in v.effects):
            found |= {n: Relation.RAIL for n in self._beside(c) if n not in found}
        return dict(sorted(found.items()))

    @staticmethod
    def _is_own(node: Node) -> bool:
        """A rail's own reading, or a part that warmed on it and is no site."""
        return node.kind in ("rail", "volts") or not node.sites

    def _stands(self, c: Candidate, n: int) -> Relation | None:
        node = self.nodes[n]
        if node.kind in READINGS:
            return Relation.SELF if c.mechanism.rails is Rails.OF_ITS_SITES else None
        if not c.place.lane_meets(node.place):
            return None
        if c.along and len(node.sites) == 1:
            last = len(c.along) - 1  # 4 at the far end, 0 where it is fed, and halves round alike
            return ALONG[(8 * c.along.index(node.sites[0]) + last) // (2 * last)]
        same = c.place.dq is None or node.place.dq is None or node.place.dq in c.place.lines
        if not same:
            return Relation.LANE
        every = c.place.lane is None and self.many[n] and c.sites.issuperset(node.sites)
        return Relation.WHOLE if every else Relation.SELF

    def _beside(self, c: Candidate) -> Iterator[int]:
        """The nodes of the packages on the same rails, those that not every package hangs on."""
        rails = {name for ref in c.sites for name in getattr(self.board.site(ref), "rails", ())}
        for name in rails:
            if name not in self.beside:
                self.beside[name] = list(self._alone_on(name))
            yield from self.beside[name]

    def _alone_on(self, rail: str) -> Iterator[int]:
        on = self.board.sites_on_rail(rail)
        if len(on) < len(self.board.sites):
            for site in on:
                for n in self.by_site.get(site.ref, ()):
                    if self.nodes[n].kind == "place" and len(self.nodes[n].sites) == 1:
                        yield n
