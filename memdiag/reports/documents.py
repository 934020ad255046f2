"""JSON: a page's document, and a verdict as the document `memdiag-verdict/1`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from memdiag import __version__
from memdiag.model import WANTS_WORK, Finding, Lost, Obstacle, Place, Summary, Verdict
from memdiag.model.problems import Problem
from memdiag.model.table import COLUMNS, TableRow
from memdiag.model.words import action_words
from memdiag.reports.page import Page
from memdiag.reports.plain import json_text

FORMAT = "memdiag-verdict/1"


def render(page: Page) -> str:
    """The document that the page holds."""
    return json_text(page.document())


def verdict_document(verdict: Verdict) -> dict[str, Any]:
    """The document as plain JSON values; docs/ holds its schema."""
    run, s = verdict.run, verdict.summary
    return {
        "format": FORMAT,
        "tool": __version__,
        "run": run.head.as_read(),
        "dump": {
            "sha256": run.source.sha256,
            "lines": run.source.lines,
            "rows": run.source.rows,
            "complete": run.source.complete,
            "printed": run.source.printed,
            "understood": run.source.printed - run.source.lost,
            "lost": [_lost(lost) for lost in run.lost],
            "unheard": [scope_document(place) for place in verdict.release.unheard],
        },
        "summary": {
            "cause": s.cause.value,
            "site": s.site,
            "action": s.action.value,
            "probability": s.probability,
            "text": s.text,
            **where_document(s),
        },
        "release": {
            "allowed": verdict.released,
            "because": [
                *(_in_the_way(f) for f in verdict.findings if f.action in WANTS_WORK),
                *map(_obstacle, verdict.release.obstacles),
            ],
        },
        "findings": [finding_document(f) for f in verdict.findings],
        "table": [row_document(row) for row in verdict.table],
        "problems": [problem_document(p) for p in verdict.problems],
        "cautions": list(verdict.cautions),
        "notes": list(verdict.notes),
        "left_out": verdict.left_out,
    }


def verdicts_document(verdicts: Sequence[Verdict]) -> Any:
    """One object for one dump, an array for several."""
    documents = [verdict_document(v) for v in verdicts]
    return documents[0] if len(documents) == 1 else documents


def row_document(row: TableRow) -> dict[str, Any]:
    return {name: getattr(row, name) for name in COLUMNS}


def _lost(lost: Lost) -> dict[str, Any]:
    return {
        "kind": lost.kind.value,
        "line": lost.position.line,
        "column": lost.position.column,
        "says": lost.says,
        "scope": None if lost.place is None else scope_document(lost.place),
    }


def _in_the_way(f: Finding) -> dict[str, Any]:
    """A finding, as what stands in the way of a release."""
    return {
        "kind": "finding",
        "says": f"{f.place}: {f.cause.value}",
        "settle": action_words(f.action, f.place),
        "scopes": [scope_document(f.place)],
        "lines": [q.line for q in f.evidence if q.line is not None],
    }


def _obstacle(o: Obstacle) -> dict[str, Any]:
    return {
        "kind": o.kind.value,
        "says": o.says,
        "settle": o.settle,
        "scopes": [scope_document(place) for place in o.places],
        "lines": list(o.lines),
    }


def finding_document(f: Finding) -> dict[str, Any]:
    return {
        "scope": scope_document(f.place),
        "cause": f.cause.value,
        "probability": f.probability,
        "alternatives": [{"cause": c.value, "probability": p} for c, p in f.alternatives],
        "because_of": f.because_of,
        "action": f.action.value,
        "reason": f.reason,
        "expected": f.expected,
        "evidence": [{"line": q.line, "says": q.says} for q in f.evidence],
        "next": list(f.next),
        "place_probability": f.place_probability,
        "one_of": list(f.one_of),
    }


def where_document(s: Summary) -> dict[str, Any]:
    """Where an answer says that something is wrong, whatever it is."""
    return {
        "place": scope_document(s.place),
        "place_probability": s.place_probability,
        "one_of": list(s.one_of),
    }


def scope_document(place: Place) -> dict[str, Any]:
    named: dict[str, Any] = {
        "site": place.site,
        "channel": place.channel,
        "rank": place.rank,
        "lane": place.lane,
        "dq": list(place.dq) if isinstance(place.dq, tuple) else place.dq,
        "rail": place.rail,
        "partition": place.partition,
    }
    return named if place.group is None else {**named, "group": list(place.group)}


def problem_document(p: Problem) -> dict[str, Any]:
    return {
        "code": p.code,
        "severity": p.severity.value,
        "line": None if p.position is None else p.position.line,
        "column": None if p.position is None else p.position.column,
        "message": p.message,
        "hint": p.hint,
    }
