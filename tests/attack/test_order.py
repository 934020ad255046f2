"""The order of the rows of a table says nothing: a rig may print them as it likes."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from memdiag.diagnosis.judge import judge
from memdiag.model import Run, Verdict
from memdiag.reading import load
from memdiag.resources import shipped

SAMPLES = [
    p for p in sorted(shipped("samples").glob("*.dump")) if p.read_text().count("[run]") == 1
]


def shuffled(text: str, rng: random.Random) -> str:
    """The rows of each table in another order; its header stays where it is."""
    made: list[str] = []
    for section in text.split("\n["):
        lines = section.splitlines()
        keeps = not made or lines[0].startswith(("run", "end"))
        names = next((i for i, line in enumerate(lines[1:], 1) if line and line[0] != "#"), 0)
        rows = [] if keeps else lines[names + 1 :]
        rng.shuffle(rows)
        made.append("\n".join(lines if keeps else [*lines[: names + 1], *rows]))
    return "\n[".join(made) + "\n"


def judged(text: str) -> Verdict:
    run: Run
    (run,) = load.load(text)
    return judge(run)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_shuffled_rows_give_the_same_verdict(path: Path) -> None:
    text = path.read_text()
    told = judged(text)
    other = judged(shuffled(text, random.Random(path.stem)))
    assert [(f.place, f.cause, f.action) for f in other.findings] == [
        (f.place, f.cause, f.action) for f in told.findings
    ]
    for one, two in zip(told.findings, other.findings, strict=True):
        assert two.probability == pytest.approx(one.probability, abs=1e-9)
        assert two.place_probability == pytest.approx(one.place_probability, abs=1e-9)


def test_a_text_is_no_list_of_sites() -> None:
    """To Python it is a list of letters: `removed="U6"` would be the sites U and 6."""
    text = SAMPLES[0].read_text()
    with pytest.raises(TypeError, match="list of sites"):
        load.load(text, removed="U6")
    (run,) = load.load(text, removed=["U6", "part:D12"])
    assert "U6" in (run.head.removed or ()) and run.head.removed_parts == ("D12",)
