"""What to do under the posterior: the action of least expected cost, and whether another
measurement is worth more than it costs.

Expected value of sample information (Raiffa and Schlaifer 1961): what the best action costs now,
less what the best action after each outcome would cost on average. A measurement is advised
where that exceeds its own price.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec import Struct

from memdiag.diagnosis.settings import Costs
from memdiag.model import Action, Cause

Belief = Mapping[Cause, float]
"""Cause -> probability at one place; sums to 1."""

# How often an action cures a cause. Judgement of the trade, no source: a new package also makes
# new joints; heat alone closes an open joint three times in four and wakes a package that was
# not soldered down.
CURES: Mapping[Action, Mapping[Cause, float]] = {
    Action.REPLACE: {
        Cause.MISSING: 0.95,
        Cause.WEAK: 0.95,
        Cause.JOINT: 0.85,
        Cause.BRIDGE: 0.85,
        Cause.UNDECIDED: 0.25,
    },
    Action.REFLOW: {
        Cause.MISSING: 0.22,
        Cause.WEAK: 0.03,
        Cause.JOINT: 0.75,
        Cause.BRIDGE: 0.62,
        Cause.UNDECIDED: 0.12,
    },
    Action.CHECK_SUPPLY: {Cause.SUPPLY: 0.92, Cause.UNDECIDED: 0.10},
    Action.STOP: {Cause.CONTROLLER: 1.0, Cause.UNDECIDED: 0.15},
    Action.LEAVE: {Cause.SPILLOVER: 1.0, Cause.CLEAR: 1.0},
    Action.NONE: {Cause.CLEAR: 1.0, Cause.SPILLOVER: 0.6},
}

PACKAGE_BAD = frozenset({Cause.MISSING, Cause.WEAK})


class Measurement(Struct, frozen=True):
    """Something to find out: its price (a name in `Costs`), and for each cause the probability
    of the first of two outcomes. `action` is what a verdict calls doing it; `how` says it, with
    the place as `{at}`, the exposure as `{length}`, the temperatures as `{warm}` and `{cool}`."""

    name: str
    how: str
    price: str
    action: Action
    yes: str
    no: str
    likely: Mapping[Cause, float]


MEASUREMENTS: tuple[Measurement, ...] = (
    Measurement(
        "retest",
        "retest {at}: {length}, at {warm}",
        "retest",
        Action.RETEST,
        "the same fault comes again at the same place",
        "it is gone or elsewhere",
        {
            Cause.MISSING: 0.99,
            Cause.WEAK: 0.92,
            Cause.JOINT: 0.72,
            Cause.BRIDGE: 0.93,
            Cause.SUPPLY: 0.70,
            Cause.CONTROLLER: 0.94,
            Cause.SPILLOVER: 0.45,
            Cause.CLEAR: 0.03,
            Cause.UNDECIDED: 0.5,
        },
    ),
    Measurement(
        "press",
        "repeat the training with light pressure on {at}, then without",
        "retest",
        Action.RETEST,
        "it changes with light pressure on the package",
        "pressure changes nothing",
        {
            Cause.MISSING: 0.15,
            Cause.WEAK: 0.06,
            Cause.JOINT: 0.55,
            Cause.BRIDGE: 0.15,
            Cause.SUPPLY: 0.03,
            Cause.CONTROLLER: 0.04,
            Cause.SPILLOVER: 0.10,
            Cause.CLEAR: 0.02,
            Cause.UNDECIDED: 0.2,
        },
    ),
    Measurement(
        "slower",
        "repeat at a lower rate and cool ({cool}), then at full rate and warm ({warm})",
        "retest",
        Action.RETEST,
        "at a lower rate and cool it trains and runs clean",
        "a lower rate changes nothing",
        {
            Cause.MISSING: 0.01,
            Cause.WEAK: 0.62,
            Cause.JOINT: 0.25,
            Cause.BRIDGE: 0.02,
            Cause.SUPPLY: 0.60,
            Cause.CONTROLLER: 0.35,
            Cause.SPILLOVER: 0.55,
            Cause.CLEAR: 0.9,
            Cause.UNDECIDED: 0.4,
        },
    ),
    Measurement(
        "ohms",
        "board off: ohms to ground of the rails of {at}",
        "measure",
        Action.CHECK_SUPPLY,
        "a rail reads low or its voltage dips under load",
        "the rails read healthy and hold under load",
        {
            Cause.MISSING: 0.04,
            Cause.WEAK: 0.10,
            Cause.JOINT: 0.02,
            Cause.BRIDGE: 0.02,
            Cause.SUPPLY: 0.90,
            Cause.CONTROLLER: 0.05,
            Cause.SPILLOVER: 0.06,
            Cause.CLEAR: 0.01,
            Cause.UNDECIDED: 0.2,
        },
    ),
)


SUPPLY_WORTH, BEFORE_STOP = 0.15, 0.03
"""Below this probability of a supply fault, 'check the supply' would send the bench astray; the
same before the memory is given up: ohms cost minutes, and a board that is given up is not looked
at again."""


class Choice(Struct, frozen=True):
    """The action, its expected cost, and measurements by what they are worth, best first (only
    those worth more than their price, and `worth` is net of it)."""

    action: Action
    cost: float
    immediate: Action
    measurements: tuple[tuple[Measurement, float], ...]


def expected_cost(action: Action, belief: Belief, costs: Costs, *, fresh: float = 0.0) -> float:
    """Expected cost of acting now. `fresh` 0..1: how probably the package at the place is a good
    one whatever the cause (it was just fitted): a missing one then is not soldered down."""
    base = {
        Action.REPLACE: costs.replace,
        Action.REFLOW: costs.reflow,
        Action.STOP: costs.stop,
        Action.CHECK_SUPPLY: costs.check_supply,
        Action.LEAVE: 0.0,
        Action.NONE: 0.0,
    }[action]
    total = base
    for cause, p in belief.items():
        cured = CURES[action].get(cause, 0.0)
        if action is Action.REFLOW and cause is Cause.MISSING:
            cured += fresh * (0.70 - cured)
        if cause is Cause.CLEAR:
            cured = 1.0
        total += p * (1 - cured) * costs.returned
        if action is Action.REPLACE:
            good = fresh if cause in PACKAGE_BAD else 1.0
            total += p * good * costs.replace_good
        if action is Action.STOP and cause is not Cause.CONTROLLER:
            total += p * costs.stop_wrong
    return total


def best_now(belief: Belief, costs: Costs, *, fresh: float = 0.0) -> tuple[Action, float]:
    """The action of least expected cost without measuring anything more."""
    priced = {a: expected_cost(a, belief, costs, fresh=fresh) for a in CURES}
    action = min(priced, key=priced.__getitem__)
    return action, priced[action]


def decide(
    belief: Belief, costs: Costs, *, fresh: float = 0.0, known: Sequence[str] = ()
) -> Choice:
    """The best choice at one place. `known` names measurements the dump already holds."""
    now, cost = best_now(belief, costs, fresh=fresh)
    worth = []
    for m in MEASUREMENTS:
        if m.name in known:
            continue
        least = BEFORE_STOP if now is Action.STOP else SUPPLY_WORTH
        if m.action is Action.CHECK_SUPPLY and belief.get(Cause.SUPPLY, 0.0) < least:
            continue
        net = cost - after(belief, m, costs, fresh=fresh) - float(getattr(costs, m.price))
        if net > 0:
            worth.append((m, net))
    worth.sort(key=lambda pair: -pair[1])
    if worth:
        best, net = worth[0]
        return Choice(best.action, cost - net, now, tuple(worth))
    return Choice(now, cost, now, ())


def value_of(
    prior: Sequence[float], likelihood: Sequence[Sequence[float]], payoff: Sequence[Sequence[float]]
) -> float:
    """Expected payoff of acting best after each outcome of an experiment.

    `prior` (S) probabilities of the states; `likelihood` (outcomes, S) the probability of each
    outcome in each state, a column summing to 1; `payoff` (actions, S). A single outcome of
    probability 1 everywhere is no information: what the experiment is worth is the difference
    (Raiffa and Schlaifer 1961, preposterior analysis).
    """
    total = 0.0
    for chances in likelihood:
        joint = [p * chance for p, chance in zip(prior, chances, strict=True)]
        total += max(sum(p * u for p, u in zip(joint, row, strict=True)) for row in payoff)
    return total


def after(belief: Belief, m: Measurement, costs: Costs, *, fresh: float = 0.0) -> float:
    """Expected cost of the best action once the outcome of `m` is known (its price not counted)."""
    yes = [m.likely.get(cause, 0.5) for cause in belief]
    # What an action costs is linear in the belief, so certainty of each cause says it all.
    payoff = [
        [-expected_cost(action, {cause: 1.0}, costs, fresh=fresh) for cause in belief]
        for action in CURES
    ]
    return -value_of(list(belief.values()), [yes, [1 - p for p in yes]], payoff)


def would_change(belief: Belief, m: Measurement, costs: Costs) -> tuple[Action, Action]:
    """What would be done after each outcome of `m`: (yes, no)."""
    actions = []
    for outcome in (True, False):
        joint = {
            c: p * (m.likely.get(c, 0.5) if outcome else 1 - m.likely.get(c, 0.5))
            for c, p in belief.items()
        }
        weight = sum(joint.values()) or 1.0
        actions.append(best_now({c: p / weight for c, p in joint.items()}, costs)[0])
    return actions[0], actions[1]


LIKELY = 0.1
"""A cause less probable than this does not speak on what is to be done."""


def agreed(action: Action, belief: Belief, costs: Costs) -> bool:
    """Whether the action is the best one whichever of the likely causes it is: then it is right
    though the cause is open."""
    likely = [cause for cause, p in belief.items() if p >= LIKELY]
    return bool(likely) and all(best_now({c: 1.0}, costs)[0] is action for c in likely)


def allowed(action: Action, cause: Cause, belief: Belief, costs: Costs) -> Action:
    """An undecided finding never puts heat on the board, nor a probe on any hunch, unless that is
    right under each of its likely causes. Nor is a fault left alone, whatever it costs the shop."""
    idle = action in (Action.LEAVE, Action.NONE)
    if cause is Cause.UNDECIDED and not idle and agreed(action, belief, costs):
        return action
    if cause is Cause.UNDECIDED and action in (Action.REPLACE, Action.REFLOW, Action.STOP):
        return Action.RETEST
    if cause is Cause.UNDECIDED and action is Action.CHECK_SUPPLY:
        # Something is to be done to the board only for what is likelier than anything else.
        likely = max(belief, key=belief.__getitem__, default=cause)
        return action if likely is Cause.SUPPLY else Action.RETEST
    if action is Action.LEAVE and cause not in (Cause.SPILLOVER, Cause.CLEAR):
        return Action.RETEST
    if action is Action.NONE and cause is not Cause.CLEAR:
        return Action.RETEST if belief.get(Cause.CLEAR, 0.0) < 0.9 else Action.NONE
    return action
