"""The search for sets of faults, held to a sum over all sets of small random models."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.diagnosis.noisy_max import Array, Family, Group, Model, Scores
from memdiag.diagnosis.search import infer
from tests.support.exact import (
    as_mapping,
    brute_force,
    marginals,
    random_group,
    random_model,
    two_state,
    whole_chance,
    with_certain,
)
from tests.support.marks import examples

SEEDS = st.integers(0, 10**9)


@settings(max_examples=examples(40), deadline=None)
@given(seed=SEEDS, faults=st.integers(1, 4))
def test_against_the_sum_over_all_sets(seed: int, faults: int) -> None:
    model = random_model(seed, faults=faults)
    truth = brute_force(model)
    total = sum(truth.values())
    found = infer(model, tolerance=0.0)
    ours = as_mapping(found)
    for members, weight in truth.items():
        # Sets too light to be listed are summed, and that sum is an estimate.
        assert ours.get(members, 0.0) == pytest.approx(weight / total, abs=1e-4)
    assert set(ours) <= set(truth), "a set with two variants of one fault"
    assert found.log_evidence == pytest.approx(math.log(total), abs=1e-3)


@settings(max_examples=examples(30), deadline=None)
@given(seed=SEEDS, faults=st.integers(1, 7), widest=st.integers(2, 30))
def test_sums_to_one_and_is_sorted(seed: int, faults: int, widest: int) -> None:
    found = infer(random_model(seed, faults=faults), widest=widest)
    assert float(found.probability.sum()) + found.left_out == pytest.approx(1.0, abs=1e-9)
    assert 0.0 <= found.left_out <= 1.0
    assert np.all(np.diff(found.probability) <= 1e-15)
    assert len(set(found.sets)) == len(found.sets)


@settings(max_examples=examples(40), deadline=None)
@given(seed=SEEDS, faults=st.integers(5, 7), tolerance=st.sampled_from([2e-3, 0.05, 0.5]))
def test_left_out_is_no_less_than_what_is_missing(seed: int, faults: int, tolerance: float) -> None:
    """Sets that were not followed up: their true share is within the estimate."""
    model = random_model(seed, faults=faults, strengths=1, rare=0.1)
    truth = brute_force(model)
    total = sum(truth.values())
    found = infer(model, tolerance=tolerance)
    missing = 1.0 - sum(truth[s] for s in found.sets) / total
    assert missing <= found.left_out + 1e-6


@settings(max_examples=examples(30), deadline=None)
@given(seed=SEEDS, faults=st.integers(5, 7), widest=st.integers(2, 5))
def test_left_out_is_near_what_is_missing_where_few_are_paired(
    seed: int, faults: int, widest: int
) -> None:
    """With most variants left out of the pairs nothing heavy may be lost unsaid: two that explain
    nothing alone may be taken for less than they are together, by little."""
    model = random_model(seed, faults=faults, strengths=1, rare=0.1)
    truth = brute_force(model)
    total = sum(truth.values())
    found = infer(model, widest=widest)
    missing = 1.0 - sum(truth[s] for s in found.sets) / total
    assert missing <= found.left_out + 5e-3
    for members, p in as_mapping(found).items():
        assert p == pytest.approx(truth[members] / total, abs=0.01)


def test_nothing_seen_leaves_the_prior() -> None:
    priors = [0.1, 0.3, 0.02]
    model = two_state([[0.8, 0.0], [0.6, 0.7], [0.0, 0.9]], (0.01, 0.02), priors, (None, None))
    assert marginals(infer(model, tolerance=0.0), model) == pytest.approx(priors, abs=1e-6)


def test_most_limits_the_size_of_sets() -> None:
    shows = [[0.9 if n == f else 0.0 for n in range(5)] for f in range(5)]
    model = two_state(shows, [0.01] * 5, [0.2] * 5, [True] * 4 + [False])
    for most in (1, 2, 3, 4):
        assert max(map(len, infer(model, most=most, tolerance=0.0).sets)) == most


def test_vague_variants_are_held_to_the_size_of_sets_too() -> None:
    shows = [[0.9 if n == f else 0.0 for n in range(3)] for f in range(3)]
    model = two_state(shows, [0.01] * 3, [0.2] * 3, [True] * 3)
    for most in (1, 2):
        found = infer(replace(model, vague=frozenset({0})), most=most, tolerance=0.0)
        assert max(map(len, found.sets)) == most


def test_without_any_fault_nothing_is_the_answer() -> None:
    found = infer(two_state([], [0.1], [], [False]))
    assert found.sets == ((),)
    assert found.left_out == 0.0
    assert found.log_evidence == pytest.approx(math.log(0.9))


def test_many_nodes_do_not_underflow() -> None:
    """Thousands of observations: the evidence alone would be 10 to the minus thousands."""
    nodes = 4000
    shows = [[0.9] * nodes, [0.1] * nodes]
    seen = [i % 10 != 0 for i in range(nodes)]
    model = two_state(shows, [0.01] * nodes, [0.05, 0.05], seen, apart=False)
    found = infer(model)
    assert found.sets[0] == (0,)
    # By hand: 3600 findings present, 400 absent, under the one fault or under both.
    q = 0.99 * 0.1
    alone = 3600 * math.log(1 - q) + 400 * math.log(q)
    both = 3600 * math.log(1 - 0.9 * q) + 400 * math.log(0.9 * q)
    odds = math.log(0.05 / 0.95)
    assert marginals(found, model)[1] == pytest.approx(
        math.exp(both + odds - np.logaddexp(alone, both + odds)), rel=1e-6
    )
    assert found.log_evidence == pytest.approx(odds + np.logaddexp(alone, both + odds), rel=1e-9)


def test_every_fault_may_explain_more_than_a_float_can_hold() -> None:
    """Four faults, each the only one to explain 400 findings: e to the 1,800 each."""
    shows = [[0.9 if n // 400 == f else 0.0 for n in range(1600)] for f in range(4)]
    model = two_state(shows, [0.01] * 1600, [0.05] * 4, [True] * 1600, apart=False)
    found = infer(model)
    assert found.sets[0] == (0, 1, 2, 3) and found.probability[0] > 0.999
    each = 1 - 0.99 * 0.1
    wanted = 4 * math.log(0.05 / 0.95) + 1600 * math.log(each)
    assert found.log_evidence == pytest.approx(wanted, rel=1e-9)


# ---- one way of scoring agrees with another ----


def _alone(scores: Scores, members: tuple[int, ...]) -> Array:
    """(C,) the log likelihood of one set."""
    return scores.one_more(members)[:, -1]


@settings(max_examples=examples(30), deadline=None)
@given(seed=SEEDS, faults=st.integers(2, 5))
def test_one_more_is_the_set_scored_alone(seed: int, faults: int) -> None:
    model = random_model(seed, faults=faults)
    every = np.arange(len(model.odds))
    for family in model.families:
        scores = Scores(family)
        for a, b in combinations(every.tolist(), 2):
            assert scores.one_more((a,))[:, b] == pytest.approx(_alone(scores, (a, b)))
            more = scores.one_more((a, b))
            for v in every[~np.isin(every, (a, b))]:
                assert more[:, v] == pytest.approx(_alone(scores, (a, b, int(v))))


@settings(max_examples=examples(20), deadline=None)
@given(seed=SEEDS)
def test_two_are_not_thought_less_of_than_they_are(seed: int) -> None:
    """Where they disturb nobody and strike other groups, what is guessed of a pair from what each
    says alone is no less than the truth."""
    model = random_model(seed, faults=5)
    for family in model.families:
        calm = replace(family, reach=np.zeros_like(family.reach))
        scores = Scores(calm)
        every = np.arange(len(model.odds))
        for context in range(len(family.contexts)):
            guess = scores.of_two(every, scores.by_group(context))
            for a, b in combinations(every.tolist(), 2):
                if not any({a, b} <= set(group.direct.tolist()) for group in calm.groups):
                    assert guess[a, b] >= _alone(scores, (a, b))[context] - 1e-9


@settings(max_examples=examples(20), deadline=None)
@given(seed=SEEDS, faults=st.integers(2, 4))
def test_order_does_not_matter(seed: int, faults: int) -> None:
    model = random_model(seed, faults=faults)
    new = np.random.default_rng(seed).permutation(len(model.odds))  # new[i]: the old number
    at = np.argsort(new)
    families = []
    for family in reversed(model.families):
        groups = []
        for group in reversed(family.groups):
            order = np.argsort(at[group.direct])
            direct, effects = at[group.direct][order], group.effects[order]
            groups.append(replace(group, direct=direct, effects=effects))
        reach = family.reach[new][:, ::-1]
        families.append(Family(family.contexts, tuple(groups), reach))
    found = infer(model, tolerance=0.0)
    shuffled = infer(Model(tuple(families), model.odds[new], model.fault[new]), tolerance=0.0)
    assert shuffled.log_evidence == pytest.approx(found.log_evidence)
    ours = {frozenset(at[list(s)].tolist()): p for s, p in as_mapping(found).items()}
    theirs = {frozenset(s): p for s, p in as_mapping(shuffled).items()}
    for members in ours.keys() | theirs.keys():
        assert ours.get(members, 0.0) == pytest.approx(theirs.get(members, 0.0), abs=1e-5)


@settings(max_examples=examples(20), deadline=None)
@given(seed=SEEDS, faults=st.integers(1, 4))
def test_a_group_that_says_nothing_changes_nothing(seed: int, faults: int) -> None:
    model = random_model(seed, faults=faults)
    rng = np.random.default_rng(seed + 1)
    first = model.families[0]
    shape = first.groups[0].chance.shape
    drawn = random_group(rng, len(model.odds), (shape[0], shape[1], 2))
    silent = replace(drawn, loglik=np.where(np.isfinite(drawn.loglik), 0.0, drawn.loglik))
    reach = np.hstack([first.reach, rng.integers(0, shape[1], (len(model.odds), 1))])
    longer = replace(first, groups=(*first.groups, silent), reach=reach)
    more = replace(model, families=(longer, *model.families[1:]))
    found, same = infer(model, tolerance=0.0), infer(more, tolerance=0.0)
    assert same.log_evidence == pytest.approx(found.log_evidence)
    ours, theirs = as_mapping(found), as_mapping(same)
    for members in ours.keys() | theirs.keys():
        assert ours.get(members, 0.0) == pytest.approx(theirs.get(members, 0.0), abs=1e-5)


@settings(max_examples=examples(30), deadline=None)
@given(seed=SEEDS, faults=st.integers(2, 4))
def test_a_certain_fault_is_as_good_as_part_of_the_leak(seed: int, faults: int) -> None:
    model = random_model(seed, faults=faults)
    keep = np.flatnonzero(model.fault != model.fault[0])
    found = infer(with_certain(model, 0), tolerance=0.0)
    truth = {s: w for s, w in brute_force(model).items() if 0 in s}
    total = sum(truth.values())
    ours = as_mapping(found)
    for members, weight in truth.items():
        others = tuple(np.searchsorted(keep, [v for v in members if v != 0]).tolist())
        assert ours.get(others, 0.0) == pytest.approx(weight / total, abs=1e-5)
    certain = math.log(total) - model.odds[0]
    assert found.log_evidence == pytest.approx(certain, abs=1e-3)


@settings(max_examples=examples(30), deadline=None)
@given(seed=SEEDS, cases=st.integers(2, 3))
def test_cases_that_exclude_each_other_are_a_table_with_zeros(seed: int, cases: int) -> None:
    """Contexts and circumstances in cases, kept apart, against the whole table, which says that the
    circumstances of another case cannot be."""
    model = random_model(seed, faults=3)
    rng = np.random.default_rng(seed)
    apart, whole = [], []
    for family in model.families:
        c, d, _ = family.groups[0].chance.shape
        groups = [
            random_group(rng, len(model.odds), (cases * c, d, cases * k))
            for k in (group.chance.shape[2] for group in family.groups)
        ]
        groups = [
            replace(
                g, chance=rng.dirichlet(np.ones(g.chance.shape[2] // cases), (c, d)), cases=cases
            )
            for g in groups
        ]
        prior = np.log(rng.dirichlet(np.ones(cases * c)))
        apart.append(replace(family, groups=tuple(groups), contexts=prior))
        dense = (replace(g, chance=whole_chance(g), cases=1) for g in groups)
        whole.append(replace(family, groups=tuple(dense), contexts=prior))
    found, same = (infer(replace(model, families=tuple(f)), tolerance=0.0) for f in (apart, whole))
    assert same.log_evidence == pytest.approx(found.log_evidence)
    ours, theirs = as_mapping(found), as_mapping(same)
    for members in ours.keys() | theirs.keys():
        assert ours.get(members, 0.0) == pytest.approx(theirs.get(members, 0.0), abs=1e-5)


def _group_of(group: Group, order: list[int]) -> Group:
    return replace(
        group, loglik=group.loglik[order], leak=group.leak[order], chance=group.chance[..., order]
    )


@settings(max_examples=10, deadline=None)
@given(seed=SEEDS)
def test_order_of_circumstances_does_not_matter(seed: int) -> None:
    model = random_model(seed, faults=3)
    families = tuple(
        replace(f, groups=tuple(_group_of(g, list(range(len(g.loglik)))[::-1]) for g in f.groups))
        for f in model.families
    )
    found = infer(replace(model, families=families))
    assert found.log_evidence == pytest.approx(infer(model).log_evidence)
