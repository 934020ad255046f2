"""The catalogue of faults: what every mechanism has to say of itself, and one more weighed."""

from __future__ import annotations

import math

import pytest

from memdiag.diagnosis import faults, history, settings
from memdiag.diagnosis.faults import effects, locations
from memdiag.diagnosis.faults.mechanism import Mechanism, Prior
from memdiag.diagnosis.history import Past, Stages
from memdiag.diagnosis.judge import judge
from memdiag.diagnosis.rig_behaviour import Relation
from memdiag.diagnosis.settings import BadSettings, Settings
from memdiag.evidence.nodes import STATES
from memdiag.model import Cause, Finding, Run
from memdiag.reading.load import load
from tests.diagnosis.test_facts import BITS, EYES, board, dump

EVERY = pytest.mark.parametrize("mechanism", faults.MECHANISMS, ids=lambda m: m.name)


# --- what each says of itself -----------------------------------------------------------------


@EVERY
def test_every_prior_has_a_source_and_can_be_set(mechanism: Mechanism) -> None:
    prior = mechanism.prior
    assert prior.source.endswith(".") and len(prior.source) > 30
    assert Settings().prior(prior) == prior.expected > 0
    assert settings.parse(f"[priors]\n{prior.name} = 0.5").prior(prior) == 0.5


@EVERY
def test_strengths_share_the_whole_of_a_mechanism(mechanism: Mechanism) -> None:
    assert math.isclose(sum(v.share for v in mechanism.variants), 1.0)


@EVERY
def test_effects_are_distributions_over_states_that_are_known(mechanism: Mechanism) -> None:
    for variant in mechanism.variants:
        for (kind, near), effect in variant.effects.items():
            assert set(effect) <= set(STATES[kind])
            assert near >= Relation.LANE or near is Relation.RAIL
            assert min(effect.values()) >= 0 and sum(effect.values()) <= 1 + 1e-9


@EVERY
def test_how_loud_it_is_is_a_probability(mechanism: Mechanism) -> None:
    assert 0 <= mechanism.spill <= 1 and all(0 <= s <= 1 for s in mechanism.stops)
    assert mechanism.variants


@EVERY
def test_a_finding_of_it_can_be_worded(mechanism: Mechanism) -> None:
    """Only what is never decided gives no reason of its own. It follows "that is"."""
    assert bool(mechanism.why) is not mechanism.unknown
    assert not mechanism.why.endswith(".")


def test_mechanisms_with_one_prior_share_it_out() -> None:
    assert len({m.name for m in faults.MECHANISMS}) == len(faults.MECHANISMS)
    for name, prior in faults.priors().items():
        sharers = [m for m in faults.MECHANISMS if m.prior.name == name]
        assert all(m.prior is prior for m in sharers)
        assert math.isclose(sum(m.share for m in sharers), 1.0)


@pytest.mark.parametrize(
    ("name", "past", "factor"),
    [
        ("weak_pins", Past(replaced=True, reflowed=False, replaced_any=True), 0.25),
        ("joint_line", Past(replaced=True, reflowed=True, replaced_any=True), 1.6 * 0.5),
        ("controller", Past(replaced=False, reflowed=False, replaced_any=True), 2.0),
        ("supply", Past(replaced=True, reflowed=True, replaced_any=True), 1.0),
    ],
)
def test_what_was_done_before_weighs_on_the_faults_it_can_have_changed(
    name: str, past: Past, factor: float
) -> None:
    (mechanism,) = (m for m in faults.MECHANISMS if m.name == name)
    factor *= mechanism.share
    assert mechanism.odds(1.0, Stages(), "intake", past) == pytest.approx(factor)
    assert mechanism.odds(1.0, Stages(), "after-swap", past) == pytest.approx(factor / 2)


# --- one more ---------------------------------------------------------------------------------

REFERENCE = Mechanism(
    "joint_reference",
    Cause.JOINT,
    Prior("joint_reference", 0.05, "an open reference ball of one channel", "Judgement."),
    locations.ports,
    spill=0.1,
    variants=tuple(effects.severities({-0.55: 0.4, -0.9: 0.3, -1.3: 0.3}, 0.15)),
    why="an open reference ball, which all lanes of this channel share",
    history=history.of_joint,
)
"""A fault the catalogue does not have: the voltage reference of one channel of a package floats,
so that all its lanes are thin and those of the other channel are not."""

WITH_REFERENCE = (*faults.MECHANISMS, REFERENCE)


def one_channel_thin() -> Run:
    def row(site: str, channel: int, lane: int, step: str) -> str | None:
        return "pass 0.17UI" if channel == 4 and step in EYES else None

    def count(site: str, channel: int, lane: int) -> str | None:
        return f"{BITS} 900 450 450 80 880" if channel == 4 else None

    (run,) = load(dump(board("quince-12"), row, count), board=board("quince-12"))
    return run


def _of_joint(finding: Finding) -> float:
    own = finding.probability if finding.cause is Cause.JOINT else 0.0
    return own + dict(finding.alternatives).get(Cause.JOINT, 0.0)


def _of_joint(finding: Finding) -> float:
    own = finding.probability if finding.cause is Cause.JOINT else 0.0
    return own + dict(finding.alternatives).get(Cause.JOINT, 0.0)


def test_a_mechanism_from_outside_is_weighed() -> None:
    """The lanes of one channel share its reference and nothing else: a fault that takes the same
    margin from all of them explains them better than any that is there."""
    without = judge(one_channel_thin()).findings[0]
    found = judge(one_channel_thin(), mechanisms=WITH_REFERENCE).findings[0]
    assert without.place.site == found.place.site == "U3"
    assert found.place.channel == 4 and without.place.channel is None
    assert _of_joint(found) > 0.5 > _of_joint(without)


def test_its_prior_is_a_setting_where_it_is_weighed() -> None:
    never = "[priors]\njoint_reference = 0\n"
    shop = settings.parse(never, mechanisms=WITH_REFERENCE)
    run = one_channel_thin()
    assert judge(run, settings=shop, mechanisms=WITH_REFERENCE) == judge(run)
    with pytest.raises(BadSettings, match="no key joint_reference"):
        settings.parse(never)


def test_it_leaves_no_trace_where_nothing_fits_it() -> None:
    (run,) = load(dump(board("quince-12")), board=board("quince-12"))
    found = judge(run, mechanisms=WITH_REFERENCE)
    assert found.summary.cause is Cause.CLEAR
    assert found == judge(run)
