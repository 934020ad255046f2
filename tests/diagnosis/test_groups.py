"""Sites that share what nobody has a name for: without a profile."""

from __future__ import annotations

import pytest

from memdiag.diagnosis.faults import locations
from memdiag.diagnosis.judge import judge
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.nodes import Node, by_state
from memdiag.model import Action, Board, Cause, Link, Site, Verdict
from memdiag.reading.load import load


def _six(gone: tuple[str, ...], odd: str, order: tuple[int, ...]) -> Verdict:
    """Six packages of two channels, no profile: some answer nothing, one is narrow in each step."""
    rows = ["bench-dump 1", "[run]", "memory gddr6", "stage intake", "[training]"]
    rows.append("site ch lane step result width")
    for k in order:
        site = f"U{k}"
        for ch in (2 * k, 2 * k + 1):
            for lane in (0, 1):
                for step in ("ca", "wck", "read", "write"):
                    eye = "0.22UI" if site == odd else f"0.5{(k + lane) % 3}UI"
                    said = f"pass {eye if step in ('read', 'write') else '-'}"
                    if site in gone:
                        said = "fail -" if step == "ca" else "not-found -"
                    rows.append(f"{site} {ch} {lane} {step} {said}")
    (run,) = load("\n".join([*rows, "[end]"]))
    return judge(run)


@pytest.mark.parametrize("order", [(1, 2, 3, 4, 5, 6), (4, 5, 6, 1, 2, 3)])
def test_three_in_a_row_that_fail_alike_are_not_three_packages(order: tuple[int, ...]) -> None:
    """What fails in three packages in a row alike is what they share, a rail or a block, and not
    three packages (common practice, no source), though another one is narrow and the dump names
    them in another order. None of them is replaced for it."""
    v = _six(("U4", "U5", "U6"), "U1", order)
    (shared,) = [f for f in v.findings if f.place.group is not None]
    assert shared.place.group == ("U4", "U5", "U6")
    assert shared.cause in (Cause.SUPPLY, Cause.CONTROLLER, Cause.UNDECIDED)
    replaced = {f.place.site for f in v.findings if f.action is Action.REPLACE}
    assert replaced <= {"U1"}


def test_one_that_fails_is_one_package() -> None:
    v = _six(("U5",), "U1", (1, 2, 3, 4, 5, 6))
    assert {f.place.site for f in v.findings if f.action is not Action.LEAVE} == {"U1", "U5"}


def test_two_far_apart_that_fail_unlike_are_two_packages() -> None:
    """Any two packages are some step apart, so that is no sign of what they share: one silent and
    one narrow, three sites from each other, are two faults, and hardly a block or a rail."""
    v = _six(("U5",), "U2", (1, 2, 3, 4, 5, 6))
    wanted = [f for f in v.findings if f.action is not Action.LEAVE]
    assert {f.place.site for f in wanted} == {"U2", "U5"}
    for f in wanted:
        shared = sum(p for c, p in f.alternatives if c in (Cause.CONTROLLER, Cause.SUPPLY))
        assert shared < 0.05


@pytest.mark.parametrize(("sick", "row"), [((1, 4), False), ((1, 2), True), ((0, 2, 4), True)])
def test_two_packages_are_a_row_only_side_by_side(sick: tuple[int, ...], row: bool) -> None:
    board = Board("six", sites=tuple(Site(f"U{k}", (Link(k, 0, 0),)) for k in range(6)))
    nodes = []
    for k in sick:
        node = Node("place", (f"U{k}",))
        node.add(by_state({"dead": 0.0}, grades=-9.0))
        nodes.append(node)
    (found,) = locations.unknown_group(board, Evidence(nodes))
    assert found.sites == {f"U{k}" for k in sick}
    assert (found.share > 0.05) == row
