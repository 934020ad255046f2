"""The answer of a comparison in three lines: what it is, why, and what to do now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memdiag.model import WANTS_WORK, Action, Cause
from memdiag.model.comparison import Change, ChangeKind, Outcome
from memdiag.model.problems import Problem, Severity
from memdiag.model.quantities import show_count, show_duration
from memdiag.model.words import action_words
from memdiag.repair.paired_runs import PairedRuns
from memdiag.repair.part_swaps import JOINT, SITE


@dataclass(frozen=True, slots=True)
class Answer:
    headline: str
    why: str
    todo: str


@dataclass(frozen=True, slots=True)
class Gaps:
    """What the later run leaves open. `sites`: tested before, not at all now. `links`: the same
    of single links of other sites. `failing` and `unrun`: links no finding speaks of, with a
    step that fails now, or that failed before and was not run again."""

    sites: tuple[str, ...]
    links: tuple[str, ...]
    failing: tuple[str, ...]
    unrun: tuple[str, ...]


def refusal(problems: Sequence[Problem]) -> Answer:
    """Why the runs cannot be compared: the first reason, the others stand under the table."""
    errors = [p for p in problems if p.severity is Severity.ERROR]
    first = errors[0]
    return Answer(
        "These two runs cannot be compared.", _sentence(first.message), _sentence(first.hint)
    )


def answer(
    pair: PairedRuns,
    outcome: Outcome,
    findings: Sequence[Change],
    longest: Change | None,
    gaps: Gaps,
) -> Answer:
    """`findings` most urgent first; `longest` the one that needs the longest run."""
    if outcome is Outcome.REPAIRED:
        return _repaired(findings)
    if outcome is Outcome.TOO_LITTLE_DATA:
        return _too_little(pair, findings, longest, gaps)
    if gaps.failing and all(c.kind in (ChangeKind.CLEARED, ChangeKind.SAME) for c in findings):
        return Answer(
            f"A step fails at {gaps.failing[0]}, whatever became of the rest.",
            "No finding of either run speaks of it: see the table.",
            "Run the test again; if it fails again, trust the table.",
        )
    top = findings[0] if findings else None
    if top is None:  # a link changed that no finding speaks of
        return Answer(
            "Errors or failed steps appeared that were not there before.",
            "No finding of either run speaks of them: see the table.",
            _do(pair),
        )
    todo = _do(pair)
    if top.points_to == SITE:
        # The later verdict cannot know that another package did no better there.
        todo = (
            f"No further package at {top.place.site}: inspect its pads and joints, then traces "
            "and controller."
        )
    if top.kind is ChangeKind.MOVED:
        dest = pair.work.destination(top.place.site or "")
        return Answer(
            f"The fault went with the package, {top.place.site} to {dest}.",
            "So it is in the package, not in the site it left.",
            todo,
        )
    elif top.kind is ChangeKind.NEW:
        headline = f"{_states(top)}: new."
    elif top.place.site in pair.work.off:
        headline = f"{top.place.site} is empty on purpose: not finished."
    else:
        word = {ChangeKind.BETTER: "better, not clear", ChangeKind.WORSE: "worse"}.get(
            top.kind, "still there"
        )
        headline = f"{_states(top)}: {word}."
    return Answer(_capital(headline), _short(top.because), todo)


def _do(pair: PairedRuns) -> str:
    """What the later verdict wants done, in a sentence."""
    v = pair.after_verdict
    wanted = [f for f in v.findings if f.action in WANTS_WORK and f.action is not Action.FIT]
    if not wanted and pair.work.off:
        off = " and ".join(sorted(pair.work.off))
        return f"Fit a package at {off}, run the same test, compare again."
    if not wanted:
        return "Run the same steps and tests again: the later run alone asks for nothing."
    return _sentence(action_words(wanted[0].action, wanted[0].place))


def _repaired(findings: Sequence[Change]) -> Answer:
    faults = [c for c in findings if not _spilled(c)]
    if not findings:
        return Answer(
            "No finding in either run.", "What changed stands in the table.", "Nothing to do."
        )
    first = (faults or list(findings))[0]
    named = ", ".join(_was(c) for c in (faults or findings)[:3])
    more = len(faults or findings) - 3
    if more > 0:
        named += f" and {more} more"
    todo = "Close the ticket."
    if any(c.points_to == JOINT for c in findings):
        todo = "Test once more warm and cold before you close the ticket: a joint can open again."
    return Answer(f"{named} before; clear now.", _short(first.because), todo)


def _too_little(
    pair: PairedRuns, findings: Sequence[Change], longest: Change | None, gaps: Gaps
) -> Answer:
    short = [c for c in findings if c.kind is ChangeKind.TOO_LITTLE_DATA]
    if longest is not None:
        return Answer(
            f"No fault is seen at {longest.place}, but that proves nothing yet.",
            _short(longest.because),
            length(longest, pair.after.head.rate),
        )
    if short:
        first = short[0]
        return Answer(
            f"Whether {first.place} is repaired is not known.",
            _short(first.because),
            f"Run every step and test of BEFORE at {first.place} again.",
        )
    if gaps.sites or gaps.unrun:
        names = ", ".join((*gaps.sites, *gaps.unrun)[:4])
        return Answer(
            "Not all of the board was tested again.",
            f"The later run says nothing of {names}.",
            "Run every step and test of BEFORE again.",
        )
    return Answer(
        "The later dump is cut.",
        "What stood in the missing part is not known.",
        "Paste it again, to its [end] line.",
    )


def length(change: Change, rate: float | None) -> str:
    """How long to run: `Run on until 3e12 bits have passed at U3 without an error: 12 min ...`."""
    bits = show_count(change.needed_bits or 0)
    text = f"Run until {bits} bits have passed at {change.place} without an error"
    if change.needed_seconds is not None and rate:
        took = "a second" if change.needed_seconds < 1 else show_duration(change.needed_seconds)
        text += f": {took} or more at {rate / 1e9:g} Gbit/s a line"
    return text + "."


def _spilled(change: Change) -> bool:
    f = change.before.finding or change.after.finding
    return f is not None and f.cause is Cause.SPILLOVER


def _was(change: Change) -> str:
    f = change.before.finding
    word = "" if f is None else "empty" if f.expected else f.cause.value
    return f"{change.place} {word}".strip()


def _states(change: Change) -> str:
    f = change.after.finding or change.before.finding
    return f"{change.place} {f.cause.value if f else 'fault'}"


def _short(because: str, width: int = 92) -> str:
    """The first clauses that fit one line on the terminal."""
    kept = ""
    for clause in because.split("; "):
        longer = f"{kept}; {clause}" if kept else clause
        if kept and len(longer) > width:
            break
        kept = longer
    return _sentence(kept)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    """A capital first, unless it is a designator or a quoted word, and a stop."""
    text = text.strip()
    return _capital(text) + ("" if text.endswith((".", "!", "?")) else ".")
