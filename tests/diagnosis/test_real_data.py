"""Verdicts on real measurements that nobody here made.

The environment variable MEMDIAG_OPEN_DATA names their folder; without it these checks are skipped,
and where CI is set it is required. Its README says what the dumps hold and how they are to be read:

- `ddr3_timing/`: modules under shortened timings (CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017), each
  dump the complete list of wrong bits; one package weak in the array, or none.
- `training_logs/`: ten training logs of open boards.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.model import Action, Cause, Verdict
from memdiag.reading.load import load

_SAID = os.environ.get("MEMDIAG_OPEN_DATA", "")
DATA = Path(_SAID)
THERE = bool(_SAID) and (DATA / "ddr3_timing").is_dir() and (DATA / "training_logs").is_dir()
pytestmark = pytest.mark.skipif(
    not THERE and os.environ.get("CI") != "true",
    reason="MEMDIAG_OPEN_DATA names no folder with ddr3_timing/ and training_logs/",
)

HEAT = (Action.REPLACE, Action.REFLOW)


@cache
def verdict(folder: str, name: str, profile: str) -> Verdict:
    assert THERE, "MEMDIAG_OPEN_DATA names no folder with the open measurement data"
    board = profiles.read(DATA / folder / f"{name}{profile}")
    (run,) = load((DATA / folder / f"{name}.dump").read_text(encoding="utf-8"), board=board)
    return judge(run, board)


def module(name: str) -> Verdict:
    return verdict("ddr3_timing", f"diva-{name}", ".board.toml")


def log(name: str) -> Verdict:
    return verdict("training_logs", f"log-{name}", ".toml")


def heated(found: Verdict) -> set[str | None]:
    return {f.place.site for f in found.findings if f.action in HEAT}


WEAK = [("a04", "U3"), ("b11-5155", "U1"), ("a18-5144", "U5")]


@pytest.mark.parametrize(("name", "site"), WEAK)
def test_the_package_with_the_wrong_bits_is_the_place_and_it_is_weak(name: str, site: str) -> None:
    top = module(name).findings[0]
    assert top.place.site == site and top.place_probability > 0.9
    assert top.cause is Cause.WEAK


@pytest.mark.parametrize(("name", "site"), WEAK)
def test_no_other_package_is_heated(name: str, site: str) -> None:
    assert heated(module(name)) <= {site}


def test_a_few_stray_words_on_four_packages_heat_nothing() -> None:
    """One to three stray words in about 1e9 bits are ordinary: 44 of 600 packages have them."""
    assert not heated(module("c03-5155"))


@pytest.mark.parametrize("name", ["02", "39", "69"])
def test_healthy_and_whole_logs_want_no_steel(name: str) -> None:
    found = log(name)
    assert not [f for f in found.findings if f.action not in (Action.NONE, Action.LEAVE)]
    assert found.summary.cause is Cause.CLEAR


@pytest.mark.parametrize("name", ["16", "19"])
def test_healthy_logs_that_were_cut_are_not_released(name: str) -> None:
    """The paste stops before the scan of the last lane is done."""
    found = log(name)
    assert found.summary.cause is not Cause.CLEAR
    assert found.summary.action is Action.RETEST
    assert not found.findings


@pytest.mark.parametrize("name", ["30", "78", "11"])
def test_failing_counters_and_eyes_of_two_columns_are_not_clear(name: str) -> None:
    assert log(name).summary.cause is not Cause.CLEAR


@pytest.mark.parametrize("name", ["02", "11", "16", "19", "24", "30", "33", "39", "69", "78"])
def test_nothing_in_the_logs_justifies_heat(name: str) -> None:
    assert not heated(log(name))
    assert log(name).summary.action not in HEAT
