"""From claims to findings: the cause at each place, its proof, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from memdiag.diagnosis import decision, next_steps, reasons, spillover, wording
from memdiag.diagnosis.basis import Basis, quotes
from memdiag.diagnosis.claims import Claim, causes_at, claims, held_at, nodes_at, whereabouts
from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.faults.locations import ODD
from memdiag.diagnosis.faults.mechanism import Rails
from memdiag.diagnosis.next_steps import Step
from memdiag.evidence.nodes import READINGS, Node
from memdiag.model import HEATS, WANTS_WORK, Action, Board, Cause, Finding, Place, Quote, Work
from memdiag.model.words import where

FRESH = 0.6
"""How probably a package that was just fitted is a good one, whatever fails at its place."""


OF_A_PACKAGE = (Cause.WEAK, Cause.JOINT, Cause.BRIDGE)


def findings(basis: Basis) -> list[Finding]:
    """What the run shows: faults, most urgent first, sites empty on purpose, spillover."""
    least = basis.settings.limits.report_above
    claimed = claims(basis.beliefs, least)
    sick, short = _on_sick_rails(basis, claimed), _beside_a_short(basis, claimed)
    made = [
        (c, _of_claim(basis, c, {**short, **sick} if c.place.lane is None else sick))
        for c in claimed
    ]
    made = [(c, f) for c, f in made if f.action is not Action.NONE and f.place_probability >= least]
    gone = {f.place.site for _, f in made if f.cause is Cause.MISSING and not f.one_of}
    # What else is wrong with a package that does not answer is not seen, and goes with it.
    made = [(c, f) for c, f in made if f.cause not in OF_A_PACKAGE or f.place.site not in gone]
    sure = {f.place.site for _, f in made if f.cause is not Cause.UNDECIDED}
    made = [
        (c, f)
        for c, f in made
        if f.cause is not Cause.UNDECIDED or f.place.site is None or f.place.site not in sure
    ]
    wanted = [f for _, f in made]
    expected = [_of_removed(basis, i) for i in sorted(basis.beliefs.given)]
    taken = {f.place.site for f in (*wanted, *expected) if f.place.site}
    for claim, f in made:
        if claim.mechanism.of_many and f.cause is not Cause.UNDECIDED:
            taken |= set(f.place.sites(basis.board))
    spilled = [] if basis.rails_only else spillover.findings(basis, taken)
    if not wanted and basis.beliefs.clear < 0.5:
        wanted = [_of_board(basis)]
    return [*sorted(wanted, key=_urgency, reverse=True), *expected, *spilled]


def _on_sick_rails(basis: Basis, claimed: Sequence[Claim]) -> dict[str, Place]:
    """The sites that hang on a rail which is likelier ill than not, each with it: what is put on
    such a rail proves nothing, and may not live long."""
    least = basis.settings.limits.undecided_below
    return {
        ref: claim.place
        for claim in claimed
        if claim.cause is Cause.SUPPLY and claim.place.rail and claim.probability >= least
        for ref in claim.sites
    }


def _beside_a_short(basis: Basis, claimed: Sequence[Claim]) -> dict[str, Place]:
    """The sites that hang on a rail which another package draws down, each with the rail, where
    none of them is well: what a whole package then lacks may be the rail's."""
    pull = {c.place.site for c in claimed if c.mechanism.rails is Rails.OF_ITS_SITES}
    odd = {ref for n in locations.odd(basis.evidence, ("place", "line")) for ref in n.sites}
    found: dict[str, Place] = {}
    for node in basis.evidence.nodes:
        others = set(node.sites) - pull
        low = node.kind == "rail" and next_steps.reads_low(node)
        if low and len(others) < len(node.sites) and others <= odd:
            found |= dict.fromkeys(others, node.place)
    return found


def _of_claim(basis: Basis, claim: Claim, sick: Mapping[str, Place]) -> Finding:
    place, settings = claim.place, basis.settings
    here = list(nodes_at(basis.beliefs, claim))
    odd = any(n.sound_log_ratio < ODD for n in here if n.kind in ("place", "line"))
    belief = causes_at(basis.beliefs, claim, spilled=odd)
    fresh = FRESH if place.site in (basis.run.head.replaced or ()) else 0.0
    choice = decision.decide(belief, settings.costs, fresh=fresh, known=basis.known)
    cause = claim.cause
    own = _own_lines(here, place.site, basis.board)
    proved = basis.rails_only or place.site is None or bool(own)
    if belief.get(cause, 0.0) < settings.limits.undecided_below or not proved:
        cause = Cause.UNDECIDED
    action = decision.allowed(choice.action, cause, belief, settings.costs)
    if action in HEATS and place.site is None:
        # No one place to put the heat: find it first.
        action = Action.CHECK_SUPPLY if basis.run.rails else Action.RETEST
    settle: list[Step] = []
    if action in HEATS and not own:
        action = Action.RETEST
    if action in HEATS and place.site in basis.contested:
        action = Action.RETEST
        settle.append(next_steps.which_package(place, basis.board))
    rails = [] if claim.cause is Cause.SUPPLY else [sick[ref] for ref in claim.sites if ref in sick]
    if action in (*HEATS, Action.STOP) and rails and len(rails) == len(claim.sites):
        action = Action.RETEST
        settle.append(next_steps.rail_first(place, rails[0]))
    if not proved:
        reason = wording.unheard(place)
        settle.append(next_steps.hear(place))
    else:
        reason = reasons.reason(basis, claim, belief, cause)
    steps = settle + next_steps.steps(basis, place, cause, belief, choice, action)
    proof = quotes([w.node for w in reasons.weights(basis, claim)] or here, basis.board)
    if own and not any(quote.line is not None for quote in proof):
        proof = (own[0], *proof[:-1])
    found = _finding(place, cause, belief, action, reason, proof, steps)
    held = held_at(basis.beliefs, claim)
    return replace(found, one_of=claim.one_of, place_probability=held)


def _own_lines(nodes: Sequence[Node], site: str | None, board: Board) -> tuple[Quote, ...]:
    """The lines of the dump that speak for the site itself: not only for what it may disturb, nor
    for all that it shares a channel with. A rail speaks for each package on it. Where no site is
    named, those of all the nodes."""
    spoken = [
        node
        for node in nodes
        if site is None or (site in node.sites and (len(node.sites) == 1 or node.kind in READINGS))
    ]
    return tuple(quote for quote in quotes(spoken, board) if quote.line is not None)


def _of_board(basis: Basis) -> Finding:
    """Something is wrong, but no one cause at one place is likelier than not: the smallest place
    that holds it."""
    cause = Cause.UNDECIDED
    place, one_of = whereabouts(basis.beliefs)
    belief = basis.beliefs.overall()
    choice = decision.decide(belief, basis.settings.costs, known=basis.known)
    odd = [n for n in basis.evidence.nodes if n.sound_log_ratio < ODD]
    if place.site is not None:
        odd = [n for n in odd if place.site in n.sites]
    action = decision.allowed(choice.action, cause, belief, basis.settings.costs)
    if action in HEATS and (place.site is None or not _own_lines(odd, place.site, basis.board)):
        action = Action.RETEST
    steps = next_steps.steps(basis, place, cause, belief, choice, action)
    reason = wording.undecided(where(place, one_of), belief)
    proof = quotes(odd, basis.board)
    return replace(_finding(place, cause, belief, action, reason, proof, steps), one_of=one_of)


def _of_removed(basis: Basis, number: int) -> Finding:
    """A site that is empty on purpose, and does not answer."""
    place = basis.beliefs.candidate(number).place
    declared = (x.position.line for x in basis.run.head.lines if x.key == "removed")
    here = [n for n in basis.evidence.nodes if n.sites == (place.site,)]
    return Finding(
        place,
        Cause.MISSING,
        0.999,
        ((Cause.UNDECIDED, 0.001),),
        None,
        Action.FIT,
        f"{place.site} is empty on purpose and does not answer, as it should.",
        True,
        (
            Quote(next(declared, None), f"{place.site} is declared removed"),
            *quotes(here, basis.board),
        ),
        next_steps.after_removed(place, basis.run, basis.settings),
    )


def _finding(
    place: Place,
    cause: Cause,
    belief: Mapping[Cause, float],
    action: Action,
    reason: str,
    proof: tuple[Quote, ...],
    steps: list[Step],
) -> Finding:
    # A sum over many worlds may end a last digit beyond its bounds.
    belief = {c: min(max(p, 0.0), 1.0) for c, p in belief.items()}
    others = {c: p for c, p in belief.items() if c is not cause}
    return Finding(
        place,
        cause,
        belief.get(cause, 0.0),
        tuple(sorted(others.items(), key=lambda kv: -kv[1])),
        None,
        action,
        reason,
        evidence=proof,
        next=tuple(step.text for step in steps),
        asks=frozenset[Work]().union(*(step.asks for step in steps)),
        place_probability=min(max(1.0 - _healthy(belief), 0.0), 1.0),
    )


def _healthy(belief: Mapping[Cause, float]) -> float:
    return belief.get(Cause.CLEAR, 0.0) + belief.get(Cause.SPILLOVER, 0.0)


_RANK = {
    Action.STOP: 5,
    Action.CHECK_SUPPLY: 4,
    Action.REPLACE: 3,
    Action.REFLOW: 2,
    Action.RETEST: 1,
    Action.FIT: 0,
}


def _urgency(f: Finding) -> tuple[bool, float, int]:
    """Sure findings first; among equals those that forbid heat before those that ask for it."""
    sure = 0.0 if f.cause is Cause.UNDECIDED else f.probability
    return (f.action in WANTS_WORK, round(sure, 1), _RANK.get(f.action, 0))
