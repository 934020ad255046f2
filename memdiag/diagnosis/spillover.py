"""Findings of sites that a fault elsewhere disturbs."""

from __future__ import annotations

from memdiag.diagnosis import wording
from memdiag.diagnosis.basis import Basis, quotes
from memdiag.diagnosis.faults.locations import ODD
from memdiag.evidence.gathered import owners_of
from memdiag.evidence.measurements import Measured
from memdiag.model import Action, Cause, Finding, Place


def findings(basis: Basis, taken: set[str]) -> list[Finding]:
    """One finding a disturbed site; `taken` are those that others speak of."""
    found = (_of_site(basis, s.ref, s.named) for s in basis.board.sites if s.ref not in taken)
    return [f for f in found if f is not None]


def _of_site(basis: Basis, ref: str, named: bool) -> Finding | None:
    here = [n for n in basis.evidence.nodes if n.sites == (ref,)]
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
    errors = any(_counted(m) and owners_of(m.place, basis.board) == (ref,) for m in basis.measured)
    return Finding(
        Place(site=ref if named else None),
        Cause.SPILLOVER,
        p / total,
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
