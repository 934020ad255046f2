"""The answer of a comparison in three lines: what it is, why, and what to do now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memdiag.changes import Change, Kind, Outcome
from memdiag.findings import Cause
from memdiag.problems import Problem, Severity
from memdiag.sides import Sides
from memdiag.units import show_count, show_duration


@dataclass(frozen=True, slots=True)
class Answer:
    headline: str
    why: str
    todo: str


def refusal(problems: Sequence[Problem]) -> Answer:
    """Why the runs cannot be compared: the first reason, the others stand under the table."""
    errors = [p for p in problems if p.severity is Severity.ERROR]
    first = errors[0]
    return Answer("These two runs cannot be compared.", _sentence(first.message),
                  _sentence(first.hint))  # fmt: skip


def answer(
    sides: Sides, outcome: Outcome, findings: Sequence[Change], longest: Change | None,
    lost: Sequence[str],
) -> Answer:  # fmt: skip
    """`findings` most urgent first; `longest` the one that needs the longest run."""
    if outcome is Outcome.REPAIRED:
        return _repaired(findings)
    if outcome is Outcome.TOO_LITTLE_DATA:
        return _too_little(sides, findings, longest, lost)
    top = findings[0] if findings else None
    if top is None:  # a link changed that no finding speaks of
        return Answer("Errors or failed steps appeared that were not there before.",
                      "No finding of either run speaks of them: see the table.",
                      _sentence(sides.after_verdict.summary.text))  # fmt: skip
    todo = sides.after_verdict.summary.text
    off = sorted(sides.work.off)
    if off and not sides.after_verdict.wants_action:
        todo = f"fit a package at {' '.join(off)}, run the same test, compare again"
    if top.kind is Kind.MOVED:
        dest = sides.work.destination(top.locus.site or "")
        return Answer(f"The fault went with the package, {top.locus.site} to {dest}.",
                      "So it is in the package, not in the site it left.",
                      _sentence(todo))  # fmt: skip
    elif top.kind is Kind.NEW:
        headline = f"{_states(top)}: new."
    elif top.locus.site in sides.work.off:
        headline = f"{top.locus.site} is empty on purpose: not finished."
    else:
        word = {Kind.BETTER: "better, not clear", Kind.WORSE: "worse"}.get(top.kind, "still there")
        headline = f"{_states(top)}: {word}."
    return Answer(_capital(headline), _short(top.because), _sentence(todo))


def _repaired(findings: Sequence[Change]) -> Answer:
    faults = [c for c in findings if not _spilled(c)]
    if not findings:
        return Answer("Nothing is wrong in either run.", "Every step and count agrees.",
                      "Nothing to do.")  # fmt: skip
    first = (faults or list(findings))[0]
    named = ", ".join(_was(c) for c in (faults or findings)[:3])
    more = len(faults or findings) - 3
    if more > 0:
        named += f" and {more} more"
    todo = "Close the ticket."
    if any(c.points_to == "joint" for c in findings):
        todo = "Test once more warm and cold before you close the ticket: a joint can open again."
    return Answer(f"{named} before; clear now.", _short(first.because), todo)


def _too_little(
    sides: Sides, findings: Sequence[Change], longest: Change | None, lost: Sequence[str]
) -> Answer:
    short = [c for c in findings if c.kind is Kind.TOO_LITTLE_DATA]
    if longest is not None:
        return Answer(f"No fault is seen at {longest.locus}, but that proves nothing yet.",
                      _short(longest.because), length(longest, sides.after.head.rate))  # fmt: skip
    if short:
        first = short[0]
        return Answer(f"Whether {first.locus} is repaired is not known.", _short(first.because),
                      f"Run every step and test of BEFORE at {first.locus} again.")  # fmt: skip
    if lost:
        return Answer("Not all of the board was tested again.",
                      f"The later run says nothing of {', '.join(lost[:6])}.",
                      "Run every step and test of BEFORE again.")  # fmt: skip
    return Answer("The later dump is cut.", "What stood in the missing part is not known.",
                  "Paste it again, to its [end] line.")  # fmt: skip


def length(change: Change, rate: float | None) -> str:
    """How long to run: `Run on until 3e12 bits have passed at U3 without an error: 12 min ...`."""
    bits = show_count(change.needed_bits or 0)
    text = f"Run until {bits} bits have passed at {change.locus} without an error"
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
    return f"{change.locus} {word}".strip()


def _states(change: Change) -> str:
    f = change.after.finding or change.before.finding
    return f"{change.locus} {f.cause.value if f else 'fault'}"


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
