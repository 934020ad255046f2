"""What a rig does whatever lies on the board, and what that hides of it."""

from __future__ import annotations

import random

import numpy as np
import pytest

from memdiag.evidence import coverage
from memdiag.evidence.build import gather
from memdiag.evidence.eyes import Limits
from memdiag.evidence.measurements import measure
from memdiag.evidence.nodes import LINK
from memdiag.model import Action, Cause, Result
from memdiag.reading.load import load
from tests.diagnosis import test_facts as facts


@pytest.mark.parametrize("gone", [1, 5])
def test_a_step_that_fails_on_lanes_that_work_is_the_rigs(gone: int) -> None:
    """A clock step that fails on every lane on which read and write work says nothing of any lane
    (common practice, no source): neither where the rig is loud beside a fault, nor where a good
    part of the packages is gone."""
    on = facts.board("quince-12")
    silent = [site.ref for site in on.sites][:gone]
    quiet, uncounted = facts.gone(*silent)

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in silent:
            return quiet(site, ch, lane, step)
        if step == "wck":
            return "not-found -"
        loud = (ch + lane) % 3 and step in ("read", "write")
        return "marginal 0.46UI" if loud else None

    text = facts.dump(on, row, uncounted, counts=False)
    (run,) = load(text)
    assert coverage.habits(measure(run, on)) == {"wck"}
    v = facts.verdict(text)
    assert not any(f.cause is Cause.CONTROLLER for f in v.findings)
    if gone == 1:
        assert v.summary.cause is Cause.MISSING and v.summary.site == silent[0]


@pytest.mark.parametrize("loud", [0, 2])
def test_a_habit_lets_no_board_go_whose_data_steps_are_marginal(loud: int) -> None:
    """An explicit `not-found` forbids a release but where it is nobody's: every lane passes read
    and write. Where half of them are marginal, that is not said."""
    on = facts.board("quince-12")

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if step == "wck":
            return "not-found -"
        warned = loud and (2 * ch + lane) % loud and step in ("read", "write")
        return "marginal 0.46UI" if warned else None

    v = facts.verdict(facts.dump(on, row))
    assert v.released == (not loud)
    assert not any(f.action in (Action.STOP, Action.REPLACE, Action.REFLOW) for f in v.findings)


def test_a_boot_that_stops_tells_of_a_habit_by_the_lanes_it_came_to() -> None:
    """One lane fails its read and the boot runs no more steps on that half of the board; on the
    other half every lane passes read and write, and `vref` is not found: that rig has no such step,
    and the lane is the fault (common practice, no source)."""
    on = facts.board("quince-12")
    half = {site.ref for site in on.sites[:6]}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in half and step in ("write", "wck"):
            return "not-run -"
        if step == "wck":
            return "not-found -"
        return "fail -" if (site, lane, step) == ("U2", 0, "read") else None

    text = facts.dump(on, row, counts=False).replace(" wck ", " vref ")
    (run,) = load(text)
    assert coverage.habits(measure(run, on)) == {"vref"}
    assert not coverage.habits(measure(run, on), proven=True)
    v = facts.verdict(text)
    assert not v.released and v.findings[0].place.site == "U2"
    assert all(f.place.site == "U2" for f in facts.work(v))


@pytest.mark.parametrize("steps", [("id",), ("id", "ca"), ()])
def test_a_channel_that_finds_nothing_is_not_given_up_before_its_rails_are_read(
    steps: tuple[str, ...],
) -> None:
    """No package of the only channel finds a setting in any step. The rig has one word for that,
    whether a block is dead or nobody is fed: STOP would be a guess, and ohms are cheap (common
    practice, no source)."""
    on = facts.board("quince-8")
    text = facts.dump(on, lambda *_: "not-found -", counts=False)
    kept = [row for row in text.splitlines() if not any(f" {step} " in row for step in steps)]
    v = facts.verdict("\n".join(kept))
    assert v.summary.action is not Action.STOP
    assert facts.chance(v.findings[0], Cause.SUPPLY) > 0.1


def test_a_rig_that_passes_a_thin_eye_is_believed_about_its_limit_not_about_the_eye() -> None:
    """One eye at a fifth of its peers' that `pass` stands beside: that rig says marginal of hardly
    any width, and the eye is what was measured."""
    wide = [(0.0, False)] * 31
    told = Limits([*wide, (-1.5, False)]).outcome("read", Result.PASS)
    usual = Limits(wide).outcome("read", Result.PASS)
    assert told is not None and usual is not None
    thin = LINK.index("22")
    assert told[0, thin] > -1.5 > usual[0, thin]
    on = facts.board("quince-8")
    where = list(facts.lanes(on))[3]
    text = facts.dump(on, facts.at(where, read="pass 0.10UI"), counts=False)
    # That no line of a lane erred is one thing said eight times, not eight.
    lanes, found = list(facts.lanes(on)), []
    rows = {
        "dq ": [f"{s} {c} 0 {k} {dq} sweep 1500000000 0" for s, c, k in lanes for dq in range(8)],
        "": [f"{s} {c} 0 {k} sweep 12000000000 0" for s, c, k in lanes],
    }
    for column, counts in rows.items():
        head = f"[counts]\nsite ch rank lane {column}test bits errors"
        v = facts.verdict(text.replace("[end]", "\n".join([head, *counts, "[end]"])))
        assert not v.released and v.summary.place.site == where[0]
        found.append(v.summary.place_probability)
    assert found[0] == pytest.approx(found[1], abs=0.15)
    alone = facts.verdict(text)
    assert not alone.released and alone.findings[0].place.site == where[0]
    assert alone.findings[0].place_probability > max(found)


@pytest.mark.parametrize("seed", range(3))
def test_a_rig_that_warns_of_each_lane_by_itself_hides_no_open_line(seed: int) -> None:
    """Some rigs warn of packages, others of each lane: two lanes in five are `marginal` in every
    step of every attempt, their fellows in none (common practice, no source). A line that is wrong
    in half of its bits is told beside them, and no package has to be ill for the rest."""
    on = facts.board("quince-12")
    every = sorted(facts.lanes(on))
    where, rng = every[19], random.Random(seed)
    loud = {lane for lane in every if lane != where and rng.random() < 0.4}
    rows = ["[training]", "site ch rank lane attempt step result"]
    for attempt in (1, 2, 3):
        for lane in every:
            for step in ("wck", "read", "write", "vref"):
                said = "marginal" if lane in loud else "pass"
                if lane == where and step in ("read", "write"):
                    said = "fail"
                rows.append(f"{lane[0]} {lane[1]} 0 {lane[2]} {attempt} {step} {said}")
    bits = 1_240_000_000_000
    text = facts.dump(
        on, count=facts.counted(where, f"{bits} {bits // 16} - - - -"), training=False
    )
    v = facts.verdict(text.replace("[counts]", "\n".join([*rows, "[counts]"])))
    top = v.findings[0]
    assert top.cause is Cause.JOINT
    assert (top.place.site, top.place.channel, top.place.lane) == where
    assert [f.place.site for f in facts.work(v)] == [where[0]]


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("share", [0.25, 0.5])
def test_a_rig_that_warns_of_each_lane_by_itself_accuses_none_beside_a_gap(
    seed: int, share: float
) -> None:
    """One package is gone, and the rig says marginal of single lanes elsewhere, in each step of
    each attempt: warnings of a fault elsewhere (common practice, no source). Nobody is heated for
    them."""
    on = facts.board("quince-12")
    every, rng = sorted(facts.lanes(on)), random.Random(seed)
    gone = every[19][0]
    loud = {lane for lane in every if rng.random() < share}
    rows = ["[training]", "site ch rank lane attempt step result"]
    for attempt in (1, 2, 3):
        for lane in every:
            for step in ("id", "wck", "read", "write", "vref"):
                said = "marginal" if lane in loud and step != "id" else "pass"
                if lane[0] == gone:
                    said = "no-response" if step == "id" else "not-run"
                rows.append(f"{lane[0]} {lane[1]} 0 {lane[2]} {attempt} {step} {said}")
    text = facts.dump(on, training=False, counts=False)
    v = facts.verdict(text.replace("[end]", "\n".join([*rows, "[end]"])))
    assert [(f.place.site, f.cause) for f in facts.work(v)] == [(gone, Cause.MISSING)]


def test_a_line_by_itself_works_no_better_than_one_of_a_dead_lane() -> None:
    on = facts.board("quince-12")
    text = facts.dump(on, counts=False, training=False)
    rows = [
        f"{site} {ch} 0 {lane} {dq} {step} {'not-found 0.00UI' if dq == 2 else 'pass 0.50UI'}"
        for site, ch, lane in facts.lanes(on)
        for dq in range(8)
        for step in ("read", "write")
    ]
    head = "[training]\nsite ch rank lane dq step result width"
    (run,) = load(text.replace("[end]", "\n".join([head, *rows, "[end]"])))
    lines = [n for n in gather(measure(run, on), 0.2).nodes if n.kind == "line"]
    assert lines
    for node in lines:
        assert node.said("stuck") == pytest.approx(node.said("dead"), abs=0.8)  # but for the word


def test_counts_that_name_the_lines_that_erred_clear_the_others() -> None:
    """Of every lane only dq 3 is listed, in both ranks alike: eight lines hang on each rail, and
    the rail took seven of them nothing. What is one bit of every lane is the way to memory
    (common practice, no source). The same counts with the clean lines printed say no more."""
    on = facts.board("quince-8")
    found = []
    for printed in (False, True):
        rows = ["[counts]", "site ch lane dq test bits errors rose fell"]
        for site, ch, lane in sorted(facts.lanes(on)):
            for dq in range(8):
                wrong = 5_679_830 if dq == 3 else 0
                if wrong or printed:
                    rows.append(f"{site} {ch} {lane} {dq} mix 17500000000 {wrong} 0 {wrong}")
        text = facts.dump(on, training=False, counts=False).replace("[end]", "\n".join(rows))
        v = facts.verdict(f"{text}\n[end]\n")
        assert v.summary.cause is Cause.CONTROLLER and v.findings[0].place.dq == 3
        found.append(facts.chance(v.findings[0], Cause.CONTROLLER))
    assert found[0] == pytest.approx(found[1], abs=0.02)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("[end]", set(range(8))),
        ("", {3}),  # cut
        ("U2 0 1\n[end]", {3}),  # a row that is lost may be the one of another line
    ],
)
def test_counts_clear_no_line_where_some_may_be_gone(more: str, told: set[int]) -> None:
    on = facts.board("quince-8")
    rows = ["[counts]", "site ch lane dq test bits errors rose fell"]
    rows += [f"{s} {ch} {n} 3 mix 17500000000 567983 0 567983" for s, ch, n in facts.lanes(on)]
    text = facts.dump(on, training=False, counts=False).replace("[end]", "\n".join(rows))
    found = gather(measure(load(f"{text}\n{more}\n")[0], on))
    assert {n.place.line for n in found.nodes if n.kind == "line"} == told


def test_counts_clear_no_line_that_error_words_name() -> None:
    on = facts.board("quince-8")
    rows = ["[counts]", "site ch lane dq test bits errors", "U2 0 2 3 mix 17500000000 40"]
    rows += ["[errors]", "site ch lane address wrote read"]
    rows += [f"U2 0 2 {0x4000 * k:#x} 0x00 0x20" for k in range(12)]
    text = facts.dump(on, training=False, counts=False).replace("[end]", "\n".join(rows))
    whole, cut = (
        [n.by_way() for n in gather(measure(load(t)[0], on)).nodes if n.place.line == 5]
        for t in (f"{text}\n[end]\n", text)
    )
    assert len(whole) == len(cut) == 1
    np.testing.assert_allclose(whole[0], cut[0])


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("share", [0.65, 0.75, 0.85])
def test_a_rig_that_warns_of_most_lanes_at_every_step_tells_of_no_rail(
    seed: int, share: float
) -> None:
    """Most steps are marginal, whatever the lane, and nothing is counted: a program that is
    nervous of all, not eight eyes that one rail takes to just about its limit. One lane is dead,
    and that is found beside it (common practice, no source)."""
    on, rng = facts.board("quince-8"), random.Random(seed)

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site == "U4" and step in ("read", "write"):
            return "fail -"
        return "marginal -" if step != "id" and rng.random() < share else "pass -"

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert v.summary.site == "U4"
    assert all(f.cause is not Cause.SUPPLY for f in v.findings)


@pytest.mark.parametrize(("wrong", "bits"), [(21_846, 1_300_000_000), (800, 10**12)])
def test_one_lane_of_all_channels_alike_is_the_way_to_memory(wrong: int, bits: int) -> None:
    """Lane 0 of every channel has the same count, the lanes beside it none. A rail takes both
    lanes of a package, and no two lanes alike; what is one position of the word everywhere is the
    controller's (common practice, no source)."""
    on = facts.board("quince-12")
    rows = ["[counts]", "site ch lane test bits errors rose fell"]
    for site, ch, lane in sorted(facts.lanes(on)):
        n = 0 if lane else wrong
        rows.append(f"{site} {ch} {lane} march {bits} {n} {n} 0")
    text = facts.dump(on, training=False, counts=False).replace("[end]", "\n".join(rows))
    v = facts.verdict(f"{text}\n[end]\n")
    assert v.summary.cause is Cause.CONTROLLER and v.findings[0].place.lane == 0
    assert facts.chance(v.findings[0], Cause.CONTROLLER) > 0.9


def test_bad_cells_in_one_lane_of_some_packages_are_no_way_to_memory() -> None:
    """Four packages of twelve, of one lot perhaps, have some hundred wrong bits in their lane 1,
    each its own count, and no other lane has any: what is wrong on the way would be wrong
    everywhere (common practice, no source). STOP would leave four bad packages on the board."""
    on = facts.board("quince-12")
    wrong = {"U1": 1183, "U3": 724, "U5": 410, "U7": 655}
    left = set(wrong)
    rows = ["[counts]", "site ch lane test bits errors cells"]
    for site, ch, lane in sorted(facts.lanes(on)):
        n = wrong[site] if lane and site in left else 0
        left -= {site} if n else set()
        rows.append(f"{site} {ch} {lane} prbs 13000000000 {n} {n // 9}")
    v = facts.verdict(facts.dump(on, counts=False).replace("[end]", "\n".join([*rows, "[end]"])))
    assert {f.place.site for f in facts.work(v)} == set(wrong)
    assert all(f.cause is Cause.WEAK for f in facts.work(v))


def test_lanes_whose_counts_are_clean_tell_of_a_habit_as_lanes_that_pass_do() -> None:
    """The rig prints no step that passes. `gate` is not found on every lane but that of a package
    whose level failed, and all of those read 1.2e12 bits without an error: whatever gate sets up
    was set up (common practice, no source)."""
    on = facts.board("quince-8")

    def fails(site: str, step: str) -> str:
        if site == "U3":
            return "not-found" if step == "level" else "not-run"
        return "not-found" if step == "gate" else ""

    rows = [
        f"{site} {ch} 0 {lane} {step} {fails(site, step)}"
        for site, ch, lane in facts.lanes(on)
        for step in facts.STEPS["ddr4"]
        if fails(site, step)
    ]
    rubbish = f"{facts.BITS} {facts.BITS // 2} - - - -"
    text = facts.dump(on, count=lambda s, *_: rubbish if s == "U3" else None, training=False)
    head, _, counts = text.partition("[counts]")
    text = head + "[training]\nsite ch rank lane step result\n" + "\n".join(rows) + "\n[counts]"
    (run,) = load(text + counts)
    assert coverage.habits(measure(run, on)) == {"gate"}
    assert not coverage.habits(measure(run, on), proven=True)
    v = facts.verdict(text + counts)
    (found,) = facts.work(v)
    assert found.place.site == "U3"
    assert not v.released
