"""The reason of a finding tells of nothing that the dump does not say."""

from __future__ import annotations

from memdiag import judge
from memdiag.model import Cause
from memdiag.reading.load import load
from tests.diagnosis import test_facts as facts

TWO_FAULTS = """bench-dump 1
[run]
board quince-2
[training]
site ch lane step result width
U1 0 0 read pass 0.41UI
U1 0 1 read pass 0.42UI
U1 1 0 read pass 0.40UI
U1 1 1 read not-found 0UI
U1 0 0 write pass 0.43UI
U1 0 1 write pass 0.41UI
U1 1 0 write pass 0.42UI
U1 1 1 write not-found 0UI
U2 2 - id no-response -
U2 2 - ca no-response -
"""


def test_lanes_that_pass_with_whole_eyes_are_told_as_well() -> None:
    """So few eyes are no peers of each other, and yet nothing in the dump speaks against them."""
    found = {f.place.site: f for f in judge(load(TWO_FAULTS)[0]).findings}
    assert (found["U1"].place.channel, found["U1"].place.lane) == (1, 1)
    assert "3 of 3 places are well" in found["U1"].reason


def test_a_package_of_which_half_was_heard_is_not_said_to_be_silent_throughout() -> None:
    found = {f.place.site: f for f in judge(load(TWO_FAULTS)[0]).findings}
    assert found["U2"].reason.startswith("U2 ch 2: id: no response.")


def test_a_lane_whose_lines_no_row_tells_apart_has_no_line_named() -> None:
    """A lane that finds no setting, and nothing said of its data lines: the reason may not tell of
    seven neighbours that work."""
    on = facts.board("quince-12")
    where = next(iter(facts.lanes(on)))
    row = facts.at(where, read="not-found -", write="not-found -")
    v = facts.verdict(facts.dump(on, row, counts=False))
    for f in v.findings:
        if f.place.site == where[0] and f.place.dq is None:
            assert "seven neighbours" not in f.reason


def test_a_package_of_one_lane_has_no_others_that_work() -> None:
    """Nothing is said to work that is not there: an x8 package on a channel has one lane."""
    on = facts.board("quince-8")
    where = next(iter(facts.lanes(on)))
    bad = dict.fromkeys(("level", "gate", "read", "write"), "not-found -")
    v = facts.verdict(facts.dump(on, facts.at(where, **bad), counts=False))
    assert v.findings[0].cause is Cause.JOINT
    assert "others of the package" not in v.findings[0].reason
