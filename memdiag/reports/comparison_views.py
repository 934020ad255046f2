"""What the page of two runs shows, made ready for the templates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from memdiag.model.comparison import Change, Comparison, History, Kind, Outcome, Rate, State
from memdiag.model.quantities import show_count, show_duration, show_probability, show_rate
from memdiag.model.records import Run
from memdiag.model.verdict import Finding, Verdict
from memdiag.reports import page_views as views
from memdiag.reports.drawing import drawable, side_svg, swatch
from memdiag.reports.packages import Mark
from memdiag.reports.svg import Drawn

SIGNS = {
    Kind.CLEARED: "✓",
    Kind.REMAINS: "●",
    Kind.NEW: "▲",
    Kind.MOVED: "⇄",
    Kind.WORSE: "▼",
    Kind.BETTER: "△",
    Kind.SAME: "=",
    Kind.TOO_LITTLE_DATA: "?",
}
"""A shape for each change, beside its word."""

OUTCOMES = {
    Outcome.REPAIRED: "✓ repaired",
    Outcome.NOT_REPAIRED: "● not repaired",
    Outcome.WORSE: "▼ worse than before",
    Outcome.TOO_LITTLE_DATA: "? too little data",
    Outcome.NOT_COMPARABLE: "≠ not comparable",
}

PAPER_CHANGES, PAPER_CHANGES_BELOW, PAPER_TRACKS = 7, 3, 8
"""Rows that paper shows: of changes on a page of their own and below a verdict; of a history, which
is left off below a verdict."""
_NOTHING = "-"


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one place, in words."""

    where: str
    sign: str
    kind: str
    before: str
    after: str
    ratio: str
    chance: str
    because: str
    more: str
    finding: bool
    paper: bool


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two runs: what it is called, its answer, and its board (on paper only where
    there is room)."""

    title: str
    head: tuple[tuple[str, str], ...]
    plate: views.Plate | None
    pictures: tuple[Drawn, ...]
    sha256: str
    on_paper: bool


def comparison_view(
    comparison: Comparison,
    before: Verdict | None = None,
    after: Verdict | None = None,
    *,
    below: bool = False,
) -> dict[str, Any]:
    """Everything the template shows of a comparison. The verdicts are the comparison's own where
    they are not given; `below` a verdict, paper has room for less."""
    most = PAPER_CHANGES_BELOW if below else PAPER_CHANGES
    before = before or comparison.before_verdict
    after = after or comparison.after_verdict
    told = [c for c in comparison.links if c.kind not in (Kind.SAME, Kind.TOO_LITTLE_DATA)]
    changes = [*comparison.findings, *told]
    marks = [views.marks(v) for v in (before, after) if v is not None]
    causes = dict.fromkeys(cause for m in marks for cause in views.causes_shown(m))
    return {
        "below": below,
        "repaired": comparison.outcome is Outcome.REPAIRED,
        "outcome": OUTCOMES[comparison.outcome],
        "headline": comparison.headline,
        "why": comparison.why,
        "todo": comparison.todo,
        "differs": comparison.differs,
        "sides": [
            _side("Before", comparison.before, before, "cb", below),
            _side("After", comparison.after, after, "ca", below),
        ],
        "legend": [(cause, swatch(cause, f"ck{n}")) for n, cause in enumerate(causes)],
        "rows": [_row(change, n < most) for n, change in enumerate(changes)],
        "left_off": max(0, len(changes) - most),
        "quiet_links": len(comparison.links) - len(told),
        "needed": _needed(comparison),
        "confidence": f"{comparison.confidence * 100:g} %",
        "history": _history(comparison.history),
        "problems": comparison.problems,
        "paper_problems": views.PAPER_PROBLEMS,
        "cautions": after.cautions if after is not None and not below else (),
    }


def _side(title: str, run: Run, verdict: Verdict | None, name: str, below: bool) -> Side:
    keys = ("stage", "at", "id", "serial", "removed", "swapped", "replaced", "reflowed")
    head = tuple(pair for pair in views.head(run) if pair[0] in keys)
    pictures: tuple[Drawn, ...] = ()
    plate = None
    if verdict is not None:
        plate = views.plate(verdict)
        pictures = used_sides(verdict, views.marks(verdict), name)
    return Side(title, head, plate, pictures, run.source.sha256, not below)


def used_sides(verdict: Verdict, marks: dict[str, Mark], name: str) -> tuple[Drawn, ...]:
    """The sides of the board that carry packages."""
    board = verdict.board
    if not drawable(board):
        return ()
    used = {site.side for site in board.sites if site.x is not None and site.size is not None}
    return tuple(
        side_svg(board, side, marks, name=f"{name}{side[0]}")
        for side in ("top", "bottom")
        if side in used
    )


def _row(change: Change, paper: bool) -> Row:
    more = []
    if change.points_to:
        more.append(f"points to the {change.points_to}")
    if change.needed_bits is not None:
        more.append(
            f"needs {show_count(change.needed_bits)} bits without an error"
            + _time(change.needed_seconds)
        )
    return Row(
        str(change.place),
        SIGNS[change.kind],
        change.kind.value,
        _state(change.before),
        _state(change.after),
        _ratio(change.rate),
        _chance(change.rate),
        change.because,
        "; ".join(more),
        change.level == "finding",
        paper,
    )


def _state(state: State) -> str:
    parts = []
    if state.finding is not None:
        parts.append(f"{state.finding.cause.value} ({_sure(state.finding)})")
    if state.worst is not None:
        parts.append(state.worst)
    if state.eye is not None:
        parts.append(f"eye {state.eye}")
    if state.bits is not None:
        errors = _NOTHING if state.errors is None else show_count(state.errors)
        parts.append(f"{errors} errors in {show_count(state.bits)} bits")
    elif state.errors is not None:
        parts.append(f"{show_count(state.errors)} errors, bits not said")
    if state.high is not None:
        parts.append(f"rate at most {show_rate(state.high)}")
    return ", ".join(parts) or _NOTHING


def _sure(finding: Finding) -> str:
    return "as declared" if finding.expected else show_probability(finding.probability)


def _ratio(rate: Rate | None) -> str:
    if rate is None:
        return _NOTHING
    best = "" if rate.ratio is None else f"{rate.ratio:.3g} times, "
    high = "no upper end" if rate.high is None else f"{rate.high:.3g}"
    return f"{best}{rate.low:.3g} to {high}"


def _chance(rate: Rate | None) -> str:
    if rate is None:
        return _NOTHING
    return f"p {rate.p:.2g}, adjusted {rate.p_adjusted:.2g}"


def _time(seconds: float | None) -> str:
    return "" if seconds is None else f" ({show_duration(seconds)} at full traffic)"


def _needed(comparison: Comparison) -> str:
    if comparison.needed_bits is None:
        return ""
    at = "" if comparison.needed_for is None else f" at {comparison.needed_for}"
    return (
        f"{show_count(comparison.needed_bits)} bits in all without an error{at}"
        f"{_time(comparison.needed_seconds)}"
    )


def _history(history: History | None) -> dict[str, Any] | None:
    if history is None or len(history.stages) < 3:
        return None
    heads = []
    for number, stage in enumerate(history.stages, 1):
        run = stage.verdict.run
        name = run.head.stage or run.head.id or f"run {number}"
        heads.append((name, "" if stage.outcome is None else stage.outcome.value))
    rows = []
    for track in history.tracks:
        cells = ["-" if f is None else f"{f.cause.value}, {_sure(f)}" for f in track.findings]
        rows.append((str(track.place), cells))
    return {"heads": heads, "rows": rows, "most": PAPER_TRACKS}
