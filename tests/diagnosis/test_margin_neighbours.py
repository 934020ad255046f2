"""Whole dumps in which one fault is heard next door: what is ill by itself, and what only hears.

A fault elsewhere makes a rig warn, which takes no margin, or pulls at a neighbour, which takes a
little of all its eyes. Bounds follow from the physics that stands beside each.
"""

from __future__ import annotations

import random

import pytest

from memdiag.model import HEATS, Action, Cause
from tests.diagnosis.test_facts import (
    BITS,
    EYES,
    NOT_SAID,
    Lane,
    board,
    chance,
    dump,
    lanes,
    verdict,
    work,
)
from tests.diagnosis.test_margin_scale import at_site, causes, eye

# ---- beside a missing package ----


@pytest.mark.parametrize("removed", [True, False])
def test_six_warnings_with_good_eyes_are_no_weak_package(removed: bool) -> None:
    """Six results of one cause are one witness, and the eyes that are printed are whole."""
    on = board("quince-12")

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site == "U3":
            return "no-response -" if step == "id" else "not-run -"
        if site != "U4" or (step not in EYES and (step, lane) not in (("ca", 0), ("wck", 0))):
            return None
        return f"marginal {eye(ch + lane)}" if step in EYES else "marginal -"

    head = {"removed": "U3", "stage": "bare"} if removed else {}
    v = verdict(dump(on, row, lambda s, c, n: NOT_SAID if s == "U3" else None, head=head))
    assert at_site(v, "U3").cause is Cause.MISSING
    for found in v.findings:
        if found.place.site == "U4":
            assert found.cause in (Cause.SPILLOVER, Cause.CLEAR)
            assert found.action not in HEATS
            assert causes(found).get(Cause.WEAK, 0.0) < 0.2


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("missing", "half", "lost"),
    [("U2", "U9", ("U6", 10, 1)), ("U5", "U11", ("U1", 0, 0)), ("U8", "U3", ("U12", 23, 1))],
)
def test_a_loud_rig_hides_nobody(missing: str, half: str, lost: Lane, seed: int) -> None:
    """Two lanes in five are called marginal with whole eyes. A warning explains warnings; it takes
    no half of every eye, and it makes no lane find no setting."""
    on = board("quince-12")
    rng = random.Random(seed)
    order = {lane: i for i, lane in enumerate(lanes(on))}
    warned = {lane for lane in order if rng.random() < 0.4}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        where = (site, ch, lane)
        if site == missing:
            return "no-response -" if step == "id" else "not-run -"
        if step not in EYES:
            return None
        if where == lost:
            return "not-found -"
        if site == half:
            return f"marginal {eye(order[where], 0.5)}"
        return f"{'marginal' if where in warned else 'pass'} {eye(order[where])}"

    v = verdict(dump(on, row, counts=False))
    assert at_site(v, missing).cause is Cause.MISSING
    thin, gone = at_site(v, half), at_site(v, lost[0])
    assert {f.place.site for f in work(v)} == {missing, half, lost[0]}
    assert causes(thin).get(Cause.SPILLOVER, 0.0) < 0.5 and thin.cause is not Cause.SPILLOVER
    assert causes(gone).get(Cause.SPILLOVER, 0.0) < 0.2
    assert (gone.place.channel, gone.place.lane) == lost[1:]


# ---- a clamshell pair ----


@pytest.mark.parametrize("pair", [("U2", "U6"), ("U5", "U1"), ("U4", "U8")])
@pytest.mark.parametrize("counts", [True, False])
def test_a_package_at_half_pulls_its_partner(pair: tuple[str, str], counts: bool) -> None:
    """The two share their command lines back to back: a fault of one takes a little of the other,
    never the other way round by more than it has itself."""
    sick, partner = pair
    on = board("quince-8")
    order = {lane: i for i, lane in enumerate(lanes(on))}
    left = {sick: 0.5, partner: 0.8}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if step not in EYES or site not in left:
            return None
        ends = "marginal" if site == sick else "pass"
        return f"{ends} {eye(order[site, ch, lane], left[site])}"

    def count(site: str, ch: int, lane: int) -> str | None:
        return f"{BITS} 9000 4500 4500 - -" if site == sick else None

    v = verdict(dump(on, row, count, counts=counts))
    first, other = at_site(v, sick), at_site(v, partner)
    assert first.cause is Cause.WEAK
    assert chance(first, Cause.WEAK) > 0.5
    assert other.cause is Cause.SPILLOVER and other.because_of == sick
    assert other.action is Action.LEAVE
