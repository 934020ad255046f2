"""Readings of rails: ohms with a profile and without, packages off the board, voltages.

* Shorts: to ground with the board off a capacitor reads up to an ohm, a chip a few ohms (common
  practice, no source). A core rail reads that little when it is healthy.
* Resistances in parallel: conductances add (Kirchhoff).
* JESD250: supplies of GDDR6 within 3 %; JESD79-4: VDD 1.2 V within 60 mV, which is 5 %.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.evidence import rails
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.evidence.nodes import RAIL, VOLTS, Node
from memdiag.model import Rail
from memdiag.reading.load import load
from tests.diagnosis.test_facts import board
from tests.support.marks import examples

MEMORY = Rail("memory", healthy_ohms_min=88, healthy_ohms_typical=115)
TYPICAL = Rail("typical", healthy_ohms_typical=115)
CORE = Rail("core", healthy_ohms_min=0.3, healthy_ohms_typical=0.9)
NO_OHMS = Rail("named only")
EVERY = [None, MEMORY, TYPICAL, CORE, NO_OHMS]


def likeliest(
    ohms: float, rail: Rail | None = None, trend: str | None = None, share: float = 1.0
) -> str:
    found = rails.reading_loglik(ohms, trend, rail, share)
    assert set(found) == set(RAIL)
    return max(found, key=found.__getitem__)


# ---- ohms ----


@pytest.mark.parametrize("rail", [None, MEMORY, TYPICAL, NO_OHMS])
@pytest.mark.parametrize("ohms", [0.0, 0.05, 0.2, 0.4])
def test_a_fraction_of_an_ohm_is_a_short(ohms: float, rail: Rail | None) -> None:
    assert likeliest(ohms, rail) == "short"


@pytest.mark.parametrize("rail", [MEMORY, TYPICAL, NO_OHMS])
@pytest.mark.parametrize("ohms", [2.0, 3.0, 5.7, 7.0])
def test_a_few_ohms_are_a_chip(ohms: float, rail: Rail) -> None:
    assert likeliest(ohms, rail) == "low"


@pytest.mark.parametrize("ohms", [0.45, 0.9, 1.8])
def test_a_core_rail_reads_little_when_it_is_well(ohms: float) -> None:
    assert likeliest(ohms, CORE) == "normal"
    assert likeliest(ohms, MEMORY) != "normal"


def test_of_a_rail_that_nobody_knows_a_little_may_be_healthy() -> None:
    """It may feed a core: half an ohm to a few says less than where the profile has the rail."""
    unknown, known = (rails.reading_loglik(1.5, None, r) for r in (None, NO_OHMS))
    assert unknown["normal"] - unknown["short"] > known["normal"] - known["short"]


@pytest.mark.parametrize("ohms", [88.0, 100.0, 115.0, 140.0])
def test_what_the_profile_calls_healthy_is_normal(ohms: float) -> None:
    assert likeliest(ohms, MEMORY) == "normal"


def test_well_above_its_typical_a_path_is_open() -> None:
    """Half of the packages no longer draw: twice the ohms. Ten times, and next to nobody does."""
    at = [rails.reading_loglik(115.0 * n, None, MEMORY) for n in (1, 2, 4, 10)]
    odds = [found["high"] - found["normal"] for found in at]
    assert odds == sorted(odds) and odds[0] < -2 and odds[-1] > 1


def test_without_a_healthy_reading_nothing_is_too_high() -> None:
    for rail in (None, NO_OHMS):
        for ohms in (500.0, 5e3, 5e4):
            assert likeliest(ohms, rail) == "normal"


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.floats(0.01, 60), min_size=2, max_size=6))
def test_below_what_is_healthy_lower_is_worse(ohms: list[float]) -> None:
    odds = []
    for each in sorted(ohms, reverse=True):
        found = rails.reading_loglik(each, None, MEMORY)
        odds.append(found["normal"] - max(found["low"], found["short"]))
    floor = math.log(1e-4)
    assert all(b <= a + 1e-9 or b <= floor + 2 for a, b in pairwise(odds))


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(8, 80), st.sampled_from([MEMORY, TYPICAL]))
def test_rising_below_the_settled_limit_is_no_proof(ohms: float, rail: Rail) -> None:
    """A capacitor still charges: such a reading will end higher."""
    settled, rising = (rails.reading_loglik(ohms, t, rail) for t in ("settled", "rising"))
    assert rising["normal"] >= settled["normal"]
    assert rising["low"] == settled["low"] and rising["short"] == settled["short"]


def test_no_contact_is_no_reading() -> None:
    assert len(set(rails.reading_loglik(math.inf, None, MEMORY).values())) == 1


@settings(max_examples=examples(100), deadline=None)
@given(
    st.one_of(st.floats(0, 1e9), st.just(math.inf)),
    st.sampled_from([None, "settled", "rising", "falling"]),
    st.sampled_from(EVERY),
    st.floats(0, 1),
)
def test_every_reading_can_be_weighed(
    ohms: float, trend: str | None, rail: Rail | None, share: float
) -> None:
    found = rails.reading_loglik(ohms, trend, rail, share)
    assert set(found) == set(RAIL)
    assert all(math.log(1e-4) - 1e-9 <= v < 2 for v in found.values())


# ---- packages that are off ----


@pytest.mark.parametrize("on", [5, 4, 3, 2])
def test_with_packages_off_a_rail_reads_higher_and_is_well(on: int) -> None:
    """Conductances add: of six alike packages `on` draw on / 6 of the current."""
    ohms = 115.0 * 6 / on
    whole, part = (rails.reading_loglik(ohms, None, MEMORY, s) for s in (1.0, on / 6))
    assert part["normal"] == pytest.approx(rails.reading_loglik(115.0, None, MEMORY)["normal"])
    assert part["normal"] - part["high"] > whole["normal"] - whole["high"]


def rail_node(readings: str, removed: str = "-") -> Node:
    text = (
        f"bench-dump 1\n[run]\nboard quince-12\nremoved {removed}\n[rails]\nrail ohms\n{readings}\n"
    )
    (run,) = load(text + "[end]\n")
    found = gather(measure(run, board("quince-12"))).nodes
    (node,) = (n for n in found if n.kind == "rail")
    return node


def test_a_package_that_was_off_drew_nothing_from_the_reading() -> None:
    node = rail_node("VDD_MEM_A 172", "U1 U2")
    assert set(node.sites) == {"U3", "U4", "U5", "U6"}
    alone, all_on = node, rail_node("VDD_MEM_A 172")
    assert alone.said("normal") - alone.said("high") > all_on.said("normal") - all_on.said("high")


def test_the_last_reading_of_a_rail_counts() -> None:
    first, last = rail_node("VDD_MEM_A 0.3"), rail_node("VDD_MEM_A 0.3\nVDD_MEM_A 114")
    assert first.said("short") > first.said("normal")
    assert last.said("normal") > last.said("short")


@settings(max_examples=examples(60), deadline=None)
@given(st.floats(0.1, 1e4), st.floats(0.1, 1e4))
def test_what_was_taken_off_accounts_for_the_rise(package: float, rest: float) -> None:
    with_it = 1 / (1 / package + 1 / rest)
    found = rails.through_package(with_it, rest)
    assert found is not None
    assert found == pytest.approx(package, rel=1e-3)


# ---- voltages ----


def volts(share: float) -> dict[str, float]:
    found = rails.volts_loglik(share)
    assert set(found) == set(VOLTS)
    return found


@pytest.mark.parametrize("share", [0.97, 0.985, 1.0, 1.02, 1.03])
def test_within_the_tolerance_of_the_standard_a_supply_is_well(share: float) -> None:
    """JESD250: within 3 %."""
    found = volts(share)
    assert max(found, key=found.__getitem__) == "well"


@pytest.mark.parametrize("share", [0.90, 0.85, 0.7])
def test_twice_the_widest_tolerance_below_is_low(share: float) -> None:
    """JESD79-4: 1.2 V within 60 mV, which is 5 %."""
    found = volts(share)
    assert found["low"] > found["well"] + 2 and found["low"] > found["none"]


@pytest.mark.parametrize("share", [0.0, 0.02, 0.2])
def test_next_to_nothing_is_none(share: float) -> None:
    found = volts(share)
    assert found["none"] > max(found["well"], found["low"]) + 3


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(st.floats(0, 3), min_size=2, max_size=6))
def test_the_farther_off_the_less_well(shares: list[float]) -> None:
    by_distance = sorted(shares, key=lambda s: abs(s - 1))
    well = [volts(s)["well"] for s in by_distance]
    assert all(a >= b - 1e-9 for a, b in pairwise(well))
