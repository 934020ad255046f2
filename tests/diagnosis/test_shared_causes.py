"""What packages have in common and no package is to be heated for: one wrong bit of the controller,
its clock or reference, the rail of a channel."""

from __future__ import annotations

import random

import pytest

from memdiag.model import Action, Cause, Verdict
from tests.diagnosis import test_facts as facts

HEAT = (Action.REPLACE, Action.REFLOW)


def by_channel(text: str) -> str:
    """The same dump with one count a channel: lanes added up."""
    head, _, counts = text.partition("[counts]\n")
    names, *rows = counts.removesuffix("\n[end]\n").splitlines()
    assert names.split()[3] == "lane"
    sums: dict[tuple[str, ...], tuple[int, int]] = {}
    for site, ch, rank, _, test, bits, errors, *_ in map(str.split, rows):
        old = sums.get((site, ch, rank, test), (0, 0))
        sums[site, ch, rank, test] = (old[0] + int(bits), old[1] + int(errors))
    kept = [f"{' '.join(at)} {bits} {errors}" for at, (bits, errors) in sums.items()]
    return "\n".join([head + "[counts]", "site ch rank test bits errors", *kept, "[end]", ""])


# ---- the same count everywhere ----


@pytest.mark.parametrize("detail", ["lane", "channel"])
def test_one_count_in_every_lane_is_no_matter_of_packages(detail: str) -> None:
    """No two lanes have the same margin, so none err equally often by margin; what is digital hands
    all of them the same wrong bit (common practice, no source). No row tells which bit."""
    on = facts.board("quince-12")
    cells = f"{facts.BITS} 27263184 0 27263184 - -"
    text = facts.dump(on, count=lambda *_: cells)
    v = facts.verdict(by_channel(text) if detail == "channel" else text)
    assert v.summary.cause is Cause.CONTROLLER
    assert "err equally often" in v.findings[0].reason
    assert not any(f.action in HEAT for f in v.findings)


def test_a_missing_package_is_told_beside_one_wrong_bit_of_all_others() -> None:
    on = facts.board("quince-12")
    row, count = facts.gone("U5")
    cells = f"{facts.BITS} 1288914 - - - -"
    v = facts.verdict(facts.dump(on, row, lambda *at: count(*at) or cells))
    causes = {f.place.site: f.cause for f in facts.work(v)}
    assert causes["U5"] is Cause.MISSING
    assert causes[None] is Cause.CONTROLLER
    assert len(causes) == 2
    (wide,) = (f for f in facts.work(v) if f.place.site is None)
    assert "U5" not in wide.reason  # that it does not answer speaks for another fault
    assert not any("fit a known good package" in step for step in wide.next)


def test_packages_that_share_a_lane_position_by_chance_err_unequally() -> None:
    """Three of the four lanes in one position have bad cells, 1,320, 160 and 640 of them, and the
    fourth has none: one wrong bit of that lane would show in all four, and as often."""
    on = facts.board("quince-2")
    errors = {0: 1320, 1: 160, 2: 640}

    def count(site: str, ch: int, lane: int) -> str | None:
        n = errors.get(ch, 0) if lane == 0 else 0
        return f"{facts.BITS} {n} {n // 2} {n - n // 2} 0 {n}" if n else None

    v = facts.verdict(facts.dump(on, count=count))
    assert all(f.cause is not Cause.CONTROLLER for f in v.findings)
    assert {f.place.site for f in facts.work(v)} == {site.ref for site in on.sites}


# ---- eyes that are narrow alike ----


def narrow(share: float, seed: int = 3) -> Verdict:
    """The only channel of a board with all eyes at that share, within a few per cent."""
    on = facts.board("quince-8")
    rng = random.Random(seed)

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if step not in facts.EYES:
            return None
        width = 0.46 * share * (1 + rng.uniform(-0.06, 0.06))
        return f"{'fail' if width < 0.12 else 'marginal'} {width:.3f}UI"

    return facts.verdict(facts.dump(on, row, counts=False))


@pytest.mark.parametrize("share", [0.25, 0.35, 0.45])
def test_a_clock_of_the_controller_takes_the_same_of_all_lanes_as_a_rail_does(share: float) -> None:
    """One clock, one reference serve all lanes of a channel: what it loses all lose alike (common
    practice, no source). A rail does the same, and ohms are cheap: no certainty, no heat, no
    giving up of the controller before the rails are read."""
    v = narrow(share)
    first = v.findings[0]
    assert facts.chance(first, Cause.SUPPLY) > 0.5 > facts.chance(first, Cause.CONTROLLER) > 0.01
    assert v.summary.action is Action.CHECK_SUPPLY
    assert not any(f.action in HEAT for f in v.findings)


# ---- without a profile ----


def test_a_silent_channel_of_an_unknown_board_may_hang_on_one_rail() -> None:
    """Nobody knows the rails of a board without a profile, but rails part as channels do more often
    than anyhow: before a channel is given up they are read (common practice, no source)."""
    steps = ("level", "gate", "read", "write")
    rows = [
        f"U{8 * ch + lane + 1} {ch} 0 {lane} {step} "
        + ("pass" if ch == 0 else "not-found" if step == "level" else "not-run")
        for ch in (0, 1)
        for lane in range(8)
        for step in steps
    ]
    head = ["bench-dump 1", "[run]", "board  crate-16", "memory  ddr4", "[training]"]
    v = facts.verdict("\n".join([*head, "site ch rank lane step result", *rows, "[end]", ""]))
    first = v.findings[0]
    assert set(first.place.group or ()) <= {f"U{n}" for n in range(9, 17)}
    assert facts.chance(first, Cause.SUPPLY) > 0.1
    assert not any(f.action in HEAT for f in v.findings)


# ---- the ball of the link check ----


def test_a_lane_whose_checks_fail_over_right_data_is_no_bridge() -> None:
    """The check code travels on a ball of its own (JESD250, EDC): where it is open no check is
    good, its own training finds no setting, and all eight data lines have whole eyes."""
    on = facts.board("quince-12")
    at = ("U2", 3, 1)
    text = facts.dump(
        on, facts.at(at, wck="not-found -"), facts.counted(at, f"{facts.BITS} 0 0 0 4669190 0")
    )
    v = facts.verdict(text)
    assert v.findings[0].place.site == "U2"
    assert (
        facts.chance(v.findings[0], Cause.JOINT) > 0.5 > facts.chance(v.findings[0], Cause.BRIDGE)
    )
    assert not v.released


# ---- what a package does to others ----


def test_no_heat_at_a_package_beside_a_short_on_their_rail() -> None:
    """A package with a short inside draws its rail down, and all that hangs on it is short of
    volts: the short is taken off first, and what is left then is the other's own (common practice,
    no source). A line of one lane is no matter of the rail."""
    on = facts.board("quince-2")
    bad, other = (site.ref for site in on.sites)
    row, count = facts.gone(bad)
    rail = next(r.name for r in on.rails if r.feeds == "packages")
    readings = f"[rails]\nrail ohms trend\n{rail} 5.1 settled\n"
    readings += f"[heat]\nrail volts amps hottest rise\n{rail} 1V 0.2A {bad} 3K\n"

    def sick(site: str, ch: int, lane: int, step: str) -> str | None:
        return row(site, ch, lane, step) or ("marginal 0.26UI" if step in facts.EYES else None)

    def with_readings(text: str) -> Verdict:
        return facts.verdict(text.replace("[training]", readings + "[training]"))

    errs = f"{facts.BITS} 40000 20000 20000 0 39000"
    v = with_readings(facts.dump(on, sick, lambda *at: count(*at) or errs))
    actions = {f.place.site: f.action for f in v.findings}
    assert actions[bad] in (Action.REPLACE, Action.CHECK_SUPPLY)
    assert actions[other] is Action.RETEST
    (thin,) = (f for f in v.findings if f.place.site == other)
    assert any("is right: mend the rail" in step for step in thin.next)
    # The same line of one lane is the other's own, short or not.
    site, ch, lane = next(at for at in facts.lanes(on) if at[0] == other)
    dead = facts.at((site, ch, lane), level="fail -", gate="fail -", read="fail -", write="fail -")
    v = with_readings(facts.dump(on, lambda *at: row(*at) or dead(*at), count))
    (one,) = (f for f in facts.work(v) if f.place.site == other)
    assert one.place.lane == lane and one.action in HEAT


def test_packages_of_neighbouring_numbers_share_something_on_an_unknown_board() -> None:
    """Who is told by designator alone: the package numbered next to a missing one that has three
    quarters of its eyes left, all alike, is disturbed rather than ill; one far off is ill (common
    practice, no source: numbers run along the placement)."""
    chances = []
    for number in (24, 29):
        rows = []
        for i, ref in enumerate(range(20, 32)):
            for ch in (2 * i, 2 * i + 1):
                for lane in (0, 1):
                    width = 0.46 if ref == number + 1 else 0.60 + 0.005 * ((7 * ch + lane) % 5)
                    if ref == 24:
                        rows.append(f"U{ref} {ch} 0 {lane} id no-response -")
                        continue
                    rows.append(f"U{ref} {ch} 0 {lane} id pass -")
                    rows += [f"U{ref} {ch} 0 {lane} {step} pass {width}UI" for step in facts.EYES]
        head = ["bench-dump 1", "[run]", "board crate-12", "memory gddr6", "[training]"]
        names = "site ch rank lane step result width"
        v = facts.verdict("\n".join([*head, names, *rows, "[end]", ""]))
        assert v.findings[0].place.site == "U24" and v.findings[0].cause is Cause.MISSING
        at = [f for f in v.findings if f.place.site == f"U{number + 1}"]
        chances.append(facts.chance(at[0], Cause.SPILLOVER) if at else 1.0)
    assert chances[0] > 0.5 > chances[1]


# ---- one count, said once ----


@pytest.mark.parametrize("rate", [2e-4, 6.5e-4, 1e-2])
def test_a_rate_that_all_lanes_share_is_one_event(rate: float) -> None:
    """Forty-eight lanes err equally often, always upwards, at a rate that dead lanes and ill rails
    know too. How seldom the controller errs so often is to be asked once, for it is one wrong bit
    of it, and not for every lane."""
    on = facts.board("quince-12")
    errors = int(rate * facts.BITS)
    cells = f"{facts.BITS} {errors} {errors} 0 - {errors}"
    v = facts.verdict(facts.dump(on, count=lambda *_: cells, training=False))
    assert v.summary.cause is Cause.CONTROLLER
    assert not any(f.cause is Cause.SUPPLY for f in v.findings)
    assert not any(f.action in HEAT for f in v.findings)


def test_a_list_of_errors_that_ends_early_names_the_bit_of_all_lanes_that_err_as_often() -> None:
    """All eight lanes and the eight of another rank have one count; the list is full after the
    first few lanes, and all its words have dq 1 wrong. The bit of the others is the same one."""
    on = facts.board("quince-8")
    errors = 247464408
    lanes = list(facts.lanes(on))
    words = [
        word
        for where in lanes[: len(lanes) // 2]
        for word in facts.error_words(where, 40, lambda i: 0x200 * i + 0x80, dq=1, way="rose")
    ]
    text = facts.dump(on, count=lambda *_: f"{facts.BITS} {errors} {errors} 0 - -", words=words)
    v = facts.verdict(text)
    assert v.summary.cause is Cause.CONTROLLER
    (found,) = (f for f in v.findings if f.cause is Cause.CONTROLLER)
    assert found.place.dq == 1
    assert not any(f.action in HEAT for f in v.findings)


@pytest.mark.parametrize("seed", range(3))
def test_half_of_the_lanes_of_a_block_dead_is_the_block(seed: int) -> None:
    """Lanes of one channel find no setting, here and there, at several packages; the others are as
    wide as ever. What they have in common is the block that drives them: as many packages or joints
    do not fail together (common practice, no source)."""
    on = facts.board("quince-8")
    rng = random.Random(seed)
    dead = set(rng.sample(list(facts.lanes(on)), 4))

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if (site, ch, lane) not in dead or step in ("id", "ca"):
            return None
        return "not-found -" if step == "level" else "not-run -"

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert facts.chance(v.findings[0], Cause.CONTROLLER) > 0.5
    assert not any(f.action in HEAT for f in v.findings)


@pytest.mark.parametrize("told", ["lane", "package", "lines"])
def test_a_lane_read_as_it_came_may_have_one_open_line(told: str) -> None:
    """Where the read of a lane finds no setting, some rigs test it all the same, and every line of
    it reads rubbish: that is no sign against a single open line, nor against two that are joined.
    Whether the step is told of the lane or of the whole package, and the count by line or by lane,
    makes no difference to what it may mean."""
    on = facts.board("quince-12")
    where = ("U4", 6, 1)
    rubbish = f"{facts.BITS} {facts.BITS // 2} {facts.BITS // 4} {facts.BITS // 4} - -"
    text = facts.dump(on, facts.at(where, read="not-found -"), facts.counted(where, rubbish))
    head, _, rest = text.partition("[training]\n")
    training, _, counts = rest.partition("[counts]\n")
    if told == "package":
        rows = [
            f"{s.ref} {step} {'not-found' if (s.ref, step) == ('U4', 'read') else 'pass'}"
            for s in on.sites
            for step in facts.STEPS["gddr6"]
        ]
        training = "site step result\n" + "\n".join(rows) + "\n"
    if told == "lines":
        bits = facts.BITS // 8
        rows = [
            f"{site} {ch} {lane} {dq} sweep {bits} {bits // 2 if (site, ch, lane) == where else 0}"
            for site, ch, lane in facts.lanes(on)
            for dq in range(8)
        ]
        counts = "site ch lane dq test bits errors\n" + "\n".join(rows) + "\n[end]\n"
    v = facts.verdict(f"{head}[training]\n{training}[counts]\n{counts}")
    (found,) = facts.work(v)
    assert found.place.site == "U4"
    assert facts.chance(found, Cause.BRIDGE) > 0.05
    assert facts.chance(found, Cause.JOINT) > 0.3
