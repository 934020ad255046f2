"""Eyes of whole runs: each lane against its own baseline, the reference, and the way data went."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.evidence.build import gather
from memdiag.evidence.eyes import Peers
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import measure, width_of
from memdiag.evidence.nodes import LINK, Node, Way
from memdiag.model import Baseline, Board
from memdiag.model.baseline import HealthyEye
from memdiag.reading.load import load
from tests.diagnosis.test_facts import EYES, Row, at, board, dump

QUINCE = board("quince-12")


def evidence(row: Row, on: Board = QUINCE) -> Evidence:
    (run,) = load(dump(on, row, counts=False), board=on)
    return gather(measure(run, on))


def every(width: str) -> Row:
    return lambda site, ch, lane, step: f"pass {width}" if step in EYES else None


def places(found: Evidence) -> list[Node]:
    return [n for n in found.nodes if n.kind == "place"]


def test_a_board_of_quarter_unit_intervals_is_doubtful_and_a_wide_one_is_not() -> None:
    """Common practice, no source: at full rate healthy eyes take about half of a unit interval."""
    assert all(n.doubtful for n in places(evidence(every("0.25UI"))))
    wide = evidence(every("0.60UI"))
    assert wide.kept == (1.0,)
    assert not any(n.doubtful for n in places(wide))


def test_the_limit_of_a_rig_is_held_to_the_same_eyes_as_they_are() -> None:
    """A limit stands at a width, whatever is healthy: where the healthy one lies higher by so much,
    that width is so much less of it."""

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        width = 0.22 + 0.005 * (ch % 20)
        return f"{'marginal' if width < 0.27 else 'pass'} {width:.3f}UI" if step in EYES else None

    (run,) = load(dump(QUINCE, row, counts=False), board=QUINCE)
    peers = Peers(measure(run, QUINCE), None)
    assert [shift for shift, _, _ in peers.kept] == [shift for shift, _ in peers.shifts]
    margins = np.linspace(-0.6, 0.1, 20)
    plain = peers.limits(0.0).marginal(margins)
    for shift, limits, _ in peers.kept:
        assert limits.marginal(margins - shift) == pytest.approx(plain, abs=0.2)


def test_an_eye_of_nothing_says_what_the_step_that_failed_has_said() -> None:
    """A step that finds no setting has no eye to print: whether the row says 0 or nothing, an open
    line of that lane is as likely as a lane that is dead (common practice, no source)."""
    where = ("U4", 6, 1)

    def dead_over_open(cells: str) -> float:
        found = evidence(at(where, read=cells))
        (node,) = (n for n in places(found) if n.place.lane == 1 and n.place.channel == 6)
        return node.said("dead") - node.said("stuck")

    assert dead_over_open("not-found 0.00UI") == pytest.approx(
        dead_over_open("not-found -"), abs=0.2
    )


def test_taps_say_nothing_of_what_is_healthy() -> None:
    """A tap is as long as its rig makes it: any number of them may be all there is."""
    assert evidence(every("5")).kept == evidence(every("50")).kept


def test_lanes_that_differ_by_design_are_held_to_their_own_baseline() -> None:
    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return f"pass {0.5 if lane == 0 else 0.35:.2f}UI" if step in EYES else None

    eyes = tuple(
        HealthyEye("width", "UI", step, lane, width, 0.05)
        for step in EYES
        for lane, width in ((0, 0.50), (1, 0.35))
    )
    learnt = replace(QUINCE, baseline=Baseline(5, eyes=eyes))
    without, with_it = (
        [n.sound_log_ratio for n in places(evidence(row, on)) if n.place.lane == 1]
        for on in (QUINCE, learnt)
    )
    assert max(without) < -1 and min(with_it) > -0.5


def test_a_thin_write_eye_alone_is_a_loss_of_that_way() -> None:
    thin = at(("U4", 6, 0), write="marginal 0.20UI")
    (node,) = (n for n in places(evidence(thin)) if n.quotes)
    ways = node.by_way()[:, 0, 0]
    half = [LINK.index(name) for name in ("45", "58")]
    best = {way: float(ways[way][half].max()) for way in (Way.ANY, Way.READ, Way.WRITE)}
    assert best[Way.WRITE] == pytest.approx(0.0, abs=0.5)
    assert best[Way.WRITE] > max(best[Way.ANY], best[Way.READ]) + 3
    assert np.isfinite(ways).all()


# ---- a spread is half an eye ----


def spreads(of: dict[str, int], healthy: int, column: str = "delay spread") -> Evidence:
    """Data steps that print the delay they chose and how many taps to either side work."""
    rows = [
        f"{s.ref} {k.channel} {k.lane} {step} pass 40 {of.get(s.ref, healthy)}"
        for s in QUINCE.sites
        for k in s.links
        for step in EYES
    ]
    text = "bench-dump 1\n[run]\nboard quince-12\nmemory gddr6\n[training]\n"
    text += f"site ch lane step result {column}\n" + "\n".join(rows) + "\n[end]\n"
    (run,) = load(text, board=QUINCE)
    return gather(measure(run, QUINCE))


def test_a_spread_is_as_good_as_a_width() -> None:
    """Taps that work to either side of the chosen point, and that point, are the eye."""
    found = spreads({"U7": 8}, 20)
    thin = {n.sites for n in places(found) if n.sound_log_ratio < -3}
    assert thin == {("U7",)}
    half = [n for n in places(found) if n.sites == ("U7",)]
    assert all(n.said("45") > n.said("80") for n in half)
    assert all("eye width 17tap: 41% of its peers'" in n.quotes[0].says for n in half)


def test_the_fewer_taps_the_less_one_of_them_says() -> None:
    """Each edge lies anywhere within a tap: a spread of 2 beside 3 may be hardly less, 20 beside 30
    is a third."""
    some = [s.ref for s in QUINCE.sites][::3]

    def worst(of: int, beside: int) -> float:
        found = places(spreads(dict.fromkeys(some, of), beside))
        return min(n.sound_log_ratio for n in found)

    assert worst(20, 30) < worst(2, 3) - 3
    assert worst(14, 15) > -0.7


def test_a_spread_as_far_as_the_delay_is_no_eye() -> None:
    """The sweep began inside of it: how far it goes on nobody saw."""
    found = spreads({"U7": 10, "U8": 60}, 45)
    assert {q.says for n in found.nodes for q in n.quotes} == set()
    (run,) = load("bench-dump 1\n[training]\nsite ch lane step result delay spread\n" + ROWS)
    assert [str(width_of(row)) for row in run.training] == ["None", "None", "39tap", "0.24UI"]


ROWS = """U1 0 0 read pass 20 20
U1 0 1 read pass 12 20
U1 1 0 read pass 20 19
U1 1 1 read pass 0.5UI 0.12UI
[end]
"""


# ---- a reference is of one way ----


def test_a_whole_eye_of_the_reference_does_not_make_a_thin_write_eye_whole() -> None:
    """Vref is trained in the controller, for reads, or in the package, for writes (JESD79-4: VrefDQ
    is set in mode register 6 of the DRAM), and a rig prints one step for it: where only writes are
    thin its eye may be that of the reads."""

    rows = [
        f"{s.ref} {k.channel} {k.lane} {step} pass {width}"
        for s in QUINCE.sites
        for k in s.links
        for step, width in (
            ("read", "0.46UI"),
            ("write", "0.21UI" if s.ref == "U4" else "0.46UI"),
            ("vref", "0.46UI"),
        )
    ]
    head = "bench-dump 1\n[run]\nboard quince-12\nmemory gddr6\n[training]\n"
    table = "site ch lane step result width\n" + "\n".join(rows) + "\n[end]\n"

    def half_over_sound(text: str) -> float:
        (run,) = load(text, board=QUINCE)
        node = next(n for n in places(gather(measure(run, QUINCE))) if n.sites == ("U4",))
        alone = node.by_way()[Way.WRITE, 0, 0]
        return float(max(alone[LINK.index("45")], alone[LINK.index("58")]) - alone[0])

    without = "\n".join(line for line in table.splitlines() if " vref " not in line) + "\n"
    with_it, plain = half_over_sound(head + table), half_over_sound(head + without)
    assert plain > 3
    # As likely as not it is of the way that is well: it takes a half, no more.
    assert plain - with_it < math.log(2) + 0.1
