"""Ohm readings become a page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

from memdiag.model import Place
from memdiag.model.quantities import show_metered, show_ohms
from memdiag.model.rails import RailReading, RailsReport
from memdiag.model.words import action_words
from memdiag.reports import documents, verdict_page
from memdiag.reports.answers import Answer
from memdiag.reports.page import NOT_SAID, Column, Grid, Page, Part, Row, Sheet


def rails_page(report: RailsReport) -> Page:
    """The answer, every reading with its judgement, what to do next, cautions."""
    answer = _answer(report)
    return Page(
        f"rails - {answer.place}: {answer.cause}",
        lambda: (_part(report, answer),),
        partial(_document, report),
        partial(_sheet, report),
    )


def _part(report: RailsReport, answer: Answer) -> Part:
    readings = []
    for r in report.readings:
        off = ", ".join(r.without) or NOT_SAID
        cells = (r.rail, show_ohms(r.ohms), r.trend or NOT_SAID, off, r.word)
        readings.append(Row(cells, "clear" if r.word == "good" else "own"))
    columns = tuple(Column(h, always=True) for h in ("rail", "reads", "trend", "off", "judged"))
    said = [obstacle.says for obstacle in report.verdict.release.obstacles]
    said += [f"{rail}: what was taken off had {show_ohms(ohms)}" for rail, ohms in report.accounted]
    for rail, volts, amps, watts, warning in report.injections:
        drives = f"{show_metered(amps, 'A')}, {show_metered(watts, 'W')}"
        text = f"{rail}: {show_metered(volts, 'V')} would drive {drives}"
        said.append(text + (f". LIMIT: {warning}" if warning else ""))
    return Part(
        answer=answer,
        grid=Grid(columns, tuple(readings), "Readings", "readings", airy=True),
        said=tuple(said),
        next=tuple(dict.fromkeys(_next(report))),
        cautions=report.cautions,
    )


def _next(report: RailsReport) -> Iterator[str]:
    for finding in report.verdict.findings:
        yield from finding.next
    for obstacle in report.verdict.release.obstacles:
        yield obstacle.settle


def _answer(report: RailsReport) -> Answer:
    verdict = report.verdict
    if verdict.released:
        return Answer("rails", "clear", "nothing here; boot and judge a dump")
    if not verdict.wants_action:
        said = verdict.summary
        do = action_words(said.action, Place())
        return Answer("rails", said.cause.value, do, work=True)
    return verdict_page.of_finding(verdict.findings[0])


def _reading(r: RailReading) -> dict[str, Any]:
    """Over range is null: JSON and spreadsheets have no figure for it."""
    return {
        "rail": r.rail,
        "ohms": None if math.isinf(r.ohms) else r.ohms,
        "trend": r.trend,
        "without": list(r.without),
        "judged": r.word,
        "chances": dict(r.chances),
    }


def _document(report: RailsReport) -> dict[str, Any]:
    """A verdict's document with the readings and what follows from them."""
    return {
        **documents.verdict_document(report.verdict),
        "cautions": list(report.cautions),
        "readings": [_reading(r) for r in report.readings],
        "injections": [
            {"rail": rail, "volts": v, "amps": a, "watts": w, "warning": warning}
            for rail, v, a, w, warning in report.injections
        ],
        "accounted": [{"rail": rail, "ohms": ohms} for rail, ohms in report.accounted],
    }


def _sheet(report: RailsReport) -> Sheet:
    rows = [{**_reading(r), "without": " ".join(r.without), **r.chances} for r in report.readings]
    return Sheet.of(rows, but="chances")
