"""Verdicts as rows of the data sets of `model.batch`: plain values, ready to be sent and kept."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct, field

from memdiag.model import Finding, Place, Verdict
from memdiag.model.batch import DATASETS
from memdiag.model.problems import Problem
from memdiag.model.table import COLUMNS

Row = tuple[object, ...]


class Rows(Struct):
    """What one input gave: for each data set rows of `(board, *columns)`, in order. `board` is None
    where the dump names none."""

    verdicts: list[Row] = field(default_factory=list)
    findings: list[Row] = field(default_factory=list)
    problems: list[Row] = field(default_factory=list)
    tables: list[Row] = field(default_factory=list)

    @property
    def name(self) -> str:
        """The input, of which there is one verdict at the least."""
        return str(self.verdicts[0][1])

    def add(self, name: str, number: int, verdict: Verdict, seconds: float | None) -> None:
        """The verdict on dump `number` of an input, and how long it took."""
        head = (verdict.board.name or verdict.run.head.board or None, name, number)
        self.verdicts.append((*head, *_verdict(verdict), None, None, seconds))
        self.findings += [(*head, n, *_finding(f)) for n, f in enumerate(verdict.findings, 1)]
        self.problems += [(*head, *_problem(p)) for p in verdict.problems]
        self.tables += [
            (*head, *(_cell(column, getattr(row, column)) for column in COLUMNS))
            for row in verdict.table
        ]


def aside(
    name: str,
    reason: Problem,
    others: Iterable[Problem] = (),
    seconds: float | None = None,
    sha256: str | None = None,
) -> Rows:
    """The rows of an input of which there is no verdict: why, and what else there was to say."""
    head = (None, name, None)
    said = dict.fromkeys((reason, *others))
    nothing = (None,) * _BETWEEN
    verdict = (*head, sha256, *nothing, reason.code, reason.sentence(), seconds)
    return Rows([verdict], problems=[(*head, *_problem(p)) for p in said])


_BETWEEN = len(DATASETS["verdicts"]) - 6
"""Columns of `verdicts` between the hash and the reason why there is none: three stand before
them, three behind."""


def _verdict(v: Verdict) -> Row:
    head, source, s = v.run.head, v.run.source, v.summary
    return (
        source.sha256,
        head.id,
        head.serial,
        head.ticket,
        head.stage,
        head.at,
        head.memory,
        s.cause.value,
        *_place(s.place),
        list(s.one_of),
        s.action.value,
        s.probability,
        s.place_probability,
        s.text,
        v.released,
        [o.says for o in v.release.obstacles],
        source.lines,
        source.printed,
        source.lost,
        source.complete,
    )


def _place(place: Place) -> Row:
    channel = None if place.channel is None else str(place.channel)
    lines = list(place.lines)
    return (place.site, channel, place.rank, place.lane, lines, place.rail, place.partition)


def _finding(f: Finding) -> Row:
    return (
        f.cause.value,
        *_place(f.place),
        list(f.one_of),
        f.probability,
        f.place_probability,
        [f"{cause.value} {p:.6f}" for cause, p in f.alternatives],
        f.because_of,
        f.action.value,
        f.reason,
        f.expected,
        [q.line for q in f.evidence if q.line is not None],
        list(f.next),
    )


def _problem(p: Problem) -> Row:
    at = p.position
    line, column = (None, None) if at is None else (at.line, at.column)
    return (p.code, p.severity.value, line, column, p.message, p.hint)


def _cell(column: str, value: object) -> object:
    return str(value) if column == "channel" and value is not None else value
