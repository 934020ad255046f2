"""Silence of a dump: what a rig leaves out that prints what went wrong alone."""

from __future__ import annotations

import math

import pytest

from memdiag.boards import profiles
from memdiag.evidence.build import gather
from memdiag.evidence.measurements import measure
from memdiag.evidence.nodes import Node
from memdiag.evidence.unsaid import LEFT_OUT, LEFT_OUT_LATER
from memdiag.model import Cause
from memdiag.reading.load import load
from tests.diagnosis.test_facts import board, chance, lanes, verdict, work

QUINCE = board("quince-12")


def failures(*sites: str, result: str = "no-response", passing: str = "") -> str:
    """A training table of the steps that went wrong, at these sites, and one that passes."""
    rows = [
        f"{site} {ch} {lane} {step} {result}"
        for site, ch, lane in lanes(QUINCE)
        for step in ("id", "ca", "wck", "read", "write")
        if site in sites
    ]
    if passing:
        rows.insert(0, f"{passing} id pass")
    head = "bench-dump 1\n[run]\nboard quince-12\nmemory gddr6\n[training]\n"
    return head + "site ch lane step result\n" + "\n".join(rows) + "\n[end]\n"


def others(text: str, *but: str) -> list[Node]:
    (run,) = load(text)
    nodes = gather(measure(run, profiles.for_run(run)[0])).nodes
    return [n for n in nodes if n.kind == "place" and n.sites[0] not in but]


def against_dead(nodes: list[Node]) -> float:
    return sum(n.said("sound") - n.said("dead") for n in nodes)


def test_what_a_rig_leaves_out_has_passed() -> None:
    """A technician who sees the rows of one package alone takes the others for well (common
    practice, no source)."""
    text = failures("U5")
    rest = others(text, "U5")
    assert {n.sites for n in rest} == {(s.ref,) for s in QUINCE.sites if s.ref != "U5"}
    assert all(n.said("sound") > n.said("dead") for n in rest)
    (found,) = work(verdict(text))
    assert found.place.site == "U5"
    assert found.cause is Cause.MISSING
    assert chance(found, Cause.SUPPLY) < found.probability / 4


@pytest.mark.parametrize("sites", [("U5",), ("U4", "U9"), ("U2", "U3", "U8", "U11")])
def test_all_that_is_left_out_is_one_telling(sites: tuple[str, ...]) -> None:
    """A rig that stopped leaves all of them out at once, so together they say no more than how
    seldom that is: bounded by its share, however many links the board has."""
    assert 0 < against_dead(others(failures(*sites), *sites)) <= -math.log(LEFT_OUT) + 1e-9


def test_behind_the_first_link_a_boot_may_have_stopped() -> None:
    first = QUINCE.sites[0].ref
    later = against_dead(others(failures(first), first))
    assert 0 < later <= -math.log(LEFT_OUT_LATER) + 1e-9


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(failures("U5", passing="U9 16 0"), id="a step that passes is printed"),
        pytest.param(failures("U5").replace("[end]\n", ""), id="cut"),
        pytest.param(failures("U5").replace("board quince-12\n", ""), id="no profile"),
    ],
)
def test_other_dumps_say_nothing_of_what_they_leave_out(text: str) -> None:
    assert not others(text, "U5", "U9")


def test_a_mild_row_of_a_step_speaks_for_the_lanes_it_leaves_out() -> None:
    """Rows of read steps that are marginal, of two packages: the others passed."""
    rest = others(failures("U5", "U6", result="marginal"), "U5", "U6")
    assert rest
    assert all(n.said("sound") > n.said("dead") for n in rest)
