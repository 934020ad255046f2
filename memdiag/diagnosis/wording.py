"""The verdict's sentences. Every figure in them was worked out elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from memdiag.diagnosis.candidate import Candidate
from memdiag.diagnosis.claims import Claim
from memdiag.diagnosis.faults.mechanism import Rails
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import READINGS, Node
from memdiag.model import Board, Cause, Finding, Obstacle, Place
from memdiag.model.quantities import show_count, show_probability
from memdiag.model.words import CAUSE_WORDS


def where(node: Node, board: Board) -> str:
    """Where a node is, as short as it can be said."""
    if node.kind in READINGS:
        return ""
    site = board.site(node.sites[0]) if len(node.sites) == 1 else None
    ref = site.ref if site is not None and site.named else None
    # A quote of a line names the line itself.
    dq = None if node.kind == "line" else node.place.dq
    return replace(node.place, site=ref, dq=dq).words("ch")


def headline(top: Finding, urgent: Sequence[Finding]) -> str:
    """The answer in one sentence."""
    if top.cause is Cause.UNDECIDED:
        guesses = [f"{c} {show_probability(p)}" for c, p in top.alternatives[:3] if p >= 0.05]
        text = f"{top.place} is not decided yet ({', '.join(guesses)})"
    else:
        text = f"{top.place} {CAUSE_WORDS[top.cause]}, {show_probability(top.probability)}"
        if top.expected:
            text = f"{top.place} is missing as declared"
    more = [str(f.place) for f in urgent[1:]]
    if more:
        text += f"; also {', '.join(more)}"
    return text


def all_clear(evidence: Evidence) -> str:
    text = "no fault found"
    if evidence.bits_per_lane is None:
        return text + "; no error counts in this dump: run a stress test before it goes out"
    return text + f" in {show_count(evidence.bits_per_lane)} bits per lane"


def lines(numbers: Sequence[int]) -> str:
    """`line 12`, `lines 12 and 14`, `lines 12, 13, 14 and 9 more`."""
    first = [str(n) for n in numbers[:_LINES_NAMED]]
    if len(first) == 1:
        return f"line {first[0]}"
    more = len(numbers) - len(first)
    last = f"{more} more" if more else first.pop()
    return f"lines {', '.join(first)} and {last}"


_LINES_NAMED = 6


def not_released(obstacles: Sequence[Obstacle]) -> str:
    """Why a board on which no fault was named stays on the bench."""
    first = obstacles[0]
    more = len(obstacles) - 1
    text = f"not to be released: {first.says}"
    if more:
        text += f"; and {more} more reason{'s' if more > 1 else ''}"
    return text


def unheard(place: Place) -> str:
    """Why nothing is said of the cause at a place whose own rows are not there."""
    return (
        f"No row of the dump speaks for {place} itself. What other places show makes a fault there "
        "likely, and no more: silence of the paste is not silence of the package."
    )


def undecided(place: Place, belief: Mapping[Cause, float]) -> str:
    """Why no cause is named at a place."""
    ranked = sorted(belief.items(), key=lambda kv: -kv[1])
    said = " or ".join(str(c) for c, p in ranked[:3] if p >= 0.1)
    return f"What {place} shows fits {said}; the dump does not tell them apart."


def reason(claim: Claim, belief: Mapping[Cause, float], board: Board) -> str:
    """Why this cause, in one or two sentences."""
    mechanism, sites = claim.mechanism, claim.sites
    text = f"{claim.place}: {mechanism.why}."
    if mechanism.of_many and 1 < len(sites) < len(board.sites):
        text += f" It acts on {', '.join(s.ref for s in board.sites if s.ref in sites)}."
    if mechanism.rails is Rails.ITS_OWN and claim.place.rail is None:
        feeds = {r.name: {s.ref for s in board.sites_on_rail(r.name)} for r in board.rails}
        alike = [name for name, fed in feeds.items() if fed == sites]
        if len(alike) > 1:
            text += f" Which rail is not told apart: {' or '.join(alike)}."
    others = [(c, p) for c, p in belief.items() if c is not claim.cause]
    rival = max(others, key=lambda kv: kv[1], default=None)
    if rival is not None and rival[1] >= 0.1:
        text += f" It could also be: {rival[0]} ({show_probability(rival[1])})."
    return text


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
