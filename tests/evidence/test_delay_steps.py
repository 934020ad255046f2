"""Delays along the lanes, and windows without an edge: of the delay line, not of a lane's health.

Fly-by routing makes lanes come later one after the other (JESD79-3, write levelling): derived.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from memdiag.boards import profiles
from memdiag.diagnosis.judge import judge
from memdiag.evidence.build import gather
from memdiag.evidence.eyes import best_eyes
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import measure
from memdiag.model import Cause
from memdiag.reading.load import load
from tests.support.marks import examples

LANES = 8


def text(delays: Sequence[float], step: str = "read", candidates: Sequence[str] = ()) -> str:
    head = ["bench-dump 1", "[training]", "ch lane step candidate width delay result"]
    named = candidates or ["b0"] * len(delays)
    rows = [
        f"0 {lane} {step} {named[lane]} 0.5UI {delay:g} pass" for lane, delay in enumerate(delays)
    ]
    return "\n".join([*head, *rows, f"[end] {len(rows)}", ""])


def evidence(dump: str) -> Evidence:
    (run,) = load(dump)
    board, _ = profiles.for_run(run, None)
    return gather(measure(run, board))


def notes(dump: str) -> list[str]:
    return [note for note in evidence(dump).notes if " delay of " in note]


def sloped(slope: float, seed: int, play: int = 1) -> list[float]:
    rng = random.Random(seed)
    return [40 + round(slope * lane) + rng.randint(-play, play) for lane in range(LANES)]


@settings(deadline=None, max_examples=examples(40))
@given(st.floats(-8, 8), st.integers(0, 10**6))
def test_a_steady_slope_is_the_board(slope: float, seed: int) -> None:
    assert not notes(text(sloped(slope, seed)))


@settings(deadline=None, max_examples=examples(40))
@given(st.floats(-8, 8), st.integers(0, 10**6), st.integers(0, LANES - 1), st.sampled_from([-1, 1]))
def test_a_lane_that_steps_out_of_the_line_is_told(
    slope: float, seed: int, lane: int, side: int
) -> None:
    delays = sloped(slope, seed)
    delays[lane] += 30 * side
    found = notes(text(delays))
    at = f"line {4 + lane}: the read delay of ch 0 lane {lane} is "
    (note,) = (n for n in found if n.startswith(at))
    assert len(found) <= 2  # beside so large a step a lane of noise may stand out once in a while
    assert ("later" if side > 0 else "earlier") in note


def test_it_is_no_evidence_of_a_fault() -> None:
    """The eyes are alike: neither a node more nor any finding."""
    delays = sloped(2, 1)
    delays[3] += 30
    odd, plain = evidence(text(delays)), evidence(text(sloped(2, 1)))
    assert [(n.kind, n.place) for n in odd.nodes] == [(n.kind, n.place) for n in plain.nodes]
    (run,) = load(text(delays))
    found = judge(run)
    assert not found.findings and found.summary.cause is Cause.CLEAR
    assert any(" delay of " in note for note in found.notes)


def test_another_candidate_starts_elsewhere() -> None:
    """A bitslip moves the sampling by whole bits: its delay is no step out of the others' line."""
    delays = sloped(0, 1)
    delays[3] += 30
    assert not notes(text(delays, candidates=["b0"] * 3 + ["b1"] + ["b0"] * 4))


def test_too_few_lanes_and_levelling_are_no_line() -> None:
    """Write levelling wraps round the clock."""
    assert not notes(text([10, 11, 60, 12]))
    delays = sloped(0, 1)
    delays[3] += 30
    assert not notes(text(delays, step="level"))


def test_where_the_delay_line_does_not_move_no_window_is_an_eye() -> None:
    """One candidate works on every tap, another on half of them: neither is a width."""
    head = ["bench-dump 1", "[training]", "ch lane step candidate window result"]
    rows = ["0 0 read b0 11111111 pass", "0 0 read b1 10001111 pass", "0 1 read b0 11111100 pass"]
    (run,) = load("\n".join([*head, *rows, "[end] 3", ""]))
    board, _ = profiles.for_run(run, None)
    still, moves = (best_eyes(m.training, m.place) for m in measure(run, board))
    assert not still
    assert [eye.value for eyes in moves.values() for eye in eyes] == [6]
    assert any(p.code == "window-full" for p in run.problems)
