"""Memory of a judgement on boards far larger than any bench sees: an input may claim any size.

Peak resident memory of a process that does nothing else (`resource`), the interpreter and the
libraries included. What once was held for every pair of sites and states took gigabytes.
"""

from __future__ import annotations

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis import hypotheses, search
from memdiag.diagnosis.settings import Settings
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.reading.load import load
from tests.benchmarks.bench_inference import dump_text
from tests.support.large import board_text, judged_apart
from tests.support.marks import lengthy


@pytest.mark.parametrize(("sites", "most_mb"), [(64, 250), (256, 400), lengthy(1024, 1000)])
def test_memory_grows_with_what_is_said(sites: int, most_mb: int) -> None:
    found = judged_apart(sites)
    assert found["peak_mb"] < most_mb
    assert not found["clear"], "a step fails, and most of the board was not heard"
    assert 0 <= found["left_out"] < 0.01


@pytest.mark.parametrize("sites", [12, 48])
def test_few_sets_are_tried_where_three_faults_say_it_all(
    sites: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A package that is silent, one with narrow eyes and an open line, the rest of the board well:
    what is tried does not grow with the board, and what was not tried holds next to nothing."""
    board, _ = profiles.examine(board_text(sites))
    assert board is not None
    (run,) = load(dump_text(sites), board=board)
    model = hypotheses.build(run, board, gather(measure(run, board)), Settings()).model
    tried = []
    inside = search._Search._more

    def counted(self: search._Search, members: tuple[int, ...]) -> object:
        tried.append(members)
        return inside(self, members)

    monkeypatch.setattr(search._Search, "_more", counted)
    assert search.infer(model).left_out < 0.01
    assert len(tried) < 50
