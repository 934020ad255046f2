"""The verdict's sentences. Every figure in them was worked out elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from memdiag.diagnosis import decision
from memdiag.diagnosis.beliefs import Claim
from memdiag.diagnosis.decision import Choice
from memdiag.diagnosis.network import Candidate
from memdiag.diagnosis.settings import Shop
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node
from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.quantities import show_count, show_duration, show_probability, show_rate
from memdiag.model.records import Run
from memdiag.model.verdict import Action, Cause, Finding
from memdiag.model.words import CAUSE_WORDS
from memdiag.stats.limits import bits_needed


def where(node: Node) -> str:
    """Where a node is, as short as it can be said."""
    if node.kind in ("rail", "heat"):
        return ""
    site = node.sites[0] if len(node.sites) == 1 else None
    named = site is not None and not site.startswith("ch ")
    # A quote of a line names the line itself.
    dq = None if node.kind == "line" else node.place.dq
    return replace(node.place, site=site if named else None, dq=dq).words("ch")


def subject(place: Place) -> str:
    """The place as the subject of a sentence."""
    return str(place)


def headline(top: Finding, urgent: Sequence[Finding], board: Board) -> str:
    """The answer in one sentence."""
    if top.cause is Cause.UNDECIDED:
        guesses = [f"{c} {show_probability(p)}" for c, p in top.alternatives[:3] if p >= 0.05]
        text = f"{subject(top.place)} is not decided yet ({', '.join(guesses)})"
    else:
        text = f"{subject(top.place)} {CAUSE_WORDS[top.cause]}, {show_probability(top.probability)}"
        if top.expected:
            text = f"{subject(top.place)} is missing as declared"
    more = [str(f.place) for f in urgent[1:]]
    if more:
        text += f"; also {', '.join(more)}"
    return text


def all_clear(run: Run, evidence: Evidence) -> str:
    text = "no fault found"
    if evidence.bits_per_lane is None:
        return text + "; no error counts in this dump: run a stress test before it goes out"
    return text + f" in {show_count(evidence.bits_per_lane)} bits per lane"


def above_target(sites: Sequence[str], shop: Shop) -> str:
    return (
        f"no fault named, but {', '.join(sites[:6])} err more often than "
        f"{show_rate(shop.limits.target_rate)} of the bits: test again"
    )


def untested(sites: Sequence[str], board: Board) -> str:
    shown = ", ".join(sites[:6]) + (", ..." if len(sites) > 6 else "")
    return f"no fault seen, but nothing was measured at {shown}: test again"


def reason(
    claim: Claim, cause: Cause, belief: Mapping[Cause, float], sites: frozenset[str], board: Board
) -> str:
    """Why this cause, in one or two sentences. `sites`: those the claim acts on."""
    at = subject(claim.place)
    if cause is Cause.UNDECIDED:
        ranked = sorted(belief.items(), key=lambda kv: -kv[1])
        said = " or ".join(str(c) for c, p in ranked[:3] if p >= 0.1)
        return f"What {at} shows fits {said}; the dump does not tell them apart."
    text = _WHY[cause].format(at=at)
    if cause in (Cause.SUPPLY, Cause.CONTROLLER) and 1 < len(sites) < len(board.sites):
        text += f" It acts on {', '.join(s.ref for s in board.sites if s.ref in sites)}."
    if cause is Cause.SUPPLY and claim.place.rail is None:
        feeds = {r.name: {s.ref for s in board.sites_on_rail(r.name)} for r in board.rails}
        alike = [name for name, fed in feeds.items() if fed == sites]
        if len(alike) > 1:
            text += f" Which rail is not told apart: {' or '.join(alike)}."
    rival = max(
        ((c, p) for c, p in belief.items() if c is not cause), key=lambda kv: kv[1], default=None
    )
    if rival is not None and rival[1] >= 0.1:
        text += f" It could also be: {rival[0]} ({show_probability(rival[1])})."
    return text


_WHY: Mapping[Cause, str] = {
    Cause.MISSING: "{at} answers on none of its channels, while what it does not share works.",
    Cause.WEAK: "{at} answers and is bad in itself: its own lanes or cells fail against its peers.",
    Cause.JOINT: "Only {at} fails and what lies beside it on the same package works: a ball or "
    "line, not the whole package.",
    Cause.BRIDGE: "{at}: the two lines are wrong only where they were written unlike, never both.",
    Cause.SUPPLY: "{at}: several sites that share a rail are weak or gone together.",
    Cause.CONTROLLER: "{at} fails across the packages of one controller block or stays whatever "
    "sits on it.",
    Cause.SPILLOVER: "{at} is disturbed by a fault elsewhere.",
    Cause.CLEAR: "{at} shows nothing beyond chance.",
}


def spill_reason(site: str, because: str, errors: bool, bare: bool) -> str:
    text = f"{site} is healthy as far as can be seen; {because} disturbs it."
    if errors:
        when = "once the package is fitted" if bare else f"once {because} is mended"
        text += f" Its few errors are not decisive: look again {when}."
    return text


def source_name(source: Candidate | None) -> str:
    """What a spillover comes from: the site, rail, partition or channel."""
    if source is None:
        return "the fault"
    place = source.place
    if place.site is not None:
        return place.site
    if place.rail is not None:
        return place.rail
    if place.partition is not None:
        return place.partition
    return f"channel {place.channel}" if place.channel is not None else "the fault"


# --- what to do next -------------------------------------------------------------------------


def run_length(run: Run, shop: Shop) -> str:
    """`3e12 bits per lane (29 s at 14 Gbit/s per line)`: error-free exposure for the target."""
    need = bits_needed(shop.limits.target_rate, shop.limits.confidence)
    text = f"{show_count(need)} bits per lane without an error"
    if run.head.rate:
        text += f" (about {show_duration(need / (8 * run.head.rate))} at full traffic)"
    return text


def next_steps(
    claim: Claim,
    belief: Mapping[Cause, float],
    choice: Choice,
    action: Action,
    run: Run,
    board: Board,
    shop: Shop,
    evidence: Evidence,
) -> tuple[str, ...]:
    """What to measure, with figures, and what each outcome would change."""
    steps = []
    at = claim.place.site or str(claim.place)
    for m, _ in choice.measurements[:2]:
        yes, no = decision.would_change(belief, m, shop.costs)
        text = _HOW[m.name].format(at=at, **_figures(run, shop))
        rails = _rails_of(claim, board)
        if m.name == "ohms" and rails:
            text += f": {rails}"
        if yes is not no:
            text += f". If {m.yes}: {yes}; if {m.no}: {no}"
        steps.append(text)
    on_low = _on_low_rails(evidence, board)
    if on_low and action is not Action.REPLACE:
        steps.append(on_low)
    asked = any(m.name == "ohms" for m, _ in choice.measurements)
    if action is Action.CHECK_SUPPLY and not run.rails and not asked:
        rails = _rails_of(claim, board)
        steps.append(
            "board off: measure ohms to ground"
            + (f": {rails}" if rails else " on its rails")
            + "; then its voltage under load"
        )
    if action in (Action.REPLACE, Action.REFLOW):
        steps.append(f"afterwards boot, then stress {at} for {run_length(run, shop)}")
    if action is Action.REPLACE and claim.cause is Cause.MISSING:
        steps.append(f"before heat: ohms of {at}'s rails with it on, to compare once it is off")
    if action is Action.REPLACE and any(n.kind in ("rail", "heat") for n in evidence.nodes):
        rails = _rails_of(claim, board)
        steps.append(f"once {at} is off, read its rails again before fitting: {rails}")
    if action is Action.STOP:
        steps.append(
            f"if a swap was not tried yet: fit a known good package at {at}; the same failure "
            "again settles it"
        )
    return tuple(steps)


def which_package(place: Place, board: Board) -> str:
    """What to do before heat where the dump and the profile do not mean the same package."""
    return (
        f"before any heat find out which package the dump calls {place.site}: board {board.name} "
        "gives its lanes to another site; check the board's name in the dump, or the profile"
    )


def _on_low_rails(evidence: Evidence, board: Board) -> str | None:
    """What to do about rails that read low: feed them and see what warms."""
    low = [
        n
        for n in evidence.nodes
        if n.kind == "rail"
        and n.loglik.get("normal", 0) < max(n.loglik.get("low", 0), n.loglik.get("short", 0)) - 1
    ]
    if not low or any(n.kind == "heat" for n in evidence.nodes):
        return None
    names = " and ".join(n.place.rail or "?" for n in low)
    both = [s for s in low[0].sites if all(s in n.sites for n in low)]
    where = f"; {', '.join(both)} lie on {'them all' if len(low) > 1 else 'it'}" if both else ""
    volts = [r.inject_volts_max for n in low if (r := board.rail(n.place.rail or "")) is not None]
    most = min((v for v in volts if v is not None), default=1.0)
    return f"feed {names} with at most {most:g} V, current-limited, and see what warms first{where}"


_HOW: Mapping[str, str] = {
    "retest": "retest {at}: {length}, at {warm}",
    "press": "repeat the training with light pressure on {at}, then without",
    "slower": "repeat at a lower rate and cool ({cool}), then at full rate and warm ({warm})",
    "ohms": "board off: ohms to ground of the rails of {at}",
}


def _figures(run: Run, shop: Shop) -> dict[str, str]:
    ambient = run.head.ambient if run.head.ambient is not None else 23.0
    return {
        "length": run_length(run, shop),
        "warm": f"{ambient + 40:.0f} C package temperature",
        "cool": f"{ambient:.0f} C",
    }


def _rails_of(claim: Claim, board: Board) -> str:
    names: tuple[str, ...] = ()
    if claim.place.rail is not None:
        names = (claim.place.rail,)
    elif claim.place.site is not None and (site := board.site(claim.place.site)) is not None:
        names = site.rails
    else:
        names = tuple(r.name for r in board.rails if r.feeds == "packages")
    shown = []
    for name in names:
        rail = board.rail(name)
        if rail is not None and rail.healthy_ohms_typical is not None:
            shown.append(f"{name} (healthy about {rail.healthy_ohms_typical:g} ohm)")
        else:
            shown.append(name)
    return ", ".join(shown)


def after_removed(place: Place, run: Run, shop: Shop) -> tuple[str, ...]:
    return (
        f"fit a package at {place.site}, boot, and look at every site again",
        f"then stress the board for {run_length(run, shop)}",
    )
