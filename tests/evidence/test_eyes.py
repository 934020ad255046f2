"""Eyes of whole runs: each lane against its own baseline, the reference, and the way data went."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.evidence.build import gather
from memdiag.evidence.eyes import Peers
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import measure
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
    best = {way: float(ways[way][half].max()) for way in Way}
    assert best[Way.WRITE] == pytest.approx(0.0, abs=0.5)
    assert best[Way.WRITE] > max(best[Way.ANY], best[Way.READ]) + 3
    assert np.isfinite(ways).all()
