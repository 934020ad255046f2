"""A whole repair in one posterior: faults persist, work acts on them, and the runs bear each other
out. The physics of what each kind of work does is common practice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.settings import Settings
from memdiag.diagnosis.settings import Worth as WorthSettings
from memdiag.model import Action, Cause, Run
from memdiag.model.case import Advice, CaseReport
from memdiag.model.problems.cases import KINDS
from memdiag.reading.load import load
from memdiag.repair.case.story import CaseError, case
from tests.support.twodumps import GONE, WEAK, dump

SAMPLES = Path(__file__).resolve().parents[3] / "samples"
OPEN_LANE = {"U6/10/1": {"read": "not-found", "width": None, "errors": 10**11}}
SWAP = {"swapped": "U6>U9 U9>U6"}


def run(over: Mapping[str, Mapping[str, Any]] | None = None, day: int = 1, **head: str) -> Run:
    said = {"id": f"r{day}", "at": f"2031-03-0{day}T09:00:00Z"} | head
    return load(dump(over, head=said))[0]


@cache
def sample(name: str) -> Run:
    return load((SAMPLES / f"{name}.dump").read_text())[0]


def only(report: CaseReport) -> Any:
    (one,) = report.established
    return one


def fault_at(report: CaseReport, site: str) -> float:
    """The probability that something is wrong at a site now."""
    return max(
        (f.place_probability for f in report.verdict.findings if f.place.site == site), default=0.0
    )


# --- one run ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["missing-package", "weak-package", "healthy", "low-rail"])
def test_a_case_of_one_run_is_its_verdict(name: str) -> None:
    alone, report = judge(sample(name)), case([sample(name)])
    assert report.release.allowed is alone.released
    assert [(f.place, f.cause) for f in report.verdict.findings] == [
        (f.place, f.cause) for f in alone.findings
    ]
    for mine, theirs in zip(report.verdict.findings, alone.findings, strict=True):
        assert mine.probability == pytest.approx(theirs.probability, abs=5e-3)


# --- what the work does -------------------------------------------------------------------------


def test_a_package_off_and_a_new_one_on_is_one_story() -> None:
    names = ("missing-package", "bare-boot", "after-swap")
    report = case([sample(name) for name in names])
    assert only(report).finding.cause is Cause.MISSING and only(report).finding.place.site == "U6"
    assert only(report).cured_by == 2 and only(report).since == 0
    assert [[d.action for d in step.did] for step in report.steps] == [
        [],
        ["removed"],
        ["replaced"],
    ]
    assert report.release.allowed and report.summary.cause is Cause.CLEAR
    assert all(step.suspects[0].probability > 0.9 for step in report.steps)


def test_a_fault_that_moves_with_the_package_is_in_the_package() -> None:
    report = case([run({"U6": WEAK}), run({"U9": WEAK}, 2, **SWAP)])
    assert report.summary.site == "U9" and report.summary.cause is Cause.WEAK
    assert "followed the package from U6 to U9" in only(report).says
    assert not report.release.allowed
    # Alone the first run leaves more open than with the second.
    assert report.steps[1].suspects[0].probability >= report.steps[0].suspects[0].probability


def test_a_fault_that_stays_with_the_site_is_not_in_the_package() -> None:
    report = case([run({"U6": WEAK}), run({"U6": WEAK}, 2, replaced="U6")])
    # Of the package that was taken off and of the new one: they would have to be so together.
    weak = [
        max(s.probability for s in step.suspects if s.cause is Cause.WEAK) for step in report.steps
    ]
    assert weak[0] > 0.8 and weak[1] < 0.2
    assert fault_at(report, "U6") > 0.9
    assert not any(f.action.value == "replace" for f in report.verdict.findings)


def test_a_lane_that_a_reflow_wakes_was_a_joint_and_may_open_again() -> None:
    report = case([run(OPEN_LANE), run({}, 2, reflowed="U6")])
    assert only(report).finding.cause is Cause.JOINT and only(report).cured_by == 1
    assert "only reflowed" in only(report).says


def test_a_joint_that_opens_again_came_back() -> None:
    report = case([run(OPEN_LANE), run({}, 2, reflowed="U6"), run(OPEN_LANE, 3)])
    assert fault_at(report, "U6") > 0.9 and not report.release.allowed
    assert any("came back" in e.says for e in report.established)


def test_work_that_no_head_tells_of_is_thought_of() -> None:
    report = case([run({"U6": GONE}), run({}, 2)])
    assert only(report).cured_by == 1 and "no head tells" in only(report).says
    assert report.summary.cause is Cause.CLEAR


def test_a_second_fault_shows_once_the_first_is_gone() -> None:
    both = {"U6": GONE, "U2": {"width": 0.2, "errors": 900}}
    report = case([run(both), run({"U2": both["U2"]}, 2, replaced="U6")])
    cured = {e.finding.place.site: e.cured_by for e in report.established}
    assert cured["U6"] == 1 and cured["U2"] is None
    assert not report.release.allowed and report.summary.site == "U2"


def test_a_swap_that_says_half_takes_what_sits_there_as_new() -> None:
    report = case([run({"U6": WEAK}), run({"U9": WEAK}, 2, swapped="U6>U9")])
    assert "case-swap" in [p.code for p in report.problems]
    assert report.summary.site == "U9"


def test_a_case_that_holds_the_board_never_says_clear() -> None:
    """Enough for a board of which nothing is known is not enough for one that had a fault: the
    earlier rate is not excluded by so few bits."""
    sick = {"U6": {"width": 0.3, "errors": 900}}
    short = {site: {"bits": 10**8} for site in (f"U{n}" for n in range(1, 13))}
    report = case([run(sick), run(short, 2, replaced="U6")])
    assert not report.release.allowed
    assert report.summary.cause is not Cause.CLEAR and report.release.because


# --- ohms -----------------------------------------------------------------------------------------


def _with_rail(ohms: str, trend: str, day: int, **head: str) -> Run:
    rails = f"[rails]\nrail ohms trend\nVDD_MEM_A {ohms} {trend}\n"
    lines = "".join(
        f"{k}  {v}\n" for k, v in {"board": "quince-12", "id": f"r{day}", **head}.items()
    )
    at = f"at  2031-03-0{day}T09:00:00Z\n"
    return load(f"bench-dump 1\n[run]\n{lines}{at}{rails}[end] 1\n")[0]


def test_a_rail_that_comes_back_with_a_package_off_convicts_the_package() -> None:
    """Kirchhoff: conductances add, so what was 3 ohm and is 112 ohm without U4 had U4 at
    1/(1/3 - 1/112) = 3.08 ohm."""
    report = case([_with_rail("3", "settled", 1), _with_rail("112", "settled", 2, removed="U4")])
    assert report.steps[1].suspects[0].place.site == "U4"
    assert report.steps[1].suspects[0].probability > 0.75


def test_a_rail_that_stays_low_clears_the_package_that_came_off() -> None:
    report = case([_with_rail("3", "settled", 1), _with_rail("3", "settled", 2, removed="U4")])
    by_site = {s.place.site: s.probability for s in report.steps[1].suspects}
    others = [p for site, p in by_site.items() if site in {"U1", "U2", "U3", "U5", "U6"}]
    assert by_site.get("U4", 0.0) < 0.05 < min(others)


def test_a_rail_that_comes_back_with_a_part_off_convicts_the_part() -> None:
    rail = "VDD_CORE"  # it feeds no memory: 0.9 ohm is healthy
    runs = []
    for day, (ohms, head) in enumerate((("0.05", ""), ("0.9", "removed  part:D12\n")), start=1):
        text = f"bench-dump 1\n[run]\nboard  quince-12\nid  r{day}\n{head}"
        rows = f"[rails]\nrail ohms trend\n{rail} {ohms} settled\n[end] 1\n"
        runs += load(text + rows)
    report = case(runs)
    assert [d.sites for d in report.steps[1].did] == [("part:D12",)]
    assert only(report).finding.cause is Cause.SUPPLY and only(report).finding.place.rail == rail
    assert only(report).cured_by == 1 and "D12" in only(report).says


# --- which runs -----------------------------------------------------------------------------------


def test_two_boards_are_no_case() -> None:
    with pytest.raises(CaseError) as refused:
        case([run({"U6": GONE}), run({}, 2, serial="Q-00999")])
    assert "serial" in refused.value.problems[0].message


def test_no_run_is_no_case() -> None:
    with pytest.raises(CaseError, match="no run"):
        case([])


def test_runs_are_taken_by_their_dates_unless_told_not_to() -> None:
    early, late = run({"U6": GONE}), run({}, 2, replaced="U6")
    report = case([late, early])
    assert "case-order" in [p.code for p in report.problems] and report.release.allowed
    assert not case([late, early], any_order=True).release.allowed


def test_a_run_given_twice_counts_once() -> None:
    first = run({"U6": GONE})
    report = case([first, run({}, 2, replaced="U6"), first])
    assert len(report.steps) == 2 and "case-twice" in [p.code for p in report.problems]


@pytest.mark.parametrize("code", sorted(KINDS))
def test_every_problem_can_still_occur(code: str) -> None:
    assert KINDS[code].provoked_by
    for text in KINDS[code].provoked_by:
        try:
            problems = case(load(text) if text else []).problems
        except CaseError as refused:
            problems = refused.problems
        assert code in [p.code for p in problems], text


# --- is it worth going on? ------------------------------------------------------------------------


def test_worth_is_the_chance_times_the_value_less_the_cost() -> None:
    dear, cheap = (Settings(worth=WorthSettings(board=value)) for value in (5000.0, 20.0))
    rich, poor = (case([run({"U6": GONE})], settings=s).steps[0].worth for s in (dear, cheap))
    assert rich.advice is Advice.GO_ON and poor.advice is Advice.STOP
    assert rich.chance == poor.chance and rich.cost == poor.cost
    assert rich.hangs_on and "U6" in rich.hangs_on[0]


@settings(max_examples=8, deadline=None)
@given(sites=st.lists(st.sampled_from(["U2", "U6", "U9", "U11"]), max_size=2, unique=True))
def test_more_faults_never_raise_the_chance(sites: list[str]) -> None:
    chances = [
        case([run(dict.fromkeys(sites[:n], GONE))]).steps[0].worth.chance
        for n in range(len(sites) + 1)
    ]
    assert chances == sorted(chances, reverse=True)


@pytest.mark.long
@settings(max_examples=6, deadline=None)
@given(order=st.permutations(["U2", "U6", "U9"]))
def test_suspects_are_the_same_at_every_step(order: list[str]) -> None:
    left = list(order)
    runs = []
    for day in range(1, 4):
        head = {} if day == 1 else {"replaced": order[day - 2]}
        runs.append(run(dict.fromkeys(left[day - 1 :], GONE), day, **head))
    report = case(runs)
    places = [[(s.place, s.cause) for s in step.suspects] for step in report.steps]
    assert places[0] == places[1] == places[2]
    names = [s.name for s in report.steps[-1].suspects]
    assert len(set(names)) == len(names)
    assert {e.finding.place.site: e.cured_by for e in report.established} == {
        order[0]: 1,
        order[1]: 2,
        order[2]: None,
    }


def test_old_and_new_joints_of_a_site_are_two_suspects() -> None:
    """What stays with another package is of the site or came with the work: the names tell."""
    report = case([run({"U6": GONE}), run({"U6": GONE}, 2, replaced="U6")])
    names = [s.name for s in report.steps[-1].suspects]
    assert len(set(names)) == len(names)
    assert any(name.startswith("U6") and name.endswith(" of run 2") for name in names)


def test_a_site_that_stays_silent_whatever_package_sits_there_is_not_driven() -> None:
    """Common practice, no source: silent with a second package, the solder is asked first; silent
    with a third, and after heat, nobody fits a fourth."""
    first, second = run({"U6": GONE}), run({"U6": GONE}, 2, replaced="U6")
    heated = run({"U6": GONE}, 3, replaced="U6", reflowed="U6")
    off, third = run({"U6": GONE}, 4, removed="U6"), run({"U6": GONE}, 5)

    def undriven(*runs: Run) -> float:
        suspects = case(runs).steps[-1].suspects
        return max((s.probability for s in suspects if s.cause is Cause.CONTROLLER), default=0.0)

    chances = [undriven(*[first, second, heated, off, third][:n]) for n in (1, 2, 3, 5)]
    assert chances == sorted(chances) and chances[0] < 0.1 < chances[1] < 0.5 < chances[3]
    last = case([first, second, heated, off, third])
    top = last.steps[-1].verdict.findings[0]
    assert (top.cause, top.action) == (Cause.CONTROLLER, Action.STOP)
    assert case([first, second]).steps[-1].verdict.findings[0].action is not Action.REPLACE


def test_a_silent_package_that_heat_wakes_was_not_soldered_down() -> None:
    found = case([run({"U6": GONE}), run({}, 2, reflowed="U6")])
    assert found.established[0].finding.cause is Cause.MISSING
    assert found.established[0].cured_by == 1
