"""What the rows of one link say, in numbers: results, eyes, counts and error words. What is not
said has no entry."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np
from msgspec import Struct

from memdiag.evidence.lane_tallies import LaneTally
from memdiag.evidence.measurements import Measured, Measurements, totals_of, width_of
from memdiag.model import FAILED, CountRow, Result, TrainingRow
from tests.accuracy.headroom.numbers import Floats, Numbers

KINDS = {s: s for s in ("id", "ca", "gate", "read", "write")} | {"level": "clock", "wck": "clock"}
"""The kinds of steps that are told apart; all others are one more."""

SHARES = tuple(f"{kind} {r}" for kind in (*dict.fromkeys(KINDS.values()), "other") for r in Result)

EYES = ("read", "write", "height", "spread", "delay", "vref", "line eye", "lines failed", "full")
COUNTS = (
    *("exposure", "rate", "errors", "zero", "rose", "edc each", "cells each"),
    *("lines counted", "top line counted", "hot", "unknown errors"),
)
WORDS = (
    *("words", "lines", "top line", "words rose", "words edc", "repeats"),
    *("together", "unlike", "stuck", "cells"),
)
OTHER = ("failed", "worst", "tries", "attempts", "unscanned")
FIGURES = (*EYES, *COUNTS, *WORDS, *OTHER)

UPPER = 75
"""The percentile of all lanes' eyes that stands for a good one of this run."""
CLOSED = 0.02
"""The least share of a good eye: a closed one has a logarithm too."""
BADNESS = (Result.PASS, Result.MARGINAL, Result.FAIL, Result.NOT_FOUND, Result.NO_RESPONSE)

Key = tuple[str, str, str, str | None]


class Reading(Struct, frozen=True):
    """A figure of an eye: what it is (a key that peers share), of which data line, and how much."""

    key: Key
    dq: int | None
    value: float


def readings(group: Measured) -> Iterator[Reading]:
    """The figures of the widest eye of the last attempt, of each step, set point and data line."""
    by_step: dict[tuple[str, str | None, int | None], list[TrainingRow]] = defaultdict(list)
    for row in group.training:
        by_step[row.step, row.point, row.place.line].append(row)
    for (step, point, dq), rows in by_step.items():
        last = max(row.attempt or 0 for row in rows)
        row = max((r for r in rows if (r.attempt or 0) == last), key=_span)
        figures = {"width": width_of(row), "height": row.height, "spread": row.spread}
        for what, said in {**figures, "delay": row.delay}.items():
            if said is not None:
                yield Reading((what, step, said.unit, point), dq, said.value)
        if row.vref is not None:
            yield Reading(("vref", step, "%", point), dq, row.vref)


def _span(row: TrainingRow) -> float:
    width = width_of(row)
    return -1.0 if width is None else width.value


class Peers(Struct, frozen=True):
    """What good lanes of the run show (`upper`), the middle of all, and how far they scatter."""

    upper: float
    middle: float
    scatter: float


def peers(measured: Measurements) -> dict[Key, Peers]:
    """For every kind of figure what all lanes of the run show."""
    found: dict[Key, list[float]] = defaultdict(list)
    for group in measured:
        for reading in readings(group):
            found[reading.key].append(reading.value)
    return {key: _peers(np.array(values)) for key, values in found.items()}


def _peers(values: Floats) -> Peers:
    middle = float(np.median(values))
    scatter = 1.4826 * float(np.median(np.abs(values - middle)))
    return Peers(float(np.percentile(values, UPPER)), middle, scatter)


def numbers(group: Measured, beside: dict[Key, Peers]) -> Numbers:
    """All that a group's rows say, by name."""
    said = _results(group)
    said |= _eyes(group, beside)
    said |= _counts(group.counts)
    if group.tally is not None:
        said |= _words(group.tally)
    return said


def _results(group: Measured) -> Numbers:
    """Of each kind of step the share that ended so, and the worst of all."""
    ended: dict[str, list[Result]] = defaultdict(list)
    for outcome in group.steps:
        kind = KINDS.get(outcome.step, "other")
        ended[kind].append(outcome.last if outcome.ran is None else outcome.ran)
    said = {
        f"{kind} {result}": results.count(result) / len(results)
        for kind, results in ended.items()
        for result in Result
    }
    ran = [o.ran for o in group.steps if o.ran is not None]
    if ran:
        said["worst"] = float(max(map(BADNESS.index, ran)))
        said["failed"] = float(any(r in FAILED for r in ran))
        bad = {o.dq for o in group.steps if o.dq is not None and o.ran in FAILED}
        said["lines failed"] = float(len(bad))
    if group.training:
        said["tries"] = float(max(row.tries or 1 for row in group.training))
        said["attempts"] = float(max(row.attempt or 1 for row in group.training))
        windows = [row.window for row in group.training if row.window]
        if windows:
            said["full"] = sum("0" not in w for w in windows) / len(windows)
    said["unscanned"] = float(len(group.unscanned))
    return said


def _eyes(group: Measured, beside: dict[Key, Peers]) -> Numbers:
    """Logarithms of eyes to good ones of the run, the worst of each; how far settings lie off."""
    shares: dict[str, list[float]] = defaultdict(list)
    by_line: dict[Key, list[float]] = defaultdict(list)
    for reading in readings(group):
        what, step = reading.key[:2]
        here = beside[reading.key]
        if what in ("delay", "vref"):
            off = (reading.value - here.middle) / (here.scatter + 0.01 * abs(here.middle) + 1e-12)
            shares[what].append(-abs(off))
        elif here.upper > 0:
            share = math.log(max(reading.value / here.upper, CLOSED))
            shares[step if what == "width" else what].append(share)
            if reading.dq is not None and what == "width":
                by_line[reading.key].append(share)
    said = {name: min(found) for name, found in shares.items() if name in EYES}
    lines = [min(v) - float(np.median(v)) for v in by_line.values() if len(v) > 1]
    return said | ({"line eye": min(lines)} if lines else {})


def _counts(counts: Iterable[CountRow]) -> Numbers:
    rows = list(counts)
    total = totals_of(rows)
    bits, errors = total["bits"], total["errors"]
    said: Numbers = {}
    if bits:
        said["exposure"] = math.log10(bits)
    if errors is None:
        return said | ({"unknown errors": 1.0} if rows else {})
    said |= {"zero": float(errors == 0), "errors": math.log10(errors + 1)}
    if bits:
        said["rate"] = math.log10((errors + 0.3) / bits)
    rose, fell = total["rose"], total["fell"]
    if rose is not None and fell is not None and rose + fell:
        said["rose"] = rose / (rose + fell)
    for name, key in (("edc each", "edc"), ("cells each", "cells")):
        counted = total[key]
        if counted is not None and errors:
            said[name] = math.log10((counted + 0.3) / errors)
    return said | _count_lines(rows) | _hot(rows)


def _count_lines(rows: Iterable[CountRow]) -> Numbers:
    by_line: dict[int, int] = defaultdict(int)
    for row in rows:
        if row.place.line is not None and row.errors is not None:
            by_line[row.place.line] += row.errors
    total = sum(by_line.values())
    if not total:
        return {}
    wrong = float(sum(n > 0 for n in by_line.values()))
    return {"lines counted": wrong, "top line counted": max(by_line.values()) / total}


def _hot(rows: Iterable[CountRow]) -> Numbers:
    """How much more often the lane errs in the warmest test than in the coldest."""
    by_temp: dict[float, list[int]] = defaultdict(lambda: [0, 0])
    for row in rows:
        if row.temp is not None and row.bits and row.errors is not None:
            by_temp[row.temp][0] += row.errors
            by_temp[row.temp][1] += row.bits
    if len(by_temp) < 2:
        return {}
    cold, hot = by_temp[min(by_temp)], by_temp[max(by_temp)]
    return {"hot": math.log10((hot[0] + 0.3) / hot[1] * cold[1] / (cold[0] + 0.3))}


def _words(tally: LaneTally) -> Numbers:
    wrong = tally.wrong
    total = float(wrong.sum())
    top = int(wrong.argmax())
    if not total:  # rows that say where, not which bits
        return {"words": math.log10(tally.rows + 1), "cells": math.log10(tally.cells + 1)}
    said = {"words": math.log10(tally.rows + 1), "lines": float((wrong > 0).sum())}
    said |= {"top line": float(wrong[top]) / total, "together": _together(tally)}
    rose, fell = float(tally.rose.sum()), float(tally.fell.sum())
    if rose + fell:
        said["words rose"] = rose / (rose + fell)
        said["unlike"] = float(tally.apart[top][np.arange(wrong.size) != top].min()) / wrong[top]
        zeros, ones = tally.zeros[top], tally.ones[top]
        said["stuck"] = max(
            float(tally.rose[top] / zeros) if zeros else 0.0,
            float(tally.fell[top] / ones) if ones else 0.0,
        )
    if tally.edc_ok + tally.edc_bad:
        said["words edc"] = tally.edc_bad / (tally.edc_ok + tally.edc_bad)
    if tally.cells:
        said["cells"] = math.log10(tally.cells)
        said["repeats"] = math.log10(max(1, tally.rows) / tally.cells)
    return said


def _together(tally: LaneTally) -> float:
    """Of the wrong bits of the most often wrong line, the share in which another was wrong too."""
    top = int(tally.wrong.argmax())
    others = np.delete(tally.both[top], top)
    return float(others.max() / max(tally.both[top, top], 1e-12))
