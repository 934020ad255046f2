"""The factors of the posterior, held to published networks and to pgmpy.

Figures from Russell and Norvig, "Artificial Intelligence: A Modern Approach", third edition, are
the noisy-OR table of chapter 14 (fever) and the burglar alarm of page 523. The rule "greatest
state shows" is the noisy maximum of Henrion 1989 and Pearl 1988.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from memdiag.diagnosis import noisy_max
from memdiag.diagnosis.noisy_max import Family, Group, Model, Scores
from memdiag.diagnosis.search import infer
from tests.support.exact import (
    NEVER,
    NOBODY,
    ByElimination,
    as_mapping,
    brute_force,
    marginals,
    random_model,
    two_state,
    with_certain,
)


def _log(p: float) -> float:
    return math.log(p) if p > 0 else NEVER


# ---- fever: Russell and Norvig, the noisy-OR table ----

FEVER = ((0.4,), (0.8,), (0.9,))  # cold, flu, malaria: 1 - inhibition of 0.6, 0.2, 0.1


@pytest.mark.parametrize(
    ("present", "expected"),
    [
        ((), 0.0),
        ((2,), 0.9),
        ((1,), 0.8),
        ((1, 2), 0.98),
        ((0,), 0.4),
        ((0, 2), 0.94),
        ((0, 1), 0.88),
        ((0, 1, 2), 0.988),
    ],
)
def test_fever_table(present: tuple[int, ...], expected: float) -> None:
    model = two_state(FEVER, [0.0], [0.5] * 3, [True])
    scores = Scores(model.families[0])
    as_set = math.exp(scores.one_more(present)[0, -1] + scores.offset)
    # What is impossible counts as 1e-30, so that logs stay finite.
    assert as_set == pytest.approx(expected, abs=1e-12)
    for certain in sorted(present, reverse=True):
        model = with_certain(model, certain)
    in_leak = Scores(model.families[0])
    assert math.exp(in_leak.one_more(())[0, -1] + in_leak.offset) == pytest.approx(
        expected, abs=1e-12
    )


# ---- the alarm: Russell and Norvig, page 523 ----
# Burglary and earthquake do not add up as a noisy-OR there (0.95 together). The alarm is the
# circumstance that both calls come in: one of the two causes sets its level, the other is the
# context; or all their combinations are variants of one fault. John calls 0.90 / 0.05, Mary
# 0.70 / 0.01, with and without the alarm.

ALARM = {(True, True): 0.95, (True, False): 0.94, (False, True): 0.29, (False, False): 0.001}
CALLS = ((0.05, 0.90), (0.01, 0.70))
BURGLARY, EARTHQUAKE = 0.001, 0.002
KINDS = [(True, False), (False, True), (True, True)]


def _calls(chance: list[list[float]], seen: tuple[bool | None, ...], alarm: bool | None) -> Group:
    """The calls of John and Mary; `chance` of the alarm by context and level."""
    states = {True: [NEVER, 0.0], False: [0.0, NEVER], None: [0.0, 0.0]}
    loglik = np.array([[states[s] for s in seen]] * 2)
    if alarm is not None:
        loglik[0 if alarm else 1] = NEVER
    leak = np.array([[[1 - p[k], 1.0] for p in CALLS] for k in (0, 1)])
    rang = np.array(chance)
    return Group(loglik, leak, np.stack([1 - rang, rang], axis=-1), NOBODY, np.zeros((0, 2, 2)))


def by_context(
    seen: tuple[bool | None, ...], *, burglary_is_fault: bool, alarm: bool | None = None
) -> Model:
    """One of burglary and earthquake as a fault, the other as a context."""
    prior, other = (BURGLARY, EARTHQUAKE) if burglary_is_fault else (EARTHQUAKE, BURGLARY)
    chance = [
        [
            ALARM[(fault, context) if burglary_is_fault else (context, fault)]
            for fault in (False, True)
        ]
        for context in (False, True)
    ]
    contexts = np.log([1 - other, other])
    family = Family(contexts, (_calls(chance, seen, alarm),), np.array([[1]]))
    return Model((family,), np.array([math.log(prior / (1 - prior))]), np.zeros(1, np.int64))


def by_variants(seen: tuple[bool | None, ...], alarm: bool | None = None) -> Model:
    """One fault, "something happened", with the three combinations as its variants."""

    def prior(b: bool, e: bool) -> float:
        return (BURGLARY if b else 1 - BURGLARY) * (EARTHQUAKE if e else 1 - EARTHQUAKE)

    chance = [[ALARM[False, False], *(ALARM[kind] for kind in KINDS)]]
    family = Family(np.zeros(1), (_calls(chance, seen, alarm),), np.array([[1], [2], [3]]))
    odds = np.log([prior(*kind) / prior(False, False) for kind in KINDS])
    return Model((family,), odds, np.zeros(3, np.int64))


@pytest.mark.parametrize(
    ("seen", "alarm", "burglary", "earthquake"),
    [
        # P(B given j, m): printed on page 523 as 0.284; further digits and the other rows
        # recomputed from the same tables.
        ((True, True), None, 0.2841718354, 0.176067),
        ((False, True), None, 0.006876246, None),
        ((True, False), None, None, 0.004538640),
        ((None, None), True, 0.373551, 0.231009),
    ],
)
def test_alarm(
    seen: tuple[bool | None, ...],
    alarm: bool | None,
    burglary: float | None,
    earthquake: float | None,
) -> None:
    for wanted, is_burglary in ((burglary, True), (earthquake, False)):
        if wanted is None:
            continue
        model = by_context(seen, burglary_is_fault=is_burglary, alarm=alarm)
        assert marginals(infer(model), model) == pytest.approx([wanted], rel=3e-6)
        found = infer(by_variants(seen, alarm))
        mass = sum(
            p for s, p in as_mapping(found).items() if s and KINDS[s[0]][0 if is_burglary else 1]
        )
        assert mass == pytest.approx(wanted, rel=3e-6)
        assert all(len(s) <= 1 for s in found.sets), "variants of one fault exclude each other"


def test_alarm_explained_away() -> None:
    # P(B given a, e) = 0.003268 and P(E given a, b) = 0.002021, against 0.37 and 0.23 without the
    # other (recomputed from the tables of page 523).
    found = infer(by_variants((None, None), alarm=True))
    weight = {KINDS[s[0]]: p for s, p in as_mapping(found).items() if s}
    quake = weight[True, True] + weight[False, True]
    thief = weight[True, True] + weight[True, False]
    assert weight[True, True] / quake == pytest.approx(0.003268, abs=5e-7)
    assert weight[True, True] / thief == pytest.approx(0.002021, abs=5e-7)


def test_alarm_evidence() -> None:
    # P(j, m) = 0.002084100239; P(j, m, a, not b, not e) = 0.00062811126 (page 514 prints
    # 0.000628); P(A given j, m) = 0.760692; P(J given b) = 0.849017.
    none = (1 - BURGLARY) * (1 - EARTHQUAKE)
    calls = math.exp(infer(by_variants((True, True))).log_evidence) * none
    assert calls == pytest.approx(0.002084100239, rel=1e-9)
    both = infer(by_variants((True, True), alarm=True))
    rang = math.exp(both.log_evidence) * none
    assert rang / calls == pytest.approx(0.760692, abs=5e-7)
    assert as_mapping(both)[()] * rang == pytest.approx(0.00062811126, rel=1e-7)
    sure = with_certain(by_context((True, None), burglary_is_fault=True), 0)
    assert math.exp(infer(sure).log_evidence) == pytest.approx(0.849017, abs=5e-7)


# ---- findings with a leak: the bipartite form of Jaakkola and Jordan 1999 (JAIR 10) ----
# The form is theirs; the numbers are an own example, worked out by hand sum and by pgmpy.

SHOWS = ((0.8, 0.0), (0.6, 0.7), (0.0, 0.9))
LEAKS = (0.01, 0.02)
PRIORS = (0.05, 0.02, 0.01)


@pytest.mark.parametrize("apart", [True, False], ids=["groups", "one group"])
@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ((True, True), (0.175252, 0.862467, 0.054857)),
        ((True, None), (0.659273, 0.203210, 0.010000)),
        ((True, False), (0.756287, 0.071073, 0.001009)),
    ],
)
def test_leaky_findings(
    seen: tuple[bool | None, ...], expected: tuple[float, ...], apart: bool
) -> None:
    model = two_state(SHOWS, LEAKS, PRIORS, seen, apart=apart)
    assert marginals(infer(model, tolerance=0.0), model) == pytest.approx(list(expected), abs=1e-6)


def test_leaky_findings_with_a_known_fault() -> None:
    model = with_certain(two_state(SHOWS, LEAKS, PRIORS, (True, True)), 2)
    assert marginals(infer(model, tolerance=0.0), model) == pytest.approx(
        [0.650369, 0.215337], abs=1e-6
    )


def test_leak_is_not_folded_into_the_causes() -> None:
    # The other parametrisation, in which a cause's figure was measured with the leak running
    # (Henrion's "compound"), gives .176539 .861038 .055304 for the same numbers.
    model = two_state(SHOWS, LEAKS, PRIORS, (True, True))
    found = marginals(infer(model, tolerance=0.0), model)
    for ours, compound in zip(found, (0.176539, 0.861038, 0.055304), strict=True):
        assert abs(ours - compound) > 4e-4


# ---- pgmpy: variable elimination over the same network ----


@pytest.mark.parametrize("faults", [1, 2, 3, 4])
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_against_pgmpy(seed: int, faults: int) -> None:
    pytest.importorskip("pgmpy", reason="pgmpy is not installed (extra `reference`)")
    model = random_model(100 * faults + seed, faults=faults)
    truth = ByElimination(model).posterior()
    found = infer(model, tolerance=0.0)
    ours = as_mapping(found)
    assert set(ours) <= set(truth)
    for members, p in truth.items():
        assert ours.get(members, 0.0) == pytest.approx(p, abs=1e-5)
    by_hand = brute_force(model)
    total = sum(by_hand.values())
    for members, p in truth.items():
        assert by_hand[members] / total == pytest.approx(p, abs=1e-9), "the oracles disagree"


def test_published_noisy_or_agrees_with_pgmpy() -> None:
    pytest.importorskip("pgmpy", reason="pgmpy is not installed (extra `reference`)")
    joint = ByElimination(two_state(SHOWS, LEAKS, PRIORS, (True, True))).posterior()
    first = sum(p for s, p in joint.items() if 0 in s)
    assert first == pytest.approx(0.175252, abs=6e-7)


def test_knows_no_memory() -> None:
    """Below the catalogue: nothing of memdiag, nothing heavier than numpy."""
    text = Path(noisy_max.__file__).read_text(encoding="utf-8")
    imports = [line for line in text.splitlines() if line.startswith(("import ", "from "))]
    assert not [line for line in imports if "memdiag" in line or "scipy" in line]
