"""The verdict's sentences. Every figure in them was worked out elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from memdiag.diagnosis.candidate import Candidate
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import READINGS, Node
from memdiag.model import Board, Cause, Finding, Obstacle, Place
from memdiag.model.quantities import show_count, show_probability
from memdiag.model.words import CAUSE_WORDS
from memdiag.model.words import where as place_words


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
    """The answer in one sentence: the place first."""
    at = place_words(top.place, top.one_of)
    if top.expected:
        text = f"{at} is missing as declared"
    elif top.cause is Cause.UNDECIDED:
        likely = [f"{c} {show_probability(p)}" for c, p in top.alternatives[:3] if p >= 0.05]
        sure = show_probability(top.place_probability)
        text = f"{at}: something is wrong here, {sure}; the cause is open ({', '.join(likely)})"
    else:
        text = f"{at} {CAUSE_WORDS[top.cause]}, {show_probability(top.probability)}"
    more = [place_words(f.place, f.one_of) for f in urgent[1:]]
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


def undecided(at: str, belief: Mapping[Cause, float]) -> str:
    """Why no cause is named at a place."""
    ranked = sorted(belief.items(), key=lambda kv: -kv[1])
    said = " or ".join(str(c) for c, p in ranked[:3] if p >= 0.1)
    return f"What {at} shows fits {said}; the dump does not tell them apart."


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
    if place.group is not None:
        return str(place)
    return f"channel {place.channel}" if place.channel is not None else "the fault"
