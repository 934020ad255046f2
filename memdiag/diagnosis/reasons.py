"""The reason of a finding, put together from the evidence that moved the odds.

Each node that a fault strikes speaks for or against it by a log likelihood ratio: how much better
the fault explains what was seen there than no fault does. The reason names the places that speak
loudest, in the words of their rows, so it can tell of no answer that was not given and of no
comparison that was not made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from memdiag.diagnosis import network, wording
from memdiag.diagnosis.basis import Basis
from memdiag.diagnosis.claims import Claim
from memdiag.evidence.nodes import Node
from memdiag.model import Cause
from memdiag.model.in_short import sites_in_short
from memdiag.model.quantities import show_probability

SPEAKS = 1.0
"""Log likelihood ratio from which on a place speaks for a fault."""

MOST_TOLD = 3

RIVAL = 0.1
"""A cause as probable as this is named as another that it could be."""


class Weight(Struct, frozen=True):
    """A node that a fault strikes, and how much it speaks for it."""

    node: Node
    ratio: float


def weights(basis: Basis, claim: Claim) -> list[Weight]:
    """The nodes of a claim by how much they speak for it, loudest first, without those that speak
    louder for another fault of the likeliest set."""
    beliefs = basis.beliefs
    first = max(claim.members, key=beliefs.marginal)
    nodes = beliefs.hypotheses.nodes
    ratios = beliefs.ratios(first)
    others = (
        beliefs.ratios(i)
        for i in beliefs.best.members
        if i not in claim.members and not beliefs.candidate(i).mechanism.unknown
    )
    taken = {n for theirs in others for n, r in theirs.items() if r > ratios.get(n, r) + SPEAKS}
    if taken and taken < ratios.keys():
        ratios = network.ratios(beliefs.candidate(first), nodes, taken)
    found = [Weight(nodes[n], ratio) for n, ratio in ratios.items()]
    return sorted(found, key=lambda w: -w.ratio)


def reason(basis: Basis, claim: Claim, belief: Mapping[Cause, float], cause: Cause) -> str:
    """Why this cause, or why none is named, in a few sentences."""
    heard = weights(basis, claim)
    told = _told(basis, heard)
    if cause is Cause.UNDECIDED:
        return f"{told} {_open(belief)}".strip()
    mechanism = claim.mechanism
    wide = claim.place.dq is None and mechanism.why_wide
    parts = [told, f"That fits {wide or mechanism.why}."]
    parts += _around(basis, claim, heard)
    others = [(c, p) for c, p in belief.items() if c is not cause]
    rival = max(others, key=lambda kv: kv[1], default=None)
    if rival is not None and rival[1] >= RIVAL:
        parts.append(f"It could also be: {rival[0]} ({show_probability(rival[1])}).")
    return " ".join(part for part in parts if part)


def _open(belief: Mapping[Cause, float]) -> str:
    ranked = sorted(belief.items(), key=lambda kv: -kv[1])
    said = " or ".join(str(c) for c, p in ranked[:3] if p >= RIVAL)
    return f"That fits {said}; the dump does not tell them apart."


def _told(basis: Basis, heard: Sequence[Weight]) -> str:
    """What the places that speak for it show, the loudest in words and the others counted."""
    quoted = [w for w in heard if w.node.quotes]
    loud = [w.node for w in quoted if w.ratio >= SPEAKS]
    if not loud:  # a disturbance would explain each of them nearly as well: the oddest, then
        odd = sorted((w.node for w in quoted), key=lambda n: n.sound_log_ratio)
        loud = [n for n in odd if n.sound_log_ratio < -SPEAKS]
    said: dict[str, list[str]] = {}
    for node in loud:
        at = wording.where(node, basis.board)
        said.setdefault(node.quotes[0].says, []).append(at)
    lines = []
    for says, places in list(said.items())[:MOST_TOLD]:
        named = [p for p in dict.fromkeys(places) if p]
        at = named[0] if named else ""
        more = f" and {len(named) - 1} more places" if len(named) > 1 else ""
        lines.append(f"{at}{more}: {says}" if at else says)
    rest = sum(len(places) for places in list(said.values())[MOST_TOLD:])
    if rest:
        lines.append(f"{rest} more places speak the same way")
    return "; ".join(lines) + "." if lines else ""


def _around(basis: Basis, claim: Claim, heard: Sequence[Weight]) -> list[str]:
    """What of the fault's own place shows it and what does not, as far as the dump speaks."""
    out = []
    if claim.mechanism.of_many and 1 < len(claim.sites) < len(basis.board.sites):
        speaking = {ref for w in heard if w.ratio >= SPEAKS for ref in w.node.sites}
        hit = [s.ref for s in basis.board.sites if s.ref in claim.sites & speaking]
        acts = sites_in_short(claim.sites)
        out.append(f"It acts on {acts}, and shows at {len(hit)} of {len(claim.sites)}.")
    elif claim.place.site is not None:
        struck = {id(w.node) for w in heard}
        beside = [
            n
            for n in basis.evidence.nodes
            if n.kind == "place" and n.sites == (claim.place.site,) and id(n) not in struck
        ]
        well = [n for n in beside if not n.quotes]  # the dump says nothing against them
        if beside:
            out.append(
                f"Of what else was measured of {claim.place.site}, {len(well)} of {len(beside)} "
                "places are well."
            )
    return out
