"""Decisions against published ones, and the direction in which each price pushes a verdict.

* The oil wildcatter: Raiffa, "Decision Analysis" (1968); tables as in Shenoy 1992.
* An oil lease with uncertain cost: SAS/OR user's guide, PROC DTREE, getting started.
* Goferbroke: Hillier and Lieberman, "Introduction to Operations Research", decision analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.diagnosis import decision
from memdiag.diagnosis.decision import MEASUREMENTS, decide, expected_cost, value_of
from memdiag.diagnosis.settings import Costs
from memdiag.model import HEATS, Action, Cause
from tests.support.marks import examples

NOTHING = [[1.0, 1.0, 1.0]]
PERFECT = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]

# ---- published decisions ----


class TestOilWildcatter:
    """Dry, wet or soaking; drilling costs 70 and brings 0, 120 or 270; the test costs 10."""

    prior = (0.5, 0.3, 0.2)
    payoff = ((-70.0, 50.0, 200.0), (0.0, 0.0, 0.0))
    # Rows: no, open or closed structure. Columns: dry, wet, soaking.
    test = ((0.6, 0.3, 0.1), (0.3, 0.4, 0.4), (0.1, 0.3, 0.5))

    def test_without_the_test(self) -> None:
        assert value_of(self.prior, NOTHING, self.payoff) == pytest.approx(20)

    def test_with_the_test(self) -> None:
        """32.5 with its outcome, so 12.5 for it, and 22.5 net: the published strategy."""
        assert value_of(self.prior, self.test, self.payoff) == pytest.approx(32.5)
        assert value_of(self.prior, self.test, self.payoff) - 10 == pytest.approx(22.5)

    def test_perfect_information(self) -> None:
        assert value_of(self.prior, PERFECT, self.payoff) - 20 == pytest.approx(35)


class TestLease:
    """Returns 0, 700 or 1200 thousand; costs 150, 300 or 500 thousand; both as 0.2-0.6-0.2."""

    chances = (0.5, 0.3, 0.2)

    oil = (0.0, 700.0, 1200.0)
    cost = (150.0, 300.0, 500.0)
    p_cost = (0.2, 0.6, 0.2)

    def worlds(self) -> tuple[list[float], list[float]]:
        prior, drill = [], []
        for (p, brings), (q, costs) in product(
            zip(self.chances, self.oil, strict=True), zip(self.p_cost, self.cost, strict=True)
        ):
            prior.append(p * q)
            drill.append(brings - costs)
        return prior, drill

    def told(self, oil: bool, cost: bool) -> float:
        prior, drill = self.worlds()
        outcomes: dict[tuple[int, int], list[float]] = {}
        for i, (a, b) in enumerate(product(range(3), range(3))):
            row = outcomes.setdefault((a if oil else 0, b if cost else 0), [0.0] * 9)
            row[i] = 1.0
        return value_of(prior, list(outcomes.values()), [drill, [0.0] * 9])

    def test_the_published_values(self) -> None:
        """Thousands: nothing known 140; oil known 295; cost known 150."""
        assert self.told(False, False) == pytest.approx(140)
        assert self.told(True, False) == pytest.approx(295)
        assert self.told(False, True) == pytest.approx(150)
        assert self.told(True, False) - self.told(False, False) == pytest.approx(155)
        assert self.told(False, True) - self.told(False, False) == pytest.approx(10)


class TestGoferbroke:
    """Oil or dry; drilling brings 700 or loses 100, selling the land brings 90 either way; a
    seismic sounding is favourable in 0.6 and 0.2 of the cases and costs 30."""

    prior = (0.25, 0.75)
    payoff = ((700.0, -100.0), (90.0, 90.0))
    sounding = ((0.6, 0.2), (0.4, 0.8))

    def test_the_published_values(self) -> None:
        alone = value_of(self.prior, [[1, 1]], self.payoff)
        perfect = value_of(self.prior, [[1, 0], [0, 1]], self.payoff)
        heard = value_of(self.prior, self.sounding, self.payoff)
        assert alone == pytest.approx(100)
        assert perfect == pytest.approx(242.5)
        assert heard == pytest.approx(153)
        assert (heard - alone) / (perfect - alone) == pytest.approx(0.3719, abs=5e-5)
        assert heard - 30 == pytest.approx(123)


def test_the_belief_after_an_outcome_is_bayes() -> None:
    """Goferbroke: a favourable sounding makes oil one half, and drilling worth 300."""
    prior, like = (0.25, 0.75), (0.6, 0.2)
    joint = [p * q for p, q in zip(prior, like, strict=True)]
    assert joint[0] / sum(joint) == pytest.approx(0.5)


shares = st.lists(st.floats(0.01, 1), min_size=2, max_size=5)


@settings(max_examples=examples(80), deadline=None)
@given(st.data(), shares)
def test_information_never_hurts_and_never_beats_certainty(
    data: st.DataObject, weights: list[float]
) -> None:
    n = len(weights)
    prior = [w / sum(weights) for w in weights]
    yes = data.draw(st.lists(st.floats(0, 1), min_size=n, max_size=n))
    money = st.lists(st.floats(-100, 100), min_size=n, max_size=n)
    payoff = data.draw(st.lists(money, min_size=1, max_size=4))
    nothing = value_of(prior, [[1.0] * n], payoff)
    some = value_of(prior, [yes, [1 - p for p in yes]], payoff)
    everything = value_of(prior, [[float(i == j) for j in range(n)] for i in range(n)], payoff)
    assert nothing - 1e-9 <= some <= everything + 1e-9
    coin = value_of(prior, [[0.3] * n, [0.7] * n], payoff)
    assert coin == pytest.approx(nothing, abs=1e-9)


# ---- a bench's decisions: directions only ----

COSTS = Costs()
CAUSES = tuple(Cause)


def belief(**p: float) -> dict[Cause, float]:
    return {Cause(name): chance for name, chance in p.items()}


def priced(**changed: float) -> Costs:
    fields = {name: getattr(COSTS, name) for name in Costs.__struct_fields__}
    return Costs(**(fields | changed))


beliefs = (
    st.lists(st.floats(0, 1), min_size=len(CAUSES), max_size=len(CAUSES))
    .filter(lambda w: sum(w) > 0.01)
    .map(lambda w: {c: p / sum(w) for c, p in zip(CAUSES, w, strict=True)})
)


@pytest.mark.parametrize(
    ("cause", "action"),
    [
        (Cause.MISSING, Action.REPLACE),
        (Cause.WEAK, Action.REPLACE),
        (Cause.JOINT, Action.REFLOW),
        (Cause.SUPPLY, Action.CHECK_SUPPLY),
        (Cause.CONTROLLER, Action.STOP),
    ],
)
def test_a_certain_cause_gets_its_own_remedy(cause: Cause, action: Action) -> None:
    choice = decide({cause: 1.0}, COSTS)
    assert choice.immediate is action
    assert choice.action is action
    assert not choice.measurements  # nothing is left to find out


@pytest.mark.parametrize("cause", [Cause.CLEAR, Cause.SPILLOVER])
def test_the_healthy_are_left_alone(cause: Cause) -> None:
    choice = decide({cause: 1.0}, COSTS)
    assert choice.immediate in (Action.NONE, Action.LEAVE)
    assert choice.action not in HEATS


def test_a_new_package_that_does_not_answer_is_soldered_again() -> None:
    """It was just fitted: its joints are the likelier story than a second dead one."""
    assert decide({Cause.MISSING: 1.0}, COSTS).immediate is Action.REPLACE
    assert decide({Cause.MISSING: 1.0}, COSTS, fresh=0.9).immediate is Action.REFLOW


@settings(max_examples=examples(80), deadline=None)
@given(beliefs, st.sampled_from(sorted(set(Cause) - {Cause.SPILLOVER, Cause.CLEAR})))
def test_a_fault_is_not_left_alone_even_where_nothing_costs(
    b: dict[Cause, float], cause: Cause
) -> None:
    free = priced(**dict.fromkeys(Costs.__struct_fields__, 0.0))
    chosen = decision.allowed(decide(b, free).action, cause, b, free)
    assert chosen is not Action.LEAVE
    assert chosen is not Action.NONE or b[Cause.CLEAR] >= 0.9


@settings(max_examples=examples(80), deadline=None)
@given(beliefs, st.lists(st.floats(0, 400), min_size=2, max_size=5))
def test_a_dearer_replacement_is_chosen_no_more_often(
    b: dict[Cause, float], prices: list[float]
) -> None:
    chosen = [decide(b, priced(replace=p)).immediate is Action.REPLACE for p in sorted(prices)]
    assert all(earlier or not later for earlier, later in pairwise(chosen))


@settings(max_examples=examples(80), deadline=None)
@given(beliefs, st.lists(st.floats(0, 1000), min_size=2, max_size=5))
def test_a_dearer_mistake_with_the_controller_stops_no_more_often(
    b: dict[Cause, float], prices: list[float]
) -> None:
    chosen = [decide(b, priced(stop_wrong=p)).immediate is Action.STOP for p in sorted(prices)]
    assert all(earlier or not later for earlier, later in pairwise(chosen))


@settings(max_examples=examples(80), deadline=None)
@given(beliefs)
def test_the_choice_is_the_cheapest_and_a_measurement_pays(b: dict[Cause, float]) -> None:
    choice = decide(b, COSTS)
    costs = {a: expected_cost(a, b, COSTS) for a in decision.CURES}
    assert costs[choice.immediate] == min(costs.values())
    assert choice.cost <= min(costs.values()) + 1e-9
    worths = [worth for _, worth in choice.measurements]
    assert worths == sorted(worths, reverse=True)
    assert all(worth > 0 for worth in worths)
    if choice.measurements:
        assert choice.action is choice.measurements[0][0].action
        assert choice.cost == pytest.approx(costs[choice.immediate] - worths[0])
    else:
        assert choice.action is choice.immediate


@settings(max_examples=examples(60), deadline=None)
@given(beliefs)
def test_a_measurement_worth_its_price_can_change_what_is_done(b: dict[Cause, float]) -> None:
    for m, _ in decide(b, COSTS).measurements:
        yes, no = decision.would_change(b, m, COSTS)
        assert yes is not no


@settings(max_examples=examples(60), deadline=None)
@given(beliefs)
def test_a_measurement_dearer_than_all_it_can_save_is_never_advised(b: dict[Cause, float]) -> None:
    assert not decide(b, priced(retest=1e6, measure=1e6)).measurements


def test_what_the_dump_already_says_is_not_asked_again() -> None:
    b = belief(supply=0.5, weak=0.5)
    asked = {m.name for m, _ in decide(b, priced(measure=0.1)).measurements}
    assert "ohms" in asked
    known = {m.name for m, _ in decide(b, priced(measure=0.1), known=("ohms",)).measurements}
    assert "ohms" not in known


def test_doubt_makes_a_cheap_test_worth_while() -> None:
    """A fault that may be nothing at all: test again, and only then heat the board."""
    b = belief(weak=0.5, clear=0.5)
    assert decide(b, priced(retest=1.0)).action is Action.RETEST
    assert decide(b, priced(retest=1e6, measure=1e6)).action is not Action.RETEST


@pytest.mark.parametrize("action", decision.CURES)
@settings(max_examples=examples(20), deadline=None)
@given(a=beliefs, b=beliefs, mix=st.floats(0, 1))
def test_costs_are_linear_in_the_belief(
    action: Action, a: dict[Cause, float], b: dict[Cause, float], mix: float
) -> None:
    both = {c: mix * a[c] + (1 - mix) * b[c] for c in CAUSES}
    cost = mix * expected_cost(action, a, COSTS) + (1 - mix) * expected_cost(action, b, COSTS)
    assert expected_cost(action, both, COSTS) == pytest.approx(cost)


def _share(values: Sequence[float]) -> bool:
    return all(0 <= v <= 1 for v in values)


def test_the_tables_are_probabilities() -> None:
    assert all(_share([*cures.values()]) for cures in decision.CURES.values())
    assert all(_share([*m.likely.values()]) for m in MEASUREMENTS)
    assert all(set(m.likely) == set(Cause) for m in MEASUREMENTS)


def test_ohms_come_before_the_memory_is_given_up() -> None:
    """Nothing answers, and the controller is by far the likelier cause: the rails are measured
    first all the same, minutes against a board (common practice, no source). Where they were, it
    stops."""
    belief = {Cause.CONTROLLER: 0.87, Cause.SUPPLY: 0.10, Cause.WEAK: 0.03}
    assert decide(belief, Costs()).action is Action.CHECK_SUPPLY
    assert decide(belief, Costs(), known=("ohms",)).action is Action.STOP
    sure = {Cause.CONTROLLER: 0.99, Cause.SUPPLY: 0.01}
    assert decide(sure, Costs()).action is Action.STOP
