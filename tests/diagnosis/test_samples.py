"""Each sample tells the story beside it.

A `samples/NAME.toml` holds the `story` and one `[[run]]` for each dump of `NAME.dump`, in order:
`cause`, and where they matter `action`, `site`, `channel`, `rank`, `lane`, `dq`, `rail` of the
finding a technician is to read first; `at_fault`, every site that is to be worked on, and no
other; `expected` where that finding was declared by the run; `leave`, sites that must be listed as
disturbed; `exit`, the command's exit status (of the whole paste, so with the last run).
"""

from __future__ import annotations

import sys
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from memdiag.cli import main
from memdiag.diagnosis.judge import judge
from memdiag.model import WANTS_WORK, Action, Cause, Verdict
from memdiag.reading import load

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
NAMES = sorted(path.stem for path in SAMPLES.glob("*.dump"))

KEYS = {
    "cause",
    "action",
    "site",
    "channel",
    "rank",
    "lane",
    "dq",
    "rail",
    "at_fault",
    "expected",
    "leave",
    "exit",
}

Told = dict[str, Any]


def told(name: str) -> list[Told]:
    story = tomllib.loads((SAMPLES / f"{name}.toml").read_text(encoding="utf-8"))
    runs: list[Told] = story["run"]
    return runs


@cache
def verdicts(name: str) -> tuple[Verdict, ...]:
    return tuple(judge(run) for run in load.load(SAMPLES / f"{name}.dump"))


RUNS = [
    pytest.param(name, number, id=f"{name}-{number + 1}")
    for name in NAMES
    for number in range(len(told(name)))
]


def test_the_stories_that_were_asked_for_are_there() -> None:
    boards = {v.run.head.board for name in NAMES for v in verdicts(name)}
    assert {"quince-12", "quince-8"} <= boards
    causes = {run["cause"] for name in NAMES for run in told(name)}
    assert {"clear", "missing", "weak", "joint", "supply"} <= causes
    assert any(len(told(name)) == 4 for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_dump_and_story_belong_together(name: str) -> None:
    assert len(told(name)) == len(verdicts(name))
    for run in told(name):
        assert {"cause", "at_fault"} <= set(run) <= KEYS
    assert "exit" in told(name)[-1]


@pytest.mark.parametrize(("name", "number"), RUNS)
def test_the_answer_is_the_one_told(name: str, number: int) -> None:
    verdict, want = verdicts(name)[number], told(name)[number]
    said = verdict.summary
    assert said.cause == want["cause"], said.text
    if "action" in want:
        assert said.action == want["action"], said.text
    if "site" in want:
        assert said.site == want["site"], said.text
    places = {k: want[k] for k in ("channel", "rank", "lane", "dq", "rail") if k in want}
    if places or "expected" in want:
        first = verdict.findings[0]
        assert {k: getattr(first.place, k) for k in places} == places, first
        assert first.expected is want.get("expected", False), first
    if said.cause is Cause.CLEAR:
        assert not verdict.findings


@pytest.mark.parametrize(("name", "number"), RUNS)
def test_no_other_site_is_to_be_worked_on(name: str, number: int) -> None:
    verdict, want = verdicts(name)[number], told(name)[number]
    worked = {f.place.site for f in verdict.findings if f.action in WANTS_WORK and f.place.site}
    assert worked == set(want["at_fault"])
    left = {f.place.site for f in verdict.findings if f.action is Action.LEAVE}
    assert set(want.get("leave", ())) <= left


@pytest.mark.parametrize("name", NAMES)
def test_the_command_ends_as_told(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["memdiag", "verdict", str(SAMPLES / f"{name}.dump")])
    with pytest.raises(SystemExit) as stop:
        main.main()
    assert stop.value.code == told(name)[-1]["exit"]
    # The answer stands in the first lines: where, what and how sure; then what to do.
    lines = capsys.readouterr().out.splitlines()
    do = next(n for n, line in enumerate(lines) if line.startswith("DO: "))
    want = told(name)[0]
    assert do <= 2
    assert want["cause"].upper() in lines[do - 1]
    assert want.get("site", "") in lines[0]
