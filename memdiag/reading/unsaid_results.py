"""Training rows that say nothing of how good a place is: the layout that reads them lacks a result.

A window speaks for itself: where no tap of it works, no setting was found. Widths and heights are
held against those of other lanes. A delay says where a lane was set, and nothing else: rigs print
it of steps that passed and of steps that failed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from memdiag.layouts import line_rules
from memdiag.layouts.registry import Layout
from memdiag.model import Run, TrainingRow
from memdiag.model.problems import Problem, problem

_SHOWS = ("result", "window", "width", "height")
_TELLS = frozenset({*_SHOWS, line_rules.TAP})


def of_layout(layout: Layout) -> Iterator[Problem]:
    """Whether no training row of a layout can say how its step ended, or how wide an eye is."""
    rows = layout.carried.get("training_row")
    if rows is None:
        return
    said = {each.partition("=")[0] for each in (*rows, *layout.carried.get("context", ()))}
    if not said & _TELLS:
        yield problem("layout-no-result", layout=layout.name)


def of_runs(runs: Iterable[Run]) -> Iterator[Problem]:
    """The steps of a text of which no row says how it ended, or how wide an eye is."""
    by_step: dict[str, list[TrainingRow]] = {}
    for run in runs:
        for row in run.training:
            by_step.setdefault(row.step, []).append(row)
    for step, rows in by_step.items():
        if all(getattr(row, name) is None for row in rows for name in _SHOWS):
            n = f"{len(rows)} row{'s' * (len(rows) > 1)}"
            yield problem("step-no-result", rows[0].position, rows=n, step=step)
