"""What stands against `repaired` in what became of findings, of links and of all eyes together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memdiag.model import WANTS_WORK, Action, Finding, Place
from memdiag.model.comparison import Change, ChangeKind, Outcome, Reason, ReasonKind
from memdiag.model.quantities import show_count, show_duration
from memdiag.model.words import action_words
from memdiag.repair.link_change import speaks_for
from memdiag.repair.paired_runs import PairedRuns
from memdiag.repair.part_swaps import SITE
from memdiag.repair.wording import capital, sentence


def of_findings(pair: PairedRuns, findings: Sequence[Change]) -> Iterator[Reason]:
    """Each finding of either run that is not cleared."""
    # Of those that lack bits the one that takes longest comes first: it covers the others.
    standing = sorted(
        (c for c in findings if c.against is not None),
        key=lambda c: (-(c.needed_seconds or 0), -(c.needed_bits or 0)),
    )
    for c in standing:
        assert c.against is not None
        headline, settle = _finding_words(pair, c)
        yield Reason(ReasonKind.FINDING, c.place, c.against, headline, sentence(c.because), settle)


def _finding_words(pair: PairedRuns, change: Change) -> tuple[str, str]:
    """`(headline, what settles it)`."""
    site = change.place.site
    if site is not None and site in pair.work.off:
        return (
            f"{site} is empty on purpose: not finished.",
            f"Fit a package at {site}, run the same test, compare again.",
        )
    if change.kind is ChangeKind.TOO_LITTLE_DATA:
        if change.needed_bits is not None:
            return (
                f"No fault is seen at {change.where}, but that proves nothing yet.",
                length(change, pair.after.head.rate),
            )
        return (
            f"Whether {change.where} is repaired is not known.",
            f"Run every step and test of BEFORE at {change.where} again.",
        )
    if change.kind is ChangeKind.MOVED:
        dest = pair.work.destination(site or "")
        return (
            f"The fault went with the package, {site} to {dest}.",
            _work_wanted(pair, Place(site=dest)),
        )
    headline = f"{_named(change)}: {_BECAME[change.kind]}."
    if change.points_to == SITE:
        # The later verdict cannot know that another package did no better there.
        return (
            capital(headline),
            f"No further package at {site}: inspect its pads and joints, then traces and "
            "controller.",
        )
    return capital(headline), _work_wanted(pair, change.place)


_BECAME = {
    ChangeKind.NEW: "new",
    ChangeKind.WORSE: "worse",
    ChangeKind.BETTER: "better, not clear",
    ChangeKind.REMAINS: "still there",
}


def _named(change: Change) -> str:
    f = change.after.finding or change.before.finding
    return f"{change.where} {f.cause.value if f else 'fault'}"


def _work_wanted(pair: PairedRuns, place: Place) -> str:
    """What the later verdict wants done: there, else first of all."""
    wanted = [
        f
        for f in pair.after_verdict.findings
        if f.action in WANTS_WORK and f.action is not Action.FIT
    ]
    here = [f for f in wanted if pair.touch(f.place, place)]
    if not wanted:
        return "Run the same steps and tests again: the later run alone asks for nothing."
    first: Finding = (here or wanted)[0]
    return sentence(action_words(first.action, first.place, first.one_of))


def length(change: Change, rate: float | None) -> str:
    """How long to run: `Run until 3e12 bits have passed at U3 without an error: 12 min ...`."""
    bits = show_count(change.needed_bits or 0)
    text = f"Run until {bits} bits have passed at {change.place} without an error"
    if change.needed_seconds is not None and rate:
        took = "a second" if change.needed_seconds < 1 else show_duration(change.needed_seconds)
        text += f": {took} or more at {rate / 1e9:g} Gbit/s a line"
    return text + "."


# --- links --------------------------------------------------------------------------------------


def of_board(pair: PairedRuns) -> Iterator[Reason]:
    """Eyes that closed together, said once."""
    eyes = sorted(pair.narrowed, key=lambda e: e.after / e.before)
    if not eyes:
        return
    middle = eyes[len(eyes) // 2]
    yield Reason(
        ReasonKind.BOARD,
        None,
        Outcome.WORSE,
        "The eyes of the whole board are narrower than before.",
        f"{len(eyes)} of {len(pair.eyes)} lost more than a quarter, as {middle.says()}.",
        "Check supply, temperature and reference of the rig, then run the same steps again.",
    )


def of_links(
    pair: PairedRuns, findings: Sequence[Change], links: Sequence[Change]
) -> Iterator[Reason]:
    """Each link that is not right and that no finding speaks for."""
    for c in links:
        if c.against is None or any(speaks_for(f, c, pair) for f in findings):
            continue
        headline, settle = _LINK_WORDS[c.against]
        yield Reason(
            ReasonKind.LINK,
            c.place,
            c.against,
            headline.format(at=c.place),
            sentence(c.because),
            settle.format(at=c.place),
        )


_LINK_WORDS = {
    Outcome.WORSE: (
        "{at}: worse than before.",
        "Run the same test again; if {at} stays so, the board does not go out.",
    ),
    Outcome.NOT_REPAIRED: (
        "{at}: not right, whatever became of the rest.",
        "Run the same test again; if {at} stays so, the board does not go out.",
    ),
    Outcome.TOO_LITTLE_DATA: (
        "Whether {at} is as good as before is not known.",
        "Measure {at} again: every step and test of BEFORE.",
    ),
}
