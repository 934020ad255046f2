"""Delay scans: Q space, the dual-Dirac model, eye widths at a rate nobody waits for.

Sources: the table of Q against the error rate is printed in guides to the dual-Dirac model (two
digits more, from memory, Agilent application note 5989-3206); crest factors at 10 % by a maker
of oscillators (SiTime, RMS to peak-peak calculator). The reduction of a scan to RJ, DJ and TJ is
that of Agilent's J-BERT N4903B user guide, pages 244 and 283. All agree with scipy's normal
distribution, which is asked too.
"""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from memdiag.boards import profiles
from memdiag.evidence.delay_scans import Bathtub, eyes
from memdiag.evidence.measurements import measure
from memdiag.model import Place
from memdiag.reading.load import load
from memdiag.stats import dual_dirac
from memdiag.stats.dual_dirac import Point, q_of
from tests.support.marks import examples

HEAD = """bench-dump 1
[run]
board   quince-12
memory  gddr6
rate    10.0 Gbit/s
[counts]
"""
BITS = 10**15


def scan(rows: Iterable[str], columns: str = "site ch lane test delay bits errors") -> str:
    listed = list(rows)
    return HEAD + "\n".join([columns, *listed, f"[end] {len(listed)}", ""])


def read(text: str, target: float = 1e-12) -> tuple[Bathtub, ...]:
    (run,) = load(text)
    board, _ = profiles.for_run(run, None)
    return eyes(measure(run, board), target)


def bell(
    left: float, right: float, sigma: float, right_sigma: float | None = None
) -> Callable[[float], float]:
    """The error rate of two Gaussian edges at a delay."""
    other = right_sigma or sigma

    def rate(x: float) -> float:
        return float(
            0.5 * math.erfc((x - left) / sigma / math.sqrt(2))
            + 0.5 * math.erfc((right - x) / other / math.sqrt(2))
        )

    return rate


def swept(
    rate: Callable[[float], float], delays: Iterable[float], unit: str = "UI", bits: int = BITS
) -> list[str]:
    return [f"U3 4 0 sweep {x:.6g}{unit} {bits} {round(min(rate(x), 0.5) * bits)}" for x in delays]


# ---- Q ----

TWO_Q = {
    1e-3: 6.180,
    1e-4: 7.438,
    1e-5: 8.530,
    1e-6: 9.507,
    1e-7: 10.399,
    1e-8: 11.224,
    1e-9: 11.996,
    1e-10: 12.723,
    1e-11: 13.412,
    1e-12: 14.069,
    1e-13: 14.698,
    1e-14: 15.301,
    1e-15: 15.883,
    1e-16: 16.444,
}
"""From memory for the print (Agilent 5989-3206); each is 2 norm.isf(rate)."""


@pytest.mark.parametrize("rate", TWO_Q)
def test_q_against_the_printed_table_and_scipy(rate: float) -> None:
    assert 2 * q_of(rate) == pytest.approx(TWO_Q[rate], abs=6e-4)
    assert q_of(rate) == pytest.approx(norm.isf(rate), rel=1e-12)


@pytest.mark.parametrize(
    ("rate", "q"), [(1e-6, 4.753), (1e-9, 5.998), (1e-12, 7.034), (1e-15, 7.941), (1e-18, 8.757)]
)
def test_q_of_the_dual_dirac_table(rate: float, q: float) -> None:
    assert q_of(rate) == pytest.approx(q, abs=1e-3)


@pytest.mark.parametrize(("q", "rate"), [(6, 9.866e-10), (7, 1.280e-12), (8, 6.221e-16)])
def test_the_rate_at_a_whole_q(q: float, rate: float) -> None:
    assert q_of(rate) == pytest.approx(q, abs=1e-3)


@pytest.mark.parametrize("rate", [0.0, 1.0, -1e-12, 2.0])
def test_a_rate_outside_nought_and_one_has_no_q(rate: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        q_of(rate)


# ---- the worked scan: unit interval 100 ps, DJ 10, RJ 1 ----


def test_the_worked_scan() -> None:
    """TJ(1e-12) = 10 + 14.06897 = 24.06897 and the eye 75.93103 (derived, with scipy)."""
    delays = [x / 4 for x in range(36, 365)]
    (eye,) = read(scan(swept(bell(5, 95, 1), delays, "ps")))
    assert (eye.place, eye.unit) == (Place("U3", 4, 0, 0), "s")
    assert eye.width is not None and eye.rj is not None and eye.dj is not None
    assert eye.width == pytest.approx(75.93103e-12, rel=1e-3)
    assert eye.rj == pytest.approx(1e-12, rel=5e-3)
    assert eye.dj == pytest.approx(10e-12, rel=5e-3)
    total = eye.dj + 2 * q_of(1e-12) * eye.rj
    assert total == pytest.approx(24.06897e-12, rel=2e-3)
    assert total + eye.width == pytest.approx(100e-12, rel=1e-9)


def test_exact_points_give_the_exact_line() -> None:
    """With no rounding of counts the fit is the model: 75.93103 to seven digits."""
    points = [Point(x, round(norm.sf(x - 5) * 10**30), 10**30) for x in (7, 8, 9, 10, 11)]
    edge = dual_dirac.fit(points, -1)
    assert edge is not None
    assert edge.zero == pytest.approx(5, abs=1e-7)
    assert edge.sigma == pytest.approx(1, abs=1e-7)
    width = 100 - 2 * edge.at(q_of(1e-12), -1)
    assert width == pytest.approx(75.93103, abs=1e-5)


def test_a_line_that_leans_the_wrong_way_is_none() -> None:
    rising = [Point(1, 10, 10**6), Point(2, 1000, 10**6)]  # worse to the right
    assert dual_dirac.fit(rising, 1) is not None
    assert dual_dirac.fit(rising, -1) is None
    assert dual_dirac.fit([Point(1, 10, 10**6), Point(1, 12, 10**6)], 1) is None


def test_a_single_error_in_few_bits_weighs_little() -> None:
    good = [Point(x, round(norm.sf(x) * 10**15), 10**15) for x in (3, 3.5, 4.5, 5, 6)]
    edge = dual_dirac.fit([*good, Point(4, 1, 1000)], -1)  # one in 31,574 was to be expected
    assert edge is not None
    assert edge.sigma == pytest.approx(1, rel=0.02)
    assert edge.zero == pytest.approx(0, abs=0.05)


def test_only_the_tail_of_an_edge_is_fitted() -> None:
    """An edge that jumps between two places (dual Dirac) stands at a quarter between them; the
    random jitter is that of the inner tail."""

    def rate(x: float) -> float:
        return (bell(0.05, 0.95, 0.01)(x) + bell(0.15, 0.85, 0.01)(x)) / 2

    (eye,) = read(scan(swept(rate, [i / 400 for i in range(8, 393)])))
    assert eye.rj == pytest.approx(0.01, rel=0.1)
    assert eye.dj == pytest.approx(0.30, abs=0.015)


def test_unequal_edges_share_the_random_jitter() -> None:
    delays = [x / 500 for x in range(25, 475)]
    (eye,) = read(scan(swept(bell(0.06, 0.92, 0.01, 0.02), delays)))
    assert eye.rj == pytest.approx(0.015, rel=0.02)
    assert eye.dj == pytest.approx(0.14, rel=0.03)
    assert eye.width == pytest.approx(0.86 - 0.03 * norm.isf(1e-12), rel=0.01)


@settings(max_examples=examples(25), deadline=None)
@given(
    st.floats(0.05, 0.2),
    st.floats(0.8, 0.95),
    st.floats(0.004, 0.02),
    st.sampled_from([1e-9, 1e-12, 1e-15]),
)
def test_edges_are_found_where_they_were_put(
    left: float, right: float, sigma: float, target: float
) -> None:
    delays = [i / 400 for i in range(8, 393)]
    (eye,) = read(scan(swept(bell(left, right, sigma), delays)), target)
    assert eye.width is not None
    assert eye.width == pytest.approx(right - left - 2 * sigma * norm.isf(target), abs=0.1 * sigma)
    assert eye.rj == pytest.approx(sigma, rel=0.03)


@settings(max_examples=examples(20), deadline=None)
@given(st.lists(st.floats(1e-18, 1e-3), min_size=2, max_size=6, unique=True))
def test_a_rarer_target_leaves_a_narrower_eye(targets: list[float]) -> None:
    text = scan(swept(bell(0.1, 0.9, 0.01), [i / 200 for i in range(10, 190)]))
    (run,) = load(text)
    board, _ = profiles.for_run(run, None)
    widths = [eyes(measure(run, board), t)[0].width for t in sorted(targets, reverse=True)]
    assert all(w is not None for w in widths)
    assert widths == sorted(widths, key=lambda w: -(w or 0))


# ---- what a scan cannot tell ----


def test_a_scan_that_ends_inside_the_eye() -> None:
    rows = swept(bell(0.1, 0.9, 0.01), [i / 200 for i in range(10, 120)])
    (eye,) = read(scan(rows))
    assert eye.width is None and eye.rj is None
    assert eye.open_right and not eye.open_left
    assert "sweep further" in eye.sentence()
    assert "at least" in eye.sentence()


def test_edges_too_steep_for_the_steps() -> None:
    """Good or bad and nothing between: no line can be drawn, but the gap was measured."""
    rows = [f"U3 4 0 sweep {x} 100000 {50000 if x in (0, 1, 8, 9) else 0}" for x in range(10)]
    (eye,) = read(scan(rows))
    assert eye.width is None
    assert eye.measured == 5
    assert eye.unit == "tap"
    assert "finer" in eye.sentence()


def test_a_closed_eye_is_closed_at_the_target_too() -> None:
    (eye,) = read(scan(swept(bell(0.3, 0.7, 0.08), [i / 40 for i in range(8, 33)])))
    assert eye.measured is None
    assert eye.width == 0
    assert "no eye is left" in eye.sentence()


def test_taps_have_no_deterministic_jitter() -> None:
    """How long a tap is, and so the unit interval in taps, is not said."""
    (eye,) = read(scan(swept(bell(10, 90, 1.5), range(5, 96), "")))
    assert eye.unit == "tap"
    assert eye.rj == pytest.approx(1.5, rel=0.02)
    assert eye.dj is None
    assert "deterministic" not in eye.sentence()


def test_counts_without_a_delay_are_no_scan() -> None:
    assert read(scan(["U3 4 0 march - 1000000 0"])) == ()
    assert read(scan(["U3 4 0 march 1000000 0"], "site ch lane test bits errors")) == ()


def test_rows_that_cannot_be_used_are_counted() -> None:
    rows = swept(bell(0.1, 0.9, 0.01), [i / 200 for i in range(10, 190)])
    rows += ["U3 4 0 sweep late 1000000 0", "U3 4 0 sweep 0.95UI - 7", "U5 0 1 sweep late 10 0"]
    good, lost = read(scan(rows))
    assert good.unread == 2 and "2 row(s)" in good.sentence()
    assert (lost.place.site, lost.unread, lost.points, lost.width) == ("U5", 1, (), None)
    assert "no delay" in lost.sentence()


@pytest.mark.parametrize("target", [0.0, 0.5, 1.0])
def test_a_target_must_be_a_small_rate(target: float) -> None:
    with pytest.raises(ValueError, match="target"):
        read(scan(["U3 4 0 sweep 1 100 0"]), target)


# ---- reading ----


def test_places_tests_and_set_points() -> None:
    """Two tests at one delay add up; two set points are two scans; first line first."""
    rows = [
        "U5 8 1 fast walk 3 1000 1",
        "U5 8 1 fast march 3 1000 2",
        "U5 8 1 slow walk 3 1000 0",
        "U3 4 0 fast walk 3 1000 0",
    ]
    found = read(scan(rows, "site ch lane point test delay bits errors"))
    assert [(b.place.site, b.point, b.line) for b in found] == [
        ("U5", "fast", 8),
        ("U5", "slow", 10),
        ("U3", "fast", 11),
    ]
    assert found[0].points == (Point(3.0, 3, 2000),)
    assert all(b.place.rank == 0 for b in found)  # the board leaves no other


def test_the_order_of_rows_does_not_matter() -> None:
    rows = swept(bell(0.1, 0.9, 0.01), [i / 200 for i in range(10, 190)])
    (one,), (two,) = read(scan(rows)), read(scan(rows[::-1]))
    assert one.points == two.points
    assert one.width == two.width


def test_the_widest_clean_run_is_the_eye() -> None:
    """A lucky clean point out on the flank does not become the eye."""
    counts = {0: 400, 1: 0, 2: 300, 3: 30, 4: 0, 5: 0, 6: 0, 7: 25, 8: 310}
    (eye,) = read(scan([f"U3 4 0 sweep {x} 10000 {e}" for x, e in counts.items()]))
    assert eye.measured == 2
    assert eye.width is not None and eye.width < 2


def test_a_dump_without_a_scan_pays_no_import() -> None:
    code = (
        "import sys; from memdiag.boards import profiles\n"
        "from memdiag.evidence import delay_scans\n"
        "from memdiag.evidence.measurements import measure\n"
        "from memdiag.reading.load import load\n"
        f"run, = load({scan(['U3 4 0 march - 1000000 0'])!r})\n"
        "assert delay_scans.eyes(measure(run, profiles.for_run(run, None)[0]), 1e-12) == ()\n"
        "assert 'scipy' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
