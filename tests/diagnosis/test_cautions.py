"""Cautions go with the work that is asked for, whatever words ask for it."""

from __future__ import annotations

import pytest

from memdiag.boards import profiles
from memdiag.diagnosis import cautions
from memdiag.model import Action, Cause, Finding, Place, Quote, Work
from tests.support import rails


def finding(action: Action, *asks: Work) -> Finding:
    place = Place(site="U3")
    proof = (Quote(12, "read: fail"),)
    return Finding(
        place, Cause.WEAK, 1.0, (), None, action, "", evidence=proof, asks=frozenset(asks)
    )


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        (finding(Action.LEAVE), None),
        (finding(Action.RETEST, Work.OHMS), cautions.OHMS),
        (finding(Action.RETEST, Work.INJECTION), cautions.INJECT),
        (finding(Action.CHECK_SUPPLY), cautions.INJECT),
        (finding(Action.REFLOW), cautions.HEAT),
    ],
)
def test_work_that_can_hurt_has_its_caution(asked: Finding, given: str | None) -> None:
    board = profiles.find("quince-12")
    assert board is not None
    texts = cautions.for_findings([asked], board)
    if given is None:
        assert texts == ()
    else:
        assert any(t.startswith(given) for t in texts) and texts[-1] == cautions.QUALIFIED


def test_a_rail_is_fed_with_the_caution_of_it() -> None:
    board = profiles.find("quince-12")
    assert board is not None
    verdict = rails.check(["VDD_MEM_A=18"], board, after=["VDD_MEM_A=117"], off=["U3"]).verdict
    assert any("feed VDD_MEM_A" in step for f in verdict.findings for step in f.next)
    assert any(text.startswith(cautions.INJECT) for text in verdict.cautions)
