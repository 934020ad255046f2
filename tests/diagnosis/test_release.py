"""A board leaves only on a dump in which nothing that must be known is missing, and nothing speaks
against it: sound dumps with one damage are not released, whatever the damage."""

from __future__ import annotations

import io
import random
import re
import sys
from collections.abc import Iterator
from functools import cache

import pytest

from memdiag.boards import profiles
from memdiag.cli import main
from memdiag.diagnosis.judge import judge
from memdiag.model import Board
from memdiag.model.comparison import Outcome
from memdiag.reading.load import load
from tests.simulator.damage import KINDS, Damaged, damage
from tests.simulator.damaging import Weight
from tests.support import twodumps
from tests.support.twodumps import ROOT

SOUND = {
    "two packages": ("quince-2", twodumps.dump(name="quince-2")),
    "two packages, a bare end": (
        "quince-2",
        re.sub(r"\[end\] \d+", "[end]", twodumps.dump(name="quince-2")),
    ),
    **{
        name: (board, (ROOT / "samples" / f"{name}.dump").read_text(encoding="utf-8"))
        for name, board in (("healthy", "quince-12"), ("ddr4-healthy", "quince-8"))
    },
}
"""Complete dumps of boards that work, and their profiles."""

DRAWS = {"two packages": 3, "two packages, a bare end": 2, "healthy": 1, "ddr4-healthy": 1}


@cache
def profile(name: str) -> Board:
    return profiles.read(ROOT / "samples" / "boards" / f"{name}.toml")


def drawn(kind: str, weight: Weight) -> Iterator[Damaged]:
    """Damages of a kind to every sound dump, of those that weigh so much."""
    for name, (board, text) in SOUND.items():
        for number in range(DRAWS[name]):
            rng = random.Random(f"{kind}/{name}/{number}")
            hurt = damage(text, rng, profile(board), [kind])
            if hurt is not None and hurt.weight is weight:
                yield hurt


def kinds(weight: Weight) -> list[str]:
    return [kind for kind in KINDS if any(True for _ in drawn(kind, weight))]


def typed(
    text: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """`memdiag verdict` of a paste: exit status, what it answers, what it says of the paste."""
    monkeypatch.setattr(sys, "argv", ["memdiag", "verdict"])
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode())))
    with pytest.raises(SystemExit) as stop:
        main.main()
    out, err = capsys.readouterr()
    assert isinstance(stop.value.code, int | None)
    return stop.value.code or 0, out, err


def names(said: str, hurt: Damaged) -> bool:
    """Whether a text names one of the lines or one of the packages in the way."""
    numbers = {int(n) for run in re.findall(r"lines? ([\d, and]+)", said) for n in _numbers(run)}
    words = set(re.findall(r"\w+", said.lower()))
    return bool(numbers & set(hurt.lines) or words & set(hurt.sites))


def _numbers(text: str) -> list[str]:
    return re.findall(r"\d+", text)


@pytest.mark.parametrize("name", SOUND)
def test_a_whole_dump_of_a_sound_board_is_released(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = typed(SOUND[name][1], monkeypatch, capsys)
    assert status == 0 and "CLEAR" in out.splitlines()[0]


@pytest.mark.parametrize("kind", kinds(Weight.FORBIDS))
def test_a_damage_that_forbids_it_holds_the_board_and_is_named(
    kind: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for hurt in drawn(kind, Weight.FORBIDS):
        status, out, err = typed(hurt.text, monkeypatch, capsys)
        answer = out.partition("\n\n")[0]
        assert status != 0, f"{hurt.notice} (lines {hurt.lines[:3]}), and yet:\n{answer}"
        assert "CLEAR" not in answer.split("\n")[0]
        assert names(answer + err, hurt), f"{hurt.notice} is not named in:\n{answer}\n{err}"


@pytest.mark.parametrize("kind", kinds(Weight.FORBIDS))
def test_no_page_or_document_releases_it_either(kind: str) -> None:
    hurt = next(drawn(kind, Weight.FORBIDS))
    (run,) = load(hurt.text)
    assert not judge(run).released


@pytest.mark.parametrize("kind", kinds(Weight.HARMLESS))
def test_a_damage_that_takes_nothing_away_holds_no_board(kind: str) -> None:
    for hurt in drawn(kind, Weight.HARMLESS):
        (run,) = load(hurt.text)
        verdict = judge(run)
        assert verdict.released, f"{hurt.notice}: {verdict.summary.text}"


GONE = twodumps.before({"U2": twodumps.GONE}, name="quince-2")
FITTED = twodumps.after(name="quince-2")


def test_a_package_gone_and_fitted_is_a_repair() -> None:
    assert twodumps.compared(GONE, FITTED).outcome is Outcome.REPAIRED


@pytest.mark.parametrize("kind", kinds(Weight.FORBIDS))
def test_no_repair_is_proven_by_a_dump_that_is_not_whole(kind: str) -> None:
    board = profile("quince-2")
    for number in range(2):
        hurt = damage(FITTED, random.Random(f"{kind}/{number}"), board, [kind])
        if hurt is not None and hurt.forbids:
            made = twodumps.compared(GONE, hurt.text)
            assert made.outcome is not Outcome.REPAIRED, hurt.notice
