"""Lanes that erred equally often, against Poisson draws of numpy and counts that are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.evidence import same_counts
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.model import Place
from memdiag.reading.load import load
from tests.diagnosis import test_facts as facts
from tests.support.marks import examples


def lanes(errors: list[int], bits: int = 10**12) -> dict[Place, tuple[int, int]]:
    return {Place(channel=i, lane=0): (n, bits) for i, n in enumerate(errors)}


@given(st.data())
@settings(max_examples=examples(60), deadline=None)
def test_one_rate_is_found_among_others_whatever_their_order(data: st.DataObject) -> None:
    """Counts of one Poisson rate (numpy) agree; rates a third apart and more do not."""
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    rate = data.draw(st.integers(5_000, 10**8))
    one = rng.poisson(rate, data.draw(st.integers(4, 12))).tolist()
    others = [int(rate * 1.5 ** (k + 1)) for k in range(data.draw(st.integers(0, len(one) - 2)))]
    counts = lanes([*one, *others])
    order = data.draw(st.permutations(list(counts)))
    found = same_counts.most_alike({link: counts[link] for link in order})
    assert set(found) == set(list(counts)[: len(one)])


@given(st.lists(st.integers(0, 10**6), max_size=30))
@settings(max_examples=examples(60), deadline=None)
def test_what_is_found_is_alike(errors: list[int]) -> None:
    """Of what is found no two differ by more than chance and the allowance; lanes without any
    error are never among them."""
    counts = lanes(errors)
    found = [counts[link][0] for link in same_counts.most_alike(counts)]
    assert all(found)
    assert len(found) >= bool([n for n in errors if n])
    for low, high in zip(found[:1], found[-1:], strict=True):
        chance = same_counts.CHANCE * (low**-0.5 + high**-0.5)
        assert np.log(high / low) <= same_counts.WITHIN + chance + 1e-9


def node_of(errors: str, by: str) -> tuple[int, str]:
    """How many places are found equal in a dump, and what is said of them."""
    on = facts.board("quince-8")
    text = facts.dump(on, count=lambda *_: f"{facts.BITS} {errors} - - - -")
    if by == "site":
        text = text.replace("site ch rank lane test", "site ch rank test")
        head, _, counts = text.partition("[counts]")
        rows = [r.split() for r in counts.splitlines()]
        rows = [r[:3] + r[4:] if len(r) > 5 and r[0].startswith("U") else r for r in rows]
        text = head + "[counts]" + "\n".join(" ".join(r) for r in rows) + "\n"
    (run,) = load(text)
    evidence = gather(measure(run, on))
    quotes = [q.says for node in evidence.nodes if node.kind == "rates" for q in node.quotes]
    return len(evidence.equal), " ".join(quotes)


def test_equal_lanes_are_said_once_with_their_number() -> None:
    assert node_of("50000", "lane") == (8, "8 lanes err equally often: 50,000 bits wrong in each")


@pytest.mark.parametrize("errors", ["100", "600000000000"])
def test_few_errors_and_dead_lines_are_equal_anywhere(errors: str) -> None:
    """Of a hundred errors ten more or less are chance; a lane that reads rubbish errs in half of
    its bits whatever made it (common practice, no source)."""
    assert node_of(errors, "lane") == (0, "")


def test_a_package_whose_lanes_err_alike_may_be_wrong_at_the_same_addresses() -> None:
    on = profiles.find("quince-12")
    assert on is not None
    mine = on.sites[3].ref
    cells = f"{facts.BITS} 50000 - - - -"
    text = facts.dump(on, count=lambda site, *_: cells if site == mine else None)
    (run,) = load(text)
    assert len(list(on.sites[3].links)) >= same_counts.LEAST_LANES
    assert not gather(measure(run, on)).equal
