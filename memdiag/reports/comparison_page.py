"""A comparison becomes a page: which places are told of, and how each figure is shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import groupby

from memdiag.model import HEATS, Cause, Finding, Run, Verdict
from memdiag.model.comparison import (
    Change,
    ChangeKind,
    Comparison,
    History,
    Outcome,
    Rate,
    State,
    Track,
)
from memdiag.model.problems import Severity
from memdiag.model.quantities import show_count, show_duration, show_probability, show_rate
from memdiag.model.words import AS_DECLARED, suspects
from memdiag.reports import comparison_documents, letter, verdict_page
from memdiag.reports.answers import Changed
from memdiag.reports.answers import Outcome as OutcomeSaid
from memdiag.reports.changes_grid import changes_grid
from memdiag.reports.heat_marks import marks
from memdiag.reports.page import NOT_SAID, Column, Grid, Part, Places, Row, Side
from memdiag.reports.repair_page import RepairPage

SIGNS = {
    ChangeKind.CLEARED: "✓",
    ChangeKind.REMAINS: "●",
    ChangeKind.NEW: "▲",
    ChangeKind.MOVED: "⇄",
    ChangeKind.WORSE: "▼",
    ChangeKind.BETTER: "△",
    ChangeKind.SAME: "=",
    ChangeKind.TOO_LITTLE_DATA: "?",
}
"""A shape for each change, beside its word."""

OUTCOMES = {
    Outcome.REPAIRED: "✓ repaired",
    Outcome.NOT_REPAIRED: "● not repaired",
    Outcome.WORSE: "▼ worse than before",
    Outcome.TOO_LITTLE_DATA: "? too little data",
    Outcome.NOT_COMPARABLE: "≠ not comparable",
    Outcome.NOTHING_TO_REPAIR: "= nothing to repair",
}

MOST_WARNINGS = 4  # of one run
MOST_REASONS = 3  # beside the one that decides

_SIDE = ("stage", "at", "id", "serial", "removed", "swapped", "replaced", "reflowed")


def comparison_page(c: Comparison) -> RepairPage:
    """The page of two runs side by side. The pages of a ticket keep the dumps beside them, so
    this one shows none."""
    return RepairPage(
        " - ".join([*verdict_page.names(c.after), c.headline]),
        lambda: [comparison_part(c)],
        partial(comparison_documents.comparison_document, c),
        partial(comparison_documents.comparison_sheet, c),
        apart=True,
        letter=partial(letter.of_comparison, c),
    )


def comparison_part(c: Comparison, *, crowded: bool = False) -> Part:
    """Everything that is shown of a comparison. `crowded`: it stands below a verdict."""
    told = [x for x in c.links if x.kind not in (ChangeKind.SAME, ChangeKind.TOO_LITTLE_DATA)]
    warnings = tuple(_warnings(c))
    return Part(
        crowded=crowded,
        answer=OutcomeSaid(
            c.outcome.value,
            OUTCOMES[c.outcome],
            c.headline,
            c.why,
            c.todo,
            f"{about(c.before)} -> {about(c.after)}, board {c.board.name or '?'}",
            _needed(c),
            c.outcome is Outcome.REPAIRED,
            tuple(f"{r.headline} {r.says}" for r in c.reasons[1 : MOST_REASONS + 1]),
            c.beside,
            c.after_verdict is not None and c.after_verdict.summary.action in HEATS,
        ),
        sides=(
            _side("Before", c.before, c.before_verdict),
            _side("After", c.after, c.after_verdict),
        ),
        stages=tuple(_stages(c.history)),
        tracks=() if c.history is None else tuple(map(_track_words, c.history.tracks)),
        course=_course(c.history),
        changes=(*_findings(c), *map(_changed, told)),
        confidence=f"{c.confidence * 100:g} %",
        quiet=len(c.links) - len(told),
        grid=changes_grid(c),
        proof=tuple(_proof(c)),
        cautions=() if c.after_verdict is None else c.after_verdict.cautions,
        notes=warnings,
        notes_in_short=warnings,
        problems=c.problems,
        prints=tuple(
            (f"{which}: ", run.source.sha256, f"{run.source.lines} lines  ")
            for which, run in (("before", c.before), ("after", c.after))
        ),
    )


def _side(title: str, run: Run, verdict: Verdict | None) -> Side:
    said = tuple(pair for pair in verdict_page.head(run) if pair[0] in _SIDE)
    if run.source.lost:
        said += (("dump", run.source.understood),)
    if verdict is None:
        return Side(title, said, None, None, run.source.sha256)
    places = Places(verdict.board, marks(verdict))
    return Side(title, said, verdict_page.answer(verdict), places, run.source.sha256)


# --- each change --------------------------------------------------------------------------------


def _findings(c: Comparison) -> Iterator[Changed]:
    """What became of each finding; the sites that one fault disturbed, and that are quiet without
    it, are told of once."""
    for source, same in groupby(c.findings, key=_quiet_without):
        group = tuple(same)
        if source is None or len(group) < verdict_page.MANY:
            yield from map(_changed, group)
        else:
            yield _gone_with(source, group)


def _quiet_without(change: Change) -> str | None:
    """The fault that disturbed a site which is clear now; None where it is another story."""
    found = change.before.finding
    is_story = (
        change.kind is ChangeKind.CLEARED
        and found is not None
        and found.cause is Cause.SPILLOVER
        and change.needed_bits is None
        and change.points_to is None
    )
    return found.because_of if is_story and found is not None else None


def _gone_with(source: str, group: Sequence[Change]) -> Changed:
    sites = ", ".join(change.where for change in group)
    least = min(x.before.finding.probability for x in group if x.before.finding is not None)
    steps = dict.fromkeys(x.after.worst for x in group if x.after.worst is not None)
    errors = sum(x.after.errors or 0 for x in group)
    bits = [x.after.bits for x in group if x.after.bits is not None]
    after = [*steps, *([f"{show_count(errors)} errors in all"] if bits else [])]
    if bits:
        after.append(f"{show_count(min(bits))} bits each at the least")
    return Changed(
        sites,
        f"{len(group)} sites: spillover gone with {source}",
        SIGNS[ChangeKind.CLEARED],
        ChangeKind.CLEARED.value,
        f"spillover from {source}, {show_probability(least)} at the least",
        ", ".join(after) or NOT_SAID,
        NOT_SAID,
        "",
        f"{sites}: disturbed by {source} before, clear without that fault",
        "",
        True,
    )


def _changed(change: Change) -> Changed:
    more = []
    if change.points_to:
        more.append(f"points to the {change.points_to}")
    if change.needed_bits is not None:
        needed = f"needs {show_count(change.needed_bits)} bits without an error"
        more.append(needed + _full_traffic(change.needed_seconds))
    r = change.rate
    tested = "" if r is None else f"p {r.p:.2g}, adjusted {r.p_adjusted:.2g}"
    was, now = _cause(change.before, change, False), _cause(change.after, change, True)
    return Changed(
        change.where,
        f"{change.where}: {was} -> {now}",
        SIGNS[change.kind],
        change.kind.value,
        _state(change.before),
        _state(change.after),
        _long_ratio(change.rate),
        tested,
        change.because,
        "; ".join(more),
        change.level == "finding",
    )


def _cause(state: State, change: Change, later: bool) -> str:
    if state.finding is not None:
        return "empty on purpose" if state.finding.expected else state.finding.cause.value
    if later and change.kind in _LATER:
        return _LATER[change.kind]
    return "clear" if later else "no finding"


_LATER = {
    ChangeKind.MOVED: "moved with the package",
    ChangeKind.TOO_LITTLE_DATA: "not known",
    **dict.fromkeys((ChangeKind.REMAINS, ChangeKind.BETTER, ChangeKind.WORSE), "not clear"),
}


def _state(state: State) -> str:
    parts = []
    if state.finding is not None:
        parts.append(_found(state.finding))
    if state.worst is not None:
        parts.append(state.worst)
    if state.eye is not None:
        parts.append(f"eye {state.eye}")
    if state.bits is not None:
        errors = NOT_SAID if state.errors is None else show_count(state.errors)
        parts.append(f"{errors} errors in {show_count(state.bits)} bits")
    elif state.errors is not None:
        parts.append(f"{show_count(state.errors)} errors, bits not said")
    if state.high is not None:
        parts.append(f"rate at most {show_rate(state.high)}")
    return ", ".join(parts) or NOT_SAID


def _found(f: Finding) -> str:
    """A finding beside its place: `fault here 99 %, weak 62 %`, `fault at one of U1 to U6 91 %,
    undecided`."""
    if f.expected:
        return f"{f.cause} ({AS_DECLARED})"
    cause = f"{f.cause} {show_probability(f.probability)}"
    at = f"at {suspects(f.one_of)}" if f.one_of else "here"
    sure = verdict_page.here(f)
    return ", ".join(
        [f"fault {at} {sure}"] * bool(sure) + ["undecided" if f.cause is Cause.UNDECIDED else cause]
    )


def _long_ratio(rate: Rate | None) -> str:
    if rate is None:
        return NOT_SAID
    best = "" if rate.ratio is None else f"{rate.ratio:.3g} times, "
    high = "no upper end" if rate.high is None else f"{rate.high:.3g}"
    return f"{best}{rate.low:.3g} to {high}"


# --- what would prove it ------------------------------------------------------------------------


def _needed(c: Comparison) -> str:
    if c.needed_bits is None:
        return ""
    at = "" if c.needed_for is None else f" at {c.needed_for}"
    bits = f"{show_count(c.needed_bits)} bits in all without an error{at}"
    return bits + _full_traffic(c.needed_seconds)


def _full_traffic(seconds: float | None) -> str:
    return "" if seconds is None else f" ({show_duration(seconds)} at full traffic)"


def _proof(comparison: Comparison) -> list[str]:
    """What would prove what is not proved yet: bits, and the time they take at the least."""
    rate = comparison.after.head.rate or comparison.before.head.rate
    out = []
    for c in comparison.findings:
        if c.needed_bits is None:
            continue
        text = f"{c.where}: {show_count(c.needed_bits)} bits without an error"
        if c.after.bits:
            text += f" ({show_count(c.after.bits)} are done)"
        if c.needed_seconds is not None and rate:
            took = "under 1 s" if c.needed_seconds < 1 else show_duration(c.needed_seconds)
            text += f", {took} at {rate / 1e9:g} Gbit/s a line if every bit is compared"
        out.append(text)
    if out:
        chance = f"{comparison.confidence * 100:g} %, one-sided"
        out.append(f"at {chance}" + (", for all these places together" if len(out) > 1 else ""))
    return out


def about(run: Run) -> str:
    """`final of 2031-03-05T09:12:00Z (bench-7-0113)`."""
    text = run.head.stage or "run"
    if run.head.at:
        text += f" of {run.head.at}"
    text += f" ({run.head.id})" if run.head.id else ""
    return text + (f" [{run.source.understood}]" if run.source.lost else "")


def _warnings(c: Comparison) -> list[str]:
    """Warnings and errors travel with the answer they qualify. The first refusal is in it."""
    found = [f"{p.severity}: {p.sentence()}" for p in c.problems if p.severity is not Severity.INFO]
    for which, run in (("BEFORE", c.before), ("AFTER", c.after)):
        worse = [p for p in run.problems if p.severity is not Severity.INFO]
        found += [f"{which}: {p.sentence()}" for p in worse[:MOST_WARNINGS]]
        if len(worse) > MOST_WARNINGS:
            left = len(worse) - MOST_WARNINGS
            found.append(f"{which}: and {left} more problems: memdiag read shows them")
    return found


# --- through the stages -------------------------------------------------------------------------


def _stages(history: History | None) -> list[str]:
    """One line a run of a history: its stage, its verdict, and how it compares to the last."""
    out = []
    for number, stage in enumerate(history.stages if history else (), 1):
        step = f" [{stage.outcome} since the run before]" if stage.outcome else ""
        out.append(f"{number}. {about(stage.verdict.run)}: {stage.verdict.summary.text}{step}")
    return out


def _track_words(track: Track) -> str:
    return f"{track.place}: " + " -> ".join(map(_stage_words, track.findings))


def _stage_words(finding: Finding | None) -> str:
    """One stage of a track: `fault here 99 %, missing 97 %`, `empty on purpose`, `clear`."""
    if finding is None:
        return "clear"
    return "empty on purpose" if finding.expected else _found(finding)


def _course(history: History | None) -> Grid | None:
    if history is None or len(history.stages) < 3:
        return None
    heads = [Column("place")]
    for number, stage in enumerate(history.stages, 1):
        run = stage.verdict.run.head
        outcome = "" if stage.outcome is None else stage.outcome.value
        heads.append(Column(run.stage or run.id or f"run {number}", legend=outcome))
    rows = (
        (str(track.place), *(_found(f) if f else NOT_SAID for f in track.findings))
        for track in history.tracks
    )
    return Grid(tuple(heads), tuple(map(Row, rows)))
