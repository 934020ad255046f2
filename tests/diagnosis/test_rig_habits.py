"""What a rig does whatever lies on the board, and what that hides of it."""

from __future__ import annotations

import pytest

from memdiag.evidence import coverage
from memdiag.evidence.eyes import Limits
from memdiag.evidence.measurements import measure
from memdiag.evidence.nodes import LINK
from memdiag.model import Action, Cause, Result
from memdiag.reading.load import load
from tests.diagnosis import test_facts as facts


@pytest.mark.parametrize("gone", [1, 5])
def test_a_step_that_fails_on_lanes_that_work_is_the_rigs(gone: int) -> None:
    """A clock step that fails on every lane on which read and write work says nothing of any lane
    (common practice, no source): neither where the rig is loud beside a fault, nor where a good
    part of the packages is gone."""
    on = facts.board("quince-12")
    silent = [site.ref for site in on.sites][:gone]
    quiet, uncounted = facts.gone(*silent)

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in silent:
            return quiet(site, ch, lane, step)
        if step == "wck":
            return "not-found -"
        loud = (ch + lane) % 3 and step in ("read", "write")
        return "marginal 0.46UI" if loud else None

    text = facts.dump(on, row, uncounted, counts=False)
    (run,) = load(text)
    assert coverage.habits(measure(run, on)) == {"wck"}
    v = facts.verdict(text)
    assert not any(f.cause is Cause.CONTROLLER for f in v.findings)
    if gone == 1:
        assert v.summary.cause is Cause.MISSING and v.summary.site == silent[0]


def test_a_channel_that_finds_nothing_is_not_given_up_before_its_rails_are_read() -> None:
    """Every package of the only channel finds no setting in its first step. The rig has one word
    for that, whether a block is dead or nobody is fed: STOP would be a guess, and ohms are cheap
    (common practice, no source)."""
    on = facts.board("quince-8")

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return "no-response -" if step == "id" else "not-found -"

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert v.summary.action is not Action.STOP
    assert sum(facts.chance(f, Cause.SUPPLY) for f in v.findings[:1]) > 0.05


def test_a_rig_that_passes_a_thin_eye_is_believed_about_its_limit_not_about_the_eye() -> None:
    """One eye at a fifth of its peers' that `pass` stands beside: that rig says marginal of hardly
    any width, and the eye is what was measured."""
    wide = [(0.0, False)] * 31
    told = Limits([*wide, (-1.5, False)]).outcome("read", Result.PASS)
    usual = Limits(wide).outcome("read", Result.PASS)
    assert told is not None and usual is not None
    thin = LINK.index("22")
    assert told[0, thin] > -1.5 > usual[0, thin]
    on = facts.board("quince-8")
    where = list(facts.lanes(on))[3]
    v = facts.verdict(facts.dump(on, facts.at(where, read="pass 0.10UI"), counts=False))
    assert not v.released
