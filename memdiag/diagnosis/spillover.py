"""Findings of sites that a fault elsewhere disturbs."""

from __future__ import annotations

from memdiag.diagnosis import wording
from memdiag.diagnosis.basis import Basis, quotes
from memdiag.diagnosis.faults.locations import ODD
from memdiag.evidence.gathered import owners_of
from memdiag.evidence.measurements import Measured
from memdiag.evidence.nodes import Node
from memdiag.model import Action, Cause, Finding, Place, Site


def findings(basis: Basis, taken: set[str]) -> list[Finding]:
    """One finding a disturbed site; `taken` are those that others speak of."""
    at: dict[str, list[Node]] = {}
    for node in basis.evidence.nodes:
        if len(node.sites) == 1:
            at.setdefault(node.sites[0], []).append(node)
    wrong = {owners_of(m.place, basis.board) for m in basis.measured if _counted(m)}
    found = (
        _of_site(basis, s, at.get(s.ref, []), (s.ref,) in wrong)
        for s in basis.board.sites
        if s.ref not in taken
    )
    return [f for f in found if f is not None]


def _of_site(basis: Basis, site: Site, here: list[Node], errors: bool) -> Finding | None:
    """`here`: what was seen of that site alone; `errors`: whether some were counted there."""
    ref = site.ref
    if not any(n.sound_log_ratio < ODD or n.quotes for n in here):
        return None
    causes = basis.beliefs.site_causes(ref)
    p = causes.get(Cause.SPILLOVER, 0.0)
    if p < 0.5:
        return None
    because = wording.source_name(basis.beliefs.source_of(ref))
    others = {c: q for c, q in causes.items() if c is not Cause.SPILLOVER}
    total = p + sum(others.values())
    shares = [(c, q / total) for c, q in others.items() if q > 0]
    return Finding(
        Place(site=ref if site.named else None),
        Cause.SPILLOVER,
        min(p / total, 1.0),
        tuple(sorted(shares, key=lambda kv: -kv[1])),
        because,
        Action.LEAVE,
        wording.spill_reason(ref, because, errors, bool(basis.beliefs.given)),
        evidence=quotes(here, basis.board),
        next=(f"look at {ref} again in the first dump after {because} is mended",),
    )


def _counted(group: Measured) -> bool:
    """Whether errors, or failed link checks, were counted or listed there."""
    totals = group.totals
    listed = group.tally is not None and bool(group.tally.rows)
    return bool(totals["errors"] or totals["edc"]) or listed
