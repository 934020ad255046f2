"""Is a repair worth going on with? From what is left, the costs of the shop, and the board's value.

The chance to save the board is that every fault that is left can be mended: the product over the
findings of the probability of each cause times the share of such faults that the bench mends. What
it will still take is the expected cost of that work and of the run that proves it.
"""

from __future__ import annotations

from collections.abc import Mapping

from memdiag.diagnosis.settings import Settings
from memdiag.model import WANTS_WORK, Action, Cause, Finding, Verdict
from memdiag.model.case import Advice, Worth
from memdiag.model.figures import Table
from memdiag.model.quantities import show_probability

_F = Table("Worth going on")
MENDED: Mapping[Cause, float] = {
    cause: _F.practice(f"{cause.value} mended", share, "share of such faults that a bench mends")
    for cause, share in {
        Cause.MISSING: 0.88,
        Cause.WEAK: 0.90,
        Cause.JOINT: 0.85,
        Cause.BRIDGE: 0.85,
        Cause.SUPPLY: 0.65,
        Cause.CONTROLLER: 0.05,
        Cause.UNDECIDED: 0.5,
    }.items()
}
_LEAVES_ALONE = (Cause.CLEAR, Cause.SPILLOVER)
CLEARLY = _F.practice("clearly", 0.1, "share of the board's value by which the balance must be off")


def worth(verdict: Verdict, settings: Settings) -> Worth:
    """Whether to go on, from the verdict on the board as it is now."""
    left = [f for f in verdict.findings if f.action in WANTS_WORK and not f.expected]
    fits = [f for f in verdict.findings if f.expected]
    chance, cost = 1.0, settings.costs.retest
    for f in left:
        chance *= _mended(f)
        cost += _cost(f, settings)
    cost += len(fits) * settings.costs.fit
    value = settings.worth.board
    gain = chance * value - cost
    if not left:
        advice = Advice.GO_ON
    elif abs(gain) < CLEARLY * value:
        advice = Advice.ASK
    else:
        advice = Advice.GO_ON if gain > 0 else Advice.STOP
    says = (
        f"{_WORDS[advice]}: chance to save the board {show_probability(chance)}, about {cost:.0f} "
        f"more of a value of {value:.0f}"
    )
    return Worth(advice, chance, cost, value, says, tuple(_hangs_on(left, verdict)))


_WORDS = {
    Advice.GO_ON: "worth going on",
    Advice.STOP: "not worth going on",
    Advice.ASK: "ask the customer",
}


def _mended(f: Finding) -> float:
    """The chance that the bench mends what a finding says, over its causes."""
    total = 0.0
    for cause, p in ((f.cause, f.probability), *f.alternatives):
        total += p * (1.0 if cause in _LEAVES_ALONE else MENDED[cause])
    return min(total, 1.0)


def _cost(f: Finding, settings: Settings) -> float:
    costs = settings.costs
    each = {
        Action.REPLACE: costs.replace,
        Action.REFLOW: costs.reflow,
        Action.FIT: costs.fit,
        Action.CHECK_SUPPLY: costs.check_supply + costs.measure + costs.reflow,
        Action.STOP: costs.stop,
    }
    # What is to be measured first is work too, and the work after it most of a replacement.
    return each.get(f.action, costs.retest + f.place_probability * costs.replace)


def _hangs_on(left: list[Finding], verdict: Verdict) -> list[str]:
    """The two or three figures that decide it."""
    out = []
    for f in sorted(left, key=_mended)[:2]:
        out.append(
            f"{f.place}: {f.cause} {show_probability(f.probability)}; the bench mends "
            f"{show_probability(_mended(f))} of what it may be"
        )
    open_ = [f for f in left if f.cause is Cause.UNDECIDED]
    if open_ and open_[0].next:
        out.append(f"what is not known yet: {open_[0].next[0]}")
    return out
