"""Training steps: what each needs, how it ends as margin sinks, and what a rig's widths teach.

What a step needs follows from what it does: identification reads back a mode register (JESD250,
JESD79-4, JESD209-4: mode register reads), command training samples the command pins (JESD250 5.2),
levelling and clock training the strobe or clock of a lane (JESD79-4 write leveling, JESD250
WCK2CK), read and write training all of its data lines. Derived from there.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from memdiag.evidence.measurements import Try, effective
from memdiag.evidence.nodes import FLOOR, GRADES, MARGIN, Node
from memdiag.evidence.training_steps import (
    FAILED_WORDS,
    FAILS_AT,
    FAILS_PLAY,
    KIND,
    NEVER,
    ODD,
    STRAY,
    Limits,
    word_loglik,
)
from memdiag.model import ENDED, FAILED, STEPS, Result
from tests.support.likelihoods import (
    ALONE,
    GRADE_NAMES,
    MOSTLY,
    PULL_TOLD,
    PULLED,
    SHAKEN,
    SHAKEN_TOLD,
    THROUGHOUT,
    WARNED,
    falls,
    likeliest,
    of_grades,
    states,
)
from tests.support.marks import examples

PRIOR = Limits()
VIEWS = (ALONE, WARNED, MOSTLY, THROUGHOUT, PULLED, SHAKEN, PULL_TOLD, SHAKEN_TOLD)
PASS, MARGINAL, FAIL = Result.PASS, Result.MARGINAL, Result.FAIL


def outcome(step: str, result: Result, view: int = ALONE, rig: Limits = PRIOR) -> dict[str, float]:
    return states(rig.outcome(step, result), view)


def passes(step: str, state: str) -> float:
    return math.exp(outcome(step, PASS)[state])


# ---- what each step needs ----


def test_silence_on_identification_is_absence_and_a_pass_is_presence() -> None:
    silent = PRIOR.outcome("id", Result.NO_RESPONSE)
    word = word_loglik(Result.NO_RESPONSE)
    assert silent is not None and word is not None
    assert likeliest(silent + word) == "absent"
    passed = outcome("id", PASS)
    assert min(passed, key=passed.__getitem__) == "absent"


def test_identification_asks_nothing_of_the_eye_of_a_data_line() -> None:
    """It reads a register, at ease: a third of an eye will do."""
    values = of_grades(PRIOR.outcome("id", PASS))
    assert values[0] - values[GRADE_NAMES.index("33")] < 0.01


def test_commands_are_enough_for_command_training() -> None:
    """Of a package that hears, a dead lane leaves another pin to answer on; of a deaf one, none."""
    assert passes("ca", "dead") > 0.5
    assert passes("ca", "mute") < 0.1


@pytest.mark.parametrize("step", ["level", "wck", "gate"])
def test_a_strobe_is_enough_for_levelling(step: str) -> None:
    assert passes(step, "stuck") > 0.5 > passes(step, "dead")


@pytest.mark.parametrize("step", ["read", "write"])
def test_data_steps_need_every_line(step: str) -> None:
    for mode in ("stuck", "joined", "dead", "mute", "absent"):
        assert passes(step, mode) < 0.5
    for mode in ("array", "astray"):
        assert passes(step, mode) == pytest.approx(passes(step, "sound"))


@pytest.mark.parametrize("mode", ["stuck", "dead", "mute", "absent"])
def test_what_stops_a_step_stops_every_later_one(mode: str) -> None:
    """In the order of JESD250 5.1: identification, command, clock, data. Each needs what the one
    before it needs, and more."""
    order = [passes(step, mode) for step in ("id", "ca", "wck", "read")]
    assert falls(order, 0.05)


# ---- how a step ends as the margin sinks ----


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("view", VIEWS)
def test_a_step_passes_the_less_the_narrower_the_eye(step: str, view: int) -> None:
    assert falls(of_grades(PRIOR.outcome(step, PASS), view))
    fails = of_grades(PRIOR.outcome(step, FAIL), view)
    assert falls(fails[::-1])
    if KIND[step] == "data":
        assert all(a > b for a, b in zip(fails[1:], fails, strict=False))


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("view", VIEWS)
def test_the_ends_of_a_step_are_all_there_are(step: str, view: int) -> None:
    """Pass, marginal or not: their chances are one in every state. The word is apart."""
    ends = [states(PRIOR.outcome(step, r), view) for r in (PASS, MARGINAL, FAIL)]
    for state in ends[0]:
        assert sum(math.exp(end[state]) for end in ends) == pytest.approx(1.0)


def test_a_sound_step_fails_as_seldom_as_its_figure_says() -> None:
    fails = math.exp(outcome("read", FAIL)["sound"])
    assert fails == pytest.approx(ODD, rel=0.01)
    # Below it the limits of rigs lie as a normal spread does, cut where healthy lanes are.
    deep = GRADES["45"]
    above, beyond = norm.sf((deep - FAILS_AT) / FAILS_PLAY), norm.sf(-FAILS_AT / FAILS_PLAY)
    cut = (above - beyond) / (1 - beyond)
    assert math.exp(outcome("read", FAIL)["45"]) == pytest.approx(ODD + (1 - ODD) * cut, rel=0.01)


@pytest.mark.parametrize("step", STEPS)
def test_a_step_that_gives_up_is_never_more_like_a_sound_place(step: str) -> None:
    passed, gave_up = outcome(step, PASS), outcome(step, FAIL)
    for state in ("12", "dead", "mute", "absent"):
        assert gave_up[state] - gave_up["sound"] > passed[state] - passed["sound"]


# ---- warnings ----


@pytest.mark.parametrize("step", STEPS)
def test_a_warning_explains_a_marginal_result_and_never_a_failure(step: str) -> None:
    said = [outcome(step, MARGINAL, v)["sound"] for v in (ALONE, WARNED, MOSTLY, THROUGHOUT)]
    assert said == sorted(said)
    # A step that asks the package sweeps no margin: there is none to warn of (common practice).
    assert (len(set(said)) == 1) == (step in ("id", "zq"))
    if step in ("id", "zq"):
        assert outcome(step, PASS, THROUGHOUT) == outcome(step, PASS)
    for failed in FAILED:
        one = outcome(step, failed)
        assert all(outcome(step, failed, view) == one for view in VIEWS)


def test_beside_a_warning_a_marginal_result_says_little_of_the_margin() -> None:
    alone, warned = outcome("read", MARGINAL), outcome("read", MARGINAL, THROUGHOUT)
    assert alone["45"] - alone["sound"] > 2
    assert warned["45"] - warned["sound"] < 0.2


# ---- the limits of a rig ----


def rig(marginal_below: float, widths: list[float]) -> Limits:
    """A rig that says marginal below that share of a healthy eye, and has shown these."""
    return Limits((math.log(w), w < marginal_below) for w in widths)


EVERY = [0.3, 0.4, 0.45, 0.55, 0.6, 0.7, 0.75, 0.85, 0.9, 1.0, 1.0, 1.0]


def chance_of_marginal(of: Limits, width: float) -> float:
    (found,) = of.marginal(np.array([math.log(width)]))
    return float(found)


@pytest.mark.parametrize("limit", [0.35, 0.5, 0.65, 0.8])
def test_widths_beside_results_show_the_limit(limit: float) -> None:
    learnt = rig(limit, EVERY)
    assert chance_of_marginal(learnt, 0.75 * limit) > 0.8
    assert chance_of_marginal(learnt, 1.30 * limit) < 0.2


def test_a_rig_that_passes_half_an_eye_is_not_believed_when_it_passes() -> None:
    """And one that warns at four fifths is: the same word, another habit."""
    lost = []
    for of in (rig(0.45, EVERY), rig(0.85, EVERY)):
        passed = outcome("read", PASS, rig=of)
        lost.append(passed["58"] - passed["sound"])
    assert lost[0] > -0.3
    assert lost[1] < -2


def test_without_widths_the_limit_is_the_trades() -> None:
    # Half of the rigs that say it of a width at all.
    say = 1 - NEVER
    assert chance_of_marginal(PRIOR, math.exp(-0.45)) == pytest.approx(0.5 * say, abs=0.02)
    assert [chance_of_marginal(PRIOR, w) for w in (1.0, 0.8, 0.6, 0.4, 0.2)] == sorted(
        chance_of_marginal(PRIOR, w) for w in (1.0, 0.8, 0.6, 0.4, 0.2)
    )


def test_a_stray_marginal_with_a_whole_eye_moves_no_limit() -> None:
    """One healthy step in a hundred or so is marginal by chance: the lanes beside it, marginal or
    not by their width, say where the limit lies."""
    lanes = [(math.log(w), w < 0.6) for w in EVERY]
    without, with_it = Limits(lanes), Limits([*lanes, (0.0, True)])
    for width in (0.3, 0.5, 0.8, 1.0):
        assert chance_of_marginal(with_it, width) == pytest.approx(
            chance_of_marginal(without, width), abs=0.1
        )
    stray = outcome("read", MARGINAL, rig=with_it)
    assert stray["sound"] > math.log(STRAY / 2)


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(st.tuples(st.floats(-3, 0.5), st.booleans()), max_size=40),
    st.lists(st.tuples(st.floats(-3, 0.5), st.booleans()), max_size=40),
)
def test_any_rig_keeps_order(
    seen: list[tuple[float, bool]], ended: list[tuple[float, bool]]
) -> None:
    of = Limits(seen, ended)
    wide = np.linspace(-3, 0.5, 30)
    found = of.marginal(wide)
    assert np.isfinite(found).all() and found.min() >= 0 and found.max() <= 1 + 1e-9
    assert falls(found.tolist())
    for step in ("id", "read"):
        for result in (PASS, MARGINAL, FAIL):
            table = of.outcome(step, result)
            assert table is not None and np.isfinite(table).all()
        assert falls(of_grades(of.outcome(step, PASS)))


# ---- words and attempts ----


def test_what_was_not_run_says_nothing_of_the_place() -> None:
    assert PRIOR.outcome("read", Result.NOT_RUN) is None
    assert PRIOR.outcome("a step of one's own", FAIL) is None
    assert word_loglik(Result.PASS) is None and word_loglik(Result.NOT_RUN) is None


def test_the_words_for_giving_up_are_all_there_are() -> None:
    total = np.sum([np.exp(word_loglik(word)) for word in FAILED_WORDS], axis=0)
    assert total == pytest.approx(np.ones(len(MARGIN)))
    assert set(FAILED_WORDS) == set(FAILED) and set(FAILED) < set(ENDED)


def test_the_last_attempt_counts() -> None:
    tried = [Try(1, None, Result.FAIL), Try(2, None, Result.PASS)]
    assert effective(tried) in (Result.PASS, Result.MARGINAL)
    assert effective(tried[::-1]) is effective(tried)
    assert effective([Try(1, None, Result.PASS), Try(2, None, Result.FAIL)]) is Result.FAIL
    assert effective([Try(1, None, Result.NOT_RUN)]) is None
    assert effective([Try(1, None, Result.PASS, 9)]) is Result.MARGINAL


def test_of_candidates_the_best_counts_and_of_rows_that_contradict_each_other_the_worse() -> None:
    scan = [Try(1, "b0", Result.NOT_FOUND), Try(1, "b1", Result.PASS)]
    assert effective(scan) is Result.PASS
    assert effective([*scan, Try(1, "b1", Result.FAIL)]) is Result.FAIL
    assert effective([Try(1, None, Result.PASS), Try(1, None, Result.FAIL)]) is Result.FAIL


# ---- nodes ----


def test_no_node_speaks_more_strongly_than_the_floor() -> None:
    node = Node("place", ("U3",))
    for _ in range(50):
        node.add(PRIOR.outcome("read", PASS))
    seen = node.by_way()
    assert seen.max() == 0.0
    assert (seen - seen.max(axis=-1, keepdims=True)).min() == pytest.approx(FLOOR)


def fails_at(of: Limits, state: str) -> float:
    return math.exp(outcome("read", FAIL, rig=of)[state])


def test_lanes_that_fail_with_wide_eyes_show_where_the_rig_fails() -> None:
    """Twelve lanes at six tenths of an eye that fail, and twelve whole ones that pass."""
    ended = [(math.log(0.58), True)] * 12 + [(0.0, False)] * 12
    strict = Limits((), ended)
    assert fails_at(strict, "58") > 0.3
    assert fails_at(PRIOR, "58") < 0.05
    assert fails_at(strict, "sound") < 0.01


def test_one_lane_that_fails_with_a_wide_eye_shows_nothing_of_the_rig() -> None:
    """Its eye may be that of its other lines."""
    one = Limits((), [(math.log(0.9), True)] + [(0.0, False)] * 23)
    assert fails_at(one, "58") < 0.2


def test_a_rig_that_says_marginal_of_its_widest_eyes_may_only_warn() -> None:
    """Steps before the data steps spare margin and pass at half of an eye (JESD250: WCK2CK before
    read training). Where the widest eyes are marginal too, the rig warns of all, and its limit need
    not lie above them: such a step that passes speaks little against lanes at seven tenths."""
    widest = [(float(m), True) for m in np.linspace(-0.4, 0.1, 60)]
    told = outcome("wck", PASS, rig=Limits(widest))
    assert told["70"] > told["sound"] - 1.5
    # A rig that says so of some, and not of others as wide, has its limit where these part.
    parted = [(m, m < -0.15) for m, _ in widest]
    rig = Limits(parted)
    wide, narrow = rig.marginal(np.array([0.0, -0.3]))
    assert wide < 0.15 and narrow > 0.85


def test_limits_where_no_rig_has_them_count_less() -> None:
    """Of two references that eyes may be held against the one counts more under which the rig has
    its limit where rigs have them."""
    usual = Limits([(-0.1, False)] * 20 + [(-0.6, True)] * 20)
    strange = Limits([(-1.1, False)] * 20 + [(-1.6, True)] * 20)
    assert strange.fits < 0.5 * usual.fits
