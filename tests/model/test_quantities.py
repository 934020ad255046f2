"""How quantities are shown."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from memdiag.model.quantities import parse, scale, show_metered


@pytest.mark.parametrize(
    ("amps", "shown"),
    [
        (0.35, "0.35 A"),
        (12.0, "12 A"),
        (100.0, "100 A"),
        (99.96, "100 A"),
        (1250.0, "1,250 A"),
        (1 / 18, "55.6 mA"),
        (0.09996, "0.1 A"),
        (0.000999, "999 uA"),
        (1e-12, "under 0.001 uA"),
        (0.0, "0 A"),
    ],
)
def test_a_current_is_shown_as_a_meter_shows_it(amps: float, shown: str) -> None:
    assert show_metered(amps, "A") == shown


@given(st.floats(1e-6, 1e6))
def test_what_is_shown_is_the_value_to_three_figures(value: float) -> None:
    number, unit = show_metered(value, "A").split(" ")
    assert "e" not in number
    factor, base = scale(unit)
    assert base == "A"
    assert float(number.replace(",", "")) * factor == pytest.approx(value, rel=0.0051)


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_no_number_is_no_reading(value: float) -> None:
    with pytest.raises(ValueError, match="meter"):
        show_metered(value, "A")


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ("PS", "ps"),
        ("ui", "UI"),
        ("Taps", "tap"),
        ("MV", "mV"),
        ("gbit/s", "Gbit/s"),
        ("OHM", "ohm"),
    ],
)
def test_the_case_of_a_unit_never_matters_where_it_can_be_but_one(written: str, unit: str) -> None:
    """SI Brochure, 9th edition: m is milli and M is mega; no bench reads megavolts of a memory."""
    assert scale(written) == scale(unit)


def test_a_prefix_that_case_alone_tells_apart_is_kept() -> None:
    """SI Brochure, 9th edition, table 7."""
    assert scale("MHz")[0] == 1e6 and scale("mHz")[0] == 1e-3
    assert scale("Mohm")[0] == 1e6 and scale("mohm")[0] == 1e-3


@pytest.mark.parametrize("text", ["43.", "43.ps", "-7."])
def test_a_number_that_lost_the_digits_behind_its_point_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="unit"):
        parse(text)
