"""What must hold for any input whatever: used by the property tests and by the fuzzing."""

from __future__ import annotations

from itertools import pairwise

from memdiag.model import Row, Run
from memdiag.reading import load
from memdiag.reading.account import LineClass


def rows_of(run: Run) -> list[Row]:
    """The rows of a run without error words, in the order of their lines."""
    found: list[Row] = [*run.training, *run.counts, *run.rails, *run.heat, *run.values]
    return sorted(found, key=lambda row: row.position.line)


def accounted(data: bytes) -> None:
    """Nothing raises but Unreadable, with a reason; no line vanishes; no row is unsaid."""
    try:
        found = load.examine(data)
    except load.Unreadable as none:
        assert none.problems
        for p in none.problems:
            p.sentence().encode()
        return
    numbers = [number for number, _ in found.account.lines()]
    assert sorted(set(numbers)) == list(range(1, len(found.cleaned.pasted) + 1))
    assert numbers == sorted(numbers)
    for run in found.runs:
        kept = len(rows_of(run)) + (0 if run.errors is None else run.errors.total)
        again = any(p.code == "rows-repeated" for p in run.problems)
        assert run.source.rows > kept if again else run.source.rows == kept
        # All that is printed is understood, or said to be lost.
        assert run.source.lost <= run.source.printed
        assert run.source.rows <= run.source.printed <= run.source.rows + run.source.lost
        assert bool(run.lost) == bool(run.source.lost)
    places = {p.position.line for run in found.runs for p in run.problems if p.position}
    for number, line_class in found.account.lines():
        if line_class is LineClass.PROBLEM and number not in places:
            assert any(
                p.code in ("rows-unreadable", "bad-columns", "more-alike")
                for run in found.runs
                for p in run.problems
            )
    spans = [(run.source.first_line, run.source.last_line) for run in found.runs]
    assert all(before[1] <= after[0] for before, after in pairwise(spans))
    for run in load.load(data):
        for p in run.problems:
            p.sentence().encode()
        for row in rows_of(run):
            assert run.quote(row.position.line)
