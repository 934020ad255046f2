"""What may come in each state, and when rows are read in columns."""

from __future__ import annotations

import pytest

from memdiag.layouts import registry
from memdiag.reading.planner import Planner, State

NOTHING_OPEN = State()
HEAD = State(True, "run")
ERRORS = State(True, "errors")
UNDER_COLUMNS = State(True, "errors", ("address", "mask"))
UNKNOWN = State(True, None)


@pytest.mark.parametrize(
    ("state", "come", "come_not"),
    [
        (NOTHING_OPEN, {"head", "section", "end"}, {"row", "columns", "run_line"}),
        (HEAD, {"run_line", "section"}, {"row", "columns"}),
        (ERRORS, {"columns"}, {"row", "run_line"}),
        (UNDER_COLUMNS, {"row", "end"}, {"columns", "run_line"}),
        (UNKNOWN, {"head", "section", "end"}, {"row", "columns", "run_line"}),
    ],
)
def test_which_lines_may_come(state: State, come: set[str], come_not: set[str]) -> None:
    rules = Planner(registry.find("bench"), large=False).rules(state)
    assert come <= rules
    assert not come_not & rules


def test_columns_are_tried_in_large_texts_under_columns_alone() -> None:
    bench = registry.find("bench")
    assert Planner(bench, large=False).row_plans(UNDER_COLUMNS) is None
    planner = Planner(bench, large=True)
    assert planner.row_plans(UNDER_COLUMNS) is planner.row_plans(UNDER_COLUMNS) is not None
    for state in (
        NOTHING_OPEN,
        HEAD,
        ERRORS,
        UNKNOWN,
        UNDER_COLUMNS._replace(opened=False),
        UNDER_COLUMNS._replace(blocked=True),
        State(True, "training", ("step", "result")),
    ):
        assert planner.row_plans(state) is None, state


def test_columns_that_bring_little_are_left_alone_for_longer_each_time() -> None:
    planner = Planner(registry.find("bench"), large=True)
    text = b"U1\n" * 10_000
    lines = []
    for _ in range(8):
        planner.pace.after_columns(3, to_the_end=False)
        assert planner.row_plans(UNDER_COLUMNS) is None
        lines.append(planner.pace.lines_end(text, 0))
        planner.pace.after_lines()
        assert planner.row_plans(UNDER_COLUMNS) is not None
    assert lines == sorted(lines) and lines[0] < lines[-1]
    before = planner.pace.window_end(text, 0)
    planner.pace.after_columns(5_000, to_the_end=True)
    assert planner.row_plans(UNDER_COLUMNS) is not None
    assert planner.pace.window_end(text * 9, 0) > before
