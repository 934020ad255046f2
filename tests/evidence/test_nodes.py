"""Nodes: what was seen of a place, made to weigh less, and looked at in more than one way."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.evidence.nodes import EACH_BY_ITSELF, FLOOR, LINK, VIEWS, Node, by_state, of_line
from tests.support.likelihoods import THROUGHOUT
from tests.support.marks import examples

SEEDS = st.integers(0, 10**9)


def seen(seed: int) -> Node:
    node = Node("place", ("U1",))
    node.add(np.random.default_rng(seed).uniform(-8.0, 0.0, (2, len(VIEWS), len(LINK))))
    return node


@given(seed=SEEDS, factor=st.floats(0.05, 1.0))
@settings(max_examples=examples(60), deadline=None)
def test_the_same_factor_for_all_states_is_one_factor(seed: int, factor: float) -> None:
    one, each = seen(seed), seen(seed)
    one.soften(factor)
    each.soften(by_state({"array": factor, "stuck": factor, "dead": factor}, grades=factor))
    np.testing.assert_allclose(one.seen, each.seen, atol=1e-9)
    np.testing.assert_allclose(one.seen, factor * seen(seed).seen, atol=1e-9)


@given(seed=SEEDS, low=st.floats(0.05, 0.5), high=st.floats(0.5, 1.0))
@settings(max_examples=examples(60), deadline=None)
def test_softening_state_by_state_makes_no_state_the_best(
    seed: int, low: float, high: float
) -> None:
    """What is likeliest stays so, in each view, and none is further from it than it was."""
    before, node = seen(seed).seen, seen(seed)
    node.soften(by_state({"array": high, "stuck": high, "dead": high}, grades=low))
    after = node.seen
    np.testing.assert_array_equal(after.argmax(axis=-1), before.argmax(axis=-1))
    lost = before - before.max(axis=-1, keepdims=True)
    assert (after - after.max(axis=-1, keepdims=True) >= lost - 1e-9).all()


@given(seed=SEEDS)
@settings(max_examples=examples(60), deadline=None)
def test_each_place_by_itself_is_warned_of_or_not(seed: int) -> None:
    """The view behind the others is the mixture of none and of a warning throughout (derived)."""
    seen_so = np.exp(seen(seed).seen)
    mixed = (1 - EACH_BY_ITSELF) * seen_so[:, 0] + EACH_BY_ITSELF * seen_so[:, THROUGHOUT]
    ways = seen(seed).by_way()
    assert ways.shape[2] == len(VIEWS) + 1
    offset = ways[0, 0, 0, 0] - np.log(seen_so[0, 0, 0])
    expected = np.maximum(np.log(mixed) + offset, FLOOR)
    np.testing.assert_allclose(ways[0][:, -1], expected, atol=1e-9)


def test_an_open_line_is_like_one_of_a_dead_lane() -> None:
    table = np.arange(float(len(LINK)))
    line = of_line(table)
    assert line[LINK.index("stuck")] == line[LINK.index("joined")] == table[LINK.index("dead")]
    others = [s for s in range(len(LINK)) if LINK[s] not in ("stuck", "joined")]
    assert (line[others] == table[others]).all()
