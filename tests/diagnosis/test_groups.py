"""Sites that share what nobody has a name for: without a profile."""

from __future__ import annotations

import pytest

from memdiag.diagnosis.judge import judge
from memdiag.model import Action, Cause, Verdict
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
