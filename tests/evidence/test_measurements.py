"""A run is grouped by place once: one verdict settles each step of each link once."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.evidence import measurements
from memdiag.evidence.measurements import measure
from memdiag.model import Place, Result, Run
from memdiag.reading.load import load
from memdiag.repair.comparison import compare

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


def sample(name: str) -> Run:
    (run,) = load(SAMPLES / f"{name}.dump")
    return run


@pytest.fixture
def settled(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often steps of a link were settled, and rows given their place."""
    calls: Counter[str] = Counter()
    for name in ("settle", "settle_steps"):
        known = getattr(measurements, name)

        def counted(*given: object, name: str = name, known: object = known) -> object:
            calls[name] += 1
            return known(*given)  # type: ignore[operator]

        monkeypatch.setattr(measurements, name, counted)
    return calls


def test_a_verdict_settles_each_step_of_each_link_once(settled: Counter[str]) -> None:
    run = sample("missing-package")
    links = {m.place for m in measure(run, profiles.for_run(run)[0])}
    places = {row.place for row in (*run.training, *run.counts)}
    settled.clear()
    judge(run)
    assert settled["settle_steps"] == len(links)
    assert settled["settle"] == len(places)  # not once a row: the dump has hundreds


def test_a_comparison_settles_each_step_of_each_link_of_both_runs_once(
    settled: Counter[str],
) -> None:
    before, after = sample("missing-package"), sample("after-swap")
    links = sum(len(measure(run, profiles.for_run(run)[0]).groups) for run in (before, after))
    settled.clear()
    compare(before, after)
    assert settled["settle_steps"] == links


def test_rows_that_name_less_meet_at_the_link_they_can_only_mean() -> None:
    text = (
        "bench-dump 1\n[run]\nboard quince-12\n[training]\nsite ch lane step result\n"
        "- 4 1 read pass\n[counts]\nsite ch lane bits errors\nU3 4 1 1000 0\n[end] 2\n"
    )
    (run,) = load(text)
    (group,) = measure(run, profiles.for_run(run)[0])
    assert group.place == Place("U3", 4, 0, 1)
    assert group.results == {"read": Result.PASS} and group.totals["bits"] == 1000


def test_the_last_attempt_counts_and_of_its_candidates_the_best() -> None:
    text = (
        "bench-dump 1\n[training]\nsite ch lane attempt step candidate result\n"
        "U1 0 0 1 read 0 pass\nU1 0 0 2 read 0 not-found\nU1 0 0 2 read 1 marginal\n"
        "U1 0 0 3 write 0 not-run\nU1 0 0 2 write 0 fail\n[end] 5\n"
    )
    (run,) = load(text)
    (group,) = measure(run, profiles.for_run(run)[0])
    assert [(o.step, o.last, o.ran, o.line) for o in group.steps] == [
        ("read", Result.MARGINAL, Result.MARGINAL, 6),
        ("write", Result.NOT_RUN, Result.FAIL, 8),
    ]
