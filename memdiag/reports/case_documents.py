"""A case as the JSON document `memdiag-case/1`, and as lines of figures."""

from __future__ import annotations

from typing import Any

from memdiag import __version__
from memdiag.model import Run, Summary
from memdiag.model.case import CASE_FORMAT, CaseReport, CaseStep, Established, Suspect, Worth
from memdiag.reports.documents import (
    finding_document,
    problem_document,
    scope_document,
    where_document,
)
from memdiag.reports.page import Sheet


def case_document(report: CaseReport) -> dict[str, Any]:
    """Plain JSON values, as docs/schemas/memdiag-case-1.schema.json describes them."""
    return {
        "format": CASE_FORMAT,
        "tool": __version__,
        "runs": [_run(step.run) for step in report.steps],
        "steps": [_step(n, step) for n, step in enumerate(report.steps)],
        "established": [_established(e) for e in report.established],
        "summary": _summary(report.summary),
        "release": {"allowed": report.release.allowed, "because": list(report.release.because)},
        "next": list(report.next),
        "worth": _worth(report.steps[-1].worth),
        "problems": [problem_document(p) for p in report.problems],
    }


def _run(run: Run) -> dict[str, Any]:
    return {"run": run.head.as_read(), "sha256": run.source.sha256}


def _step(number: int, step: CaseStep) -> dict[str, Any]:
    return {
        "run": number,
        "did": [{"action": d.action, "sites": list(d.sites)} for d in step.did],
        "summary": _summary(step.verdict.summary),
        "suspects": [_suspect(s) for s in step.suspects],
        "changed": step.changed,
        "worth": _worth(step.worth),
    }


def _summary(s: Summary) -> dict[str, Any]:
    return {
        "cause": s.cause.value,
        "site": s.site,
        "action": s.action.value,
        "probability": s.probability,
        "text": s.text,
        **where_document(s),
    }


def _suspect(s: Suspect) -> dict[str, Any]:
    return {"scope": scope_document(s.place), "cause": s.cause.value, "probability": s.probability}


def _established(e: Established) -> dict[str, Any]:
    return {**finding_document(e.finding), "since": e.since, "cured_by": e.cured_by, "says": e.says}


def _worth(w: Worth) -> dict[str, Any]:
    return {
        "advice": w.advice.value,
        "chance": w.chance,
        "cost": w.cost,
        "value": w.value,
        "says": w.says,
        "hangs_on": list(w.hangs_on),
    }


def case_sheet(report: CaseReport) -> Sheet:
    """One line a step and suspect; a step without one has a line all the same."""
    rows = []
    for number, step in enumerate(report.steps, 1):
        head = step.run.head
        told = {
            "step": number,
            "run": head.id,
            "stage": head.stage,
            "at": head.at,
            "did": "; ".join(f"{d.action} {' '.join(d.sites)}" for d in step.did),
            "summary": step.verdict.summary.text,
            "worth": step.worth.advice.value,
        }
        for suspect in step.suspects or (None,):
            place = None if suspect is None else str(suspect.place)
            cause = None if suspect is None else suspect.cause.value
            sure = None if suspect is None else suspect.probability
            rows.append({**told, "suspect": place, "cause": cause, "probability": sure})
    return Sheet.of(rows)
