"""Several faults beside a cause that could be anything, what they share, and what must wait."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.diagnosis.search import infer
from memdiag.evidence.covered import Cover
from memdiag.evidence.error_counts import count_loglik
from memdiag.evidence.nodes import LINK
from memdiag.model import Action, Cause, ObstacleKind
from tests.diagnosis import test_facts as facts
from tests.support.exact import as_mapping, brute_force, random_model, two_state
from tests.support.marks import examples

# ---- the search ----


def test_what_can_stand_for_anything_hides_no_set_of_several() -> None:
    """Four findings, each of them one fault's: no set of one to three of these weighs anything
    beside the one that shows all of it, and yet the four together are the likelier answer."""
    shows = [[0.99 if n == f else 0.0 for n in range(4)] for f in range(4)] + [[0.1] * 4]
    model = two_state(shows, [1e-9] * 4, [0.05] * 4 + [0.01], [True] * 4)
    truth = brute_force(model)
    total = sum(truth.values())
    assert truth[0, 1, 2, 3] / total > 0.5  # by the sum over all sets
    found = as_mapping(infer(replace(model, vague=frozenset({4}))))
    assert found[0, 1, 2, 3] == pytest.approx(truth[0, 1, 2, 3] / total, abs=0.02)
    assert found[(4,)] == pytest.approx(truth[(4,)] / total, abs=0.02)


@settings(max_examples=examples(40), deadline=None)
@given(seed=st.integers(0, 10**9), faults=st.integers(2, 4), data=st.data())
def test_vague_variants_change_no_posterior(seed: int, faults: int, data: st.DataObject) -> None:
    """Which ones come last is a matter of the search, not of what is true."""
    model = random_model(seed, faults=faults)
    several = st.frozensets(st.integers(0, len(model.odds) - 1), max_size=3)
    truth = brute_force(model)
    total = sum(truth.values())
    found = infer(replace(model, vague=data.draw(several)), tolerance=0.0)
    ours = as_mapping(found)
    for members, weight in truth.items():
        assert ours.get(members, 0.0) == pytest.approx(weight / total, abs=1e-4)


# ---- counts of many parts ----


def test_two_packages_of_eight_that_are_gone_err_in_an_eighth_of_all_bits() -> None:
    """Undriven lines are wrong in half of the bits (derived from the termination schemes); two of
    eight packages with all their bits counted together: an eighth."""
    log = count_loglik(125_000_000, 1_000_000_000, cover=Cover(8, 1))[0]
    state = dict(zip(LINK, log.tolist(), strict=True))
    assert state["absent"] > max(state["sound"], state["array"], state["58"])
    lone = count_loglik(62_500_000, 1_000_000_000, cover=Cover(8, 1))[0]
    assert lone[LINK.index("absent")] > log[LINK.index("absent")]  # one is likelier than two


# ---- one bit of every lane ----


def test_the_same_bit_of_every_lane_is_no_matter_of_four_packages() -> None:
    """A stripe of one bit position over all packages is the controller's (common practice, no
    source): four packages do not fail alike to the last bit."""
    on = facts.board("quince-8")
    bad = "1200000000000 699052 699052 0 0 699052"

    def count(site: str, ch: int, lane: int) -> str:
        return bad

    words = [
        f"{site} {ch} 0 {lane} 0x{0x300 + 0x800 * k:08x} 0xaa 0xba - 1"
        for site, ch, lane in facts.lanes(on)
        for k in (0, 1, 3, 4, 6, 7, 9, 10, 12, 13, 15, 16)
    ]
    v = facts.verdict(facts.dump(on, count=count, words=words))
    assert v.summary.cause is Cause.CONTROLLER
    assert v.findings[0].place.line == 4 and v.findings[0].place.site is None
    assert not any(f.action in (Action.REPLACE, Action.REFLOW) for f in v.findings)


# ---- link checks ----


def test_right_data_behind_checks_that_fail_are_no_clear_link() -> None:
    """The check code is computed over what travelled (JESD250): where a check fails and no bit is
    wrong, what carries the check is bad, or the word was sent again."""
    on = facts.board("quince-12")
    where = next(iter(facts.lanes(on)))
    count = facts.counted(where, f"{facts.BITS} 0 0 0 132293701 0")
    v = facts.verdict(facts.dump(on, count=count))
    assert not v.released
    assert v.summary.place is not None and v.summary.place.site == where[0]
    few = facts.counted(where, f"{facts.BITS} 0 0 0 1 0")
    assert facts.verdict(facts.dump(on, count=few)).released  # a stray one is weighed


# ---- warnings ----


def test_a_package_that_is_marginal_throughout_is_not_released_as_a_stray() -> None:
    on = facts.board("quince-12")
    ref = on.sites[4].ref

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return "marginal 0.46UI" if site == ref and step in ("read", "write") else None

    v = facts.verdict(facts.dump(on, row))
    assert not v.released
    held = {o.kind for o in v.release.obstacles}
    assert v.summary.action is not Action.NONE and (v.findings or ObstacleKind.MARGINAL in held)

    def once(site: str, ch: int, lane: int, step: str) -> str | None:
        return "marginal 0.46UI" if (site, lane, step) == (ref, 0, "read") else None

    assert facts.verdict(facts.dump(on, once)).released


# ---- a rail that is ill ----


def test_no_heat_at_a_package_whose_rail_is_ill() -> None:
    """The far end of a rail that sags looks dead before the near one: the rail is mended first, and
    what is left then is the package's (common practice, no source)."""
    on = facts.board("quince-12")
    rail = next(
        r.name
        for r in on.rails
        if r.feeds == "packages" and 3 < len(on.sites_on_rail(r.name)) < len(on.sites)
    )
    fed = [site.ref for site in on.sites_on_rail(rail)]

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site not in fed or step == "id":
            return None
        if site == fed[-1]:
            return "not-found -" if step in ("read", "write") else None
        if step in ("read", "write"):
            return f"fail {0.16 + 0.005 * (lane % 2):.3f}UI"
        return None

    v = facts.verdict(facts.dump(on, row, counts=False))
    ill = [f for f in v.findings if f.cause is Cause.SUPPLY]
    assert ill and ill[0].place.rail == rail and ill[0].action is Action.CHECK_SUPPLY
    for f in v.findings:
        if f.place.site in fed:
            assert f.action not in (Action.REPLACE, Action.REFLOW)
