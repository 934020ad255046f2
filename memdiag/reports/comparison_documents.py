"""A comparison as the JSON document `memdiag-comparison/1`, and as lines of figures."""

from __future__ import annotations

from typing import Any

from memdiag import __version__
from memdiag.model import Finding, Run
from memdiag.model.comparison import Change, Comparison, History, Reason, State
from memdiag.reports.documents import problem_document, scope_document, where_document
from memdiag.reports.page import Sheet

FORMAT = "memdiag-comparison/1"


def comparison_document(c: Comparison) -> dict[str, Any]:
    """Plain JSON values, as docs/schemas/memdiag-comparison-1.schema.json describes them."""
    return {
        "format": FORMAT,
        "tool": __version__,
        "before": _run(c.before),
        "after": _run(c.after),
        "outcome": c.outcome.value,
        "confidence": c.confidence,
        "reasons": [_reason(reason) for reason in c.reasons],
        "changes": [_change(change) for change in c.changes],
        "needed_bits": c.needed_bits,
        "needed_seconds": c.needed_seconds,
        "needed_for": None if c.needed_for is None else scope_document(c.needed_for),
        "differs": list(c.differs),
        "beside": list(c.beside),
        "summary": {"text": c.summary, "headline": c.headline, "why": c.why, "todo": c.todo},
        "problems": [problem_document(p) for p in c.problems],
        "history": None if c.history is None else _history(c.history),
    }


def _run(run: Run) -> dict[str, Any]:
    return {
        "run": run.head.as_read(),
        "sha256": run.source.sha256,
        "first_line": run.source.first_line,
        "lines": run.source.lines,
        "complete": run.source.complete,
    }


def _reason(r: Reason) -> dict[str, Any]:
    return {
        "kind": r.kind.value,
        "scope": None if r.place is None else scope_document(r.place),
        "outcome": r.outcome.value,
        "headline": r.headline,
        "says": r.says,
        "settle": r.settle,
    }


def _change(c: Change) -> dict[str, Any]:
    r = c.rate
    return {
        "level": c.level,
        "scope": scope_document(c.place),
        "change": c.kind.value,
        "before": _state(c.before),
        "after": _state(c.after),
        "rate_ratio": None if r is None else r.ratio,
        **{name: getattr(r, name, None) for name in ("low", "high", "p", "p_adjusted", "basis")},
        "because": c.because,
        "needed_bits": c.needed_bits,
        "needed_seconds": c.needed_seconds,
        "points_to": c.points_to,
        "against": None if c.against is None else c.against.value,
    }


def _state(s: State) -> dict[str, Any]:
    return {
        **_finding(s.finding),
        "bits": s.bits,
        "errors": s.errors,
        "cells": s.cells,
        "ber": s.rate,
        "ber_low": s.low,
        "ber_high": s.high,
        "worst_result": s.worst,
        "eye": s.eye,
    }


def _finding(f: Finding | None) -> dict[str, Any]:
    return {
        "cause": None if f is None else f.cause.value,
        "probability": None if f is None else f.probability,
        "action": None if f is None else f.action.value,
        "expected": None if f is None else f.expected,
        "place_probability": None if f is None else f.place_probability,
        "one_of": [] if f is None else list(f.one_of),
    }


def _history(h: History) -> dict[str, Any]:
    return {
        "stages": [
            {
                **_run(stage.verdict.run),
                "summary": stage.verdict.summary.text,
                **where_document(stage.verdict.summary),
                "outcome": None if stage.outcome is None else stage.outcome.value,
            }
            for stage in h.stages
        ],
        "tracks": [
            {
                "scope": scope_document(track.place),
                "states": [None if f is None else _finding(f) for f in track.findings],
            }
            for track in h.tracks
        ],
    }


def comparison_sheet(c: Comparison) -> Sheet:
    """One line a change: level and scope, what became of it, each run's figures, the test. Six
    figures of a fraction are more than any count bears out."""
    if not c.changes:
        return Sheet(("level", "change", "because"), ())
    return Sheet.of([_flat(_change(x)) for x in c.changes])


def _flat(change: dict[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {"level": change["level"], **change["scope"]}
    if isinstance(flat["dq"], list):
        flat["dq"] = " ".join(map(str, flat["dq"]))
    flat["change"] = change["change"]
    for side in ("before", "after"):
        flat |= {f"{side}_{name}": value for name, value in change[side].items()}
        flat[f"{side}_one_of"] = " ".join(change[side]["one_of"])
    return flat | {k: v for k, v in change.items() if k not in ("scope", "before", "after")}
