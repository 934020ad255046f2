"""Several faults beside a cause that could be anything, what they share, and what must wait."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from memdiag.diagnosis import faults, hypotheses
from memdiag.diagnosis.candidate import Candidate
from memdiag.diagnosis.faults import effects
from memdiag.diagnosis.rig_behaviour import Relation, of_all_lanes
from memdiag.diagnosis.search import infer
from memdiag.evidence import error_signs
from memdiag.evidence.covered import Cover
from memdiag.evidence.error_counts import count_loglik
from memdiag.evidence.nodes import GRADES, LINK, Node
from memdiag.model import Action, Cause, ObstacleKind, Place
from tests.diagnosis import test_facts as facts
from tests.support.exact import as_mapping, brute_force, random_model, two_state
from tests.support.marks import examples

# ---- the search ----


def test_what_can_stand_for_anything_hides_no_set_of_several() -> None:
    """Three findings, for each of them six faults that alone may be it: no set of one or two of
    these weighs anything beside the one that shows it all, and yet some three of them are the
    likelier answer."""
    rivals = 6
    shows = [[0.99 if n == f // rivals else 0.0 for n in range(3)] for f in range(3 * rivals)]
    shows.append([0.1] * 3)
    model = two_state(shows, [1e-9] * 3, [0.05 / rivals] * (3 * rivals) + [0.01], [True] * 3)
    truth = brute_force(model, 4)
    total = sum(truth.values())
    named = sum(w for members, w in truth.items() if 18 not in members) / total
    assert named > 0.5  # by the sum over all sets
    found = infer(replace(model, vague=frozenset({18})), most=4)
    ours = sum(p for members, p in as_mapping(found).items() if 18 not in members)
    assert ours == pytest.approx(named, abs=0.06)


@settings(max_examples=examples(40), deadline=None)
@given(seed=st.integers(0, 10**9), faults=st.integers(2, 4), data=st.data())
def test_vague_variants_change_no_posterior(seed: int, faults: int, data: st.DataObject) -> None:
    """Which ones come last is a matter of the search, not of what is true."""
    model = random_model(seed, faults=faults)
    several = st.frozensets(st.integers(0, len(model.odds) - 1), max_size=3)
    truth = brute_force(model)
    total = sum(truth.values())
    found = infer(replace(model, vague=data.draw(several)), tolerance=0.0)
    ours = as_mapping(found)
    for members, weight in truth.items():
        assert ours.get(members, 0.0) == pytest.approx(weight / total, abs=1e-4)


# ---- counts of many parts ----


def test_two_packages_of_eight_that_are_gone_err_in_an_eighth_of_all_bits() -> None:
    """Undriven lines are wrong in half of the bits (derived from the termination schemes); two of
    eight packages with all their bits counted together: an eighth."""
    log = count_loglik(125_000_000, 1_000_000_000, cover=Cover(8, 1))[0]
    state = dict(zip(LINK, log.tolist(), strict=True))
    assert state["absent"] > max(state["sound"], state["array"], state["58"])
    lone = count_loglik(62_500_000, 1_000_000_000, cover=Cover(8, 1))[0]
    assert lone[LINK.index("absent")] > log[LINK.index("absent")]  # one is likelier than two


# ---- one bit of every lane ----


def test_the_same_bit_of_every_lane_is_no_matter_of_four_packages() -> None:
    """A stripe of one bit position over all packages is the controller's (common practice, no
    source): four packages do not fail alike to the last bit."""
    on = facts.board("quince-8")
    bad = "1200000000000 699052 699052 0 0 699052"

    def count(site: str, ch: int, lane: int) -> str:
        return bad

    words = [
        f"{site} {ch} 0 {lane} 0x{0x300 + 0x800 * k:08x} 0xaa 0xba - 1"
        for site, ch, lane in facts.lanes(on)
        for k in (0, 1, 3, 4, 6, 7, 9, 10, 12, 13, 15, 16)
    ]
    v = facts.verdict(facts.dump(on, count=count, words=words))
    assert v.summary.cause is Cause.CONTROLLER
    assert v.findings[0].place.line == 4 and v.findings[0].place.site is None
    assert not any(f.action in (Action.REPLACE, Action.REFLOW) for f in v.findings)


# ---- link checks ----


def test_right_data_behind_checks_that_fail_are_no_clear_link() -> None:
    """The check code is computed over what travelled (JESD250): where a check fails and no bit is
    wrong, what carries the check is bad, or the word was sent again."""
    on = facts.board("quince-12")
    where = next(iter(facts.lanes(on)))
    count = facts.counted(where, f"{facts.BITS} 0 0 0 132293701 0")
    v = facts.verdict(facts.dump(on, count=count))
    assert not v.released
    assert v.findings and v.findings[0].place.site == where[0]
    assert v.findings[0].cause in (Cause.JOINT, Cause.UNDECIDED)
    few = facts.counted(where, f"{facts.BITS} 0 0 0 1 0")
    assert facts.verdict(facts.dump(on, count=few)).released  # a stray one is weighed


# ---- warnings ----


def test_a_package_that_is_marginal_throughout_is_not_released_as_a_stray() -> None:
    on = facts.board("quince-12")
    ref = on.sites[4].ref

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        return "marginal 0.46UI" if site == ref and step in ("read", "write") else None

    v = facts.verdict(facts.dump(on, row))
    assert not v.released
    held = {o.kind for o in v.release.obstacles}
    assert v.summary.action is not Action.NONE and (v.findings or ObstacleKind.MARGINAL in held)

    def once(site: str, ch: int, lane: int, step: str) -> str | None:
        return "marginal 0.46UI" if (site, lane, step) == (ref, 0, "read") else None

    assert facts.verdict(facts.dump(on, once)).released


# ---- a rail that is ill ----


def test_no_heat_at_a_package_whose_rail_is_ill() -> None:
    """The far end of a rail that sags looks dead before the near one: the rail is mended first, and
    what is left then is the package's (common practice, no source)."""
    on = facts.board("quince-12")
    rail = next(
        r.name
        for r in on.rails
        if r.feeds == "packages" and 3 < len(on.sites_on_rail(r.name)) < len(on.sites)
    )
    fed = [site.ref for site in on.sites_on_rail(rail)]

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site not in fed or step == "id":
            return None
        if site == fed[-1]:
            return "not-found -" if step in ("wck", "read", "write") else None
        if step in ("read", "write"):
            return f"fail {0.30 + 0.005 * (lane % 2):.3f}UI"
        return None

    v = facts.verdict(facts.dump(on, row, counts=False))
    ill = [f for f in v.findings if f.cause is Cause.SUPPLY]
    assert ill and ill[0].place.rail == rail and ill[0].action is Action.CHECK_SUPPLY
    for f in v.findings:
        if f.place.site in fed:
            assert f.action not in (Action.REPLACE, Action.REFLOW)


# ---- a rig's own limit ----


@pytest.mark.parametrize("width", [0.34, 0.30, 0.22, 0.16])
def test_a_rig_that_fails_wide_eyes_condemns_no_lane_by_it(width: float) -> None:
    """Half a board at the same share of a healthy eye, and the rig calls that `fail`: where it has
    its limit is one habit, not a line open on each of those lanes. What the packages share is a
    rail (common practice, no source)."""
    on = facts.board("quince-12")
    fed = {site.ref for site in on.sites_on_rail("VDD_MEM_A")}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in fed and step in ("read", "write"):
            return f"fail {width + 0.005 * (lane % 2):.3f}UI"
        return None

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert v.summary.cause is Cause.SUPPLY
    assert v.summary.place is not None and v.summary.place.rail == "VDD_MEM_A"
    assert not any(f.cause is Cause.CONTROLLER for f in v.findings)


def test_no_controller_is_given_up_while_its_rail_is_ill() -> None:
    """Four packages of a rail at two thirds of an eye, the two of one block at its end dead, and
    the rail reads low: whatever else it is, the rail is mended first (common practice, no source).
    """
    on = facts.board("quince-12")
    fed = [site.ref for site in on.sites_on_rail("VDD_MEM_A")]

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site not in fed or step == "id":
            return None
        if site in fed[4:]:
            return "not-found -"
        if step in ("read", "write"):
            return f"fail {0.30 + 0.005 * (lane % 2):.3f}UI"
        return "marginal -" if step == "wck" else None

    text = facts.dump(on, row, counts=False)
    low = "[rails]\nrail ohms trend\nVDD_MEM_A 4.1 settled\n[end]"
    v = facts.verdict(text.replace("[end]", low))
    assert v.summary.action is Action.CHECK_SUPPLY
    assert any(f.place.partition == "P2" or f.place.site in fed[4:] for f in v.findings)
    assert not any(f.action is Action.STOP for f in v.findings)


# ---- a rail that sags ----


@given(loss=st.floats(0.05, 2.5), unlike=st.floats(0.0, 0.4))
@settings(max_examples=examples(200), deadline=None)
def test_what_a_sag_takes_of_an_eye_is_a_normal_spread_in_grades(
    loss: float, unlike: float
) -> None:
    """Held against scipy's normal distribution: the share of lanes that keep more than a grade's
    lower edge is that of losses below it, and all that loses more than an eye is dead. What any
    lanes differ by and what grows with the loss add up as independent spreads do."""
    from scipy.stats import norm

    found = effects.taken(loss, unlike)
    scatter = (effects.SCATTER**2 + (unlike * loss) ** 2) ** 0.5
    assert sum(found.values()) == pytest.approx(1.0)
    grades = list(GRADES.items())
    kept = 0.0
    for (name, margin), (_, below) in pairwise(grades):
        kept += found[name]
        edge = 1 - math.exp((margin + below) / 2)
        assert kept == pytest.approx(norm.cdf(edge, loss, scatter), abs=1e-9)
    assert found["dead"] >= norm.sf(1.0, loss, scatter) - 1e-9


@given(middle=st.floats(0.05, 1.0), play=st.floats(0.2, 1.2), points=st.integers(5, 15))
@settings(max_examples=examples(50), deadline=None)
def test_a_ladder_of_severities_has_its_middle_and_its_play(
    middle: float, play: float, points: int
) -> None:
    rungs = effects.ladder(middle, play, points)
    assert sum(rungs.values()) == pytest.approx(1.0)
    logs = np.log(list(rungs))
    shares = np.array(list(rungs.values()))
    assert float(logs @ shares) == pytest.approx(math.log(middle), abs=1e-9)
    # A normal spread cut off at two deviations keeps 88 % of its deviation (derived).
    assert math.sqrt(float((logs - math.log(middle)) ** 2 @ shares)) == pytest.approx(
        0.88 * play, rel=0.15
    )


@pytest.mark.parametrize("turned", [False, True])
def test_a_rail_that_closes_eyes_along_its_copper_is_no_block_of_the_controller(
    turned: bool,
) -> None:
    """What a supply's sag takes of an eye grows with the drop, and the drop with the copper
    (Ohm's law): thin where the rail is fed, closed half-way, silent at its end. The packages of a
    block are closed together by that, and one that does not answer is no missing one."""
    on = facts.board("quince-12")
    fed = [site.ref for site in on.sites_on_rail("VDD_MEM_A")]
    along = fed[::-1] if turned else fed

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site not in fed:
            return None
        at = along.index(site)
        if at >= 5:
            return "no-response -"
        if step not in ("read", "write"):
            return None
        return f"fail {0.13 - 0.06 * at:.2f}UI" if at < 2 else "not-found 0.00UI"

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert v.summary.cause is Cause.SUPPLY
    assert v.summary.place.rail == "VDD_MEM_A"
    assert v.summary.action is Action.CHECK_SUPPLY
    assert not any(f.action in (Action.STOP, Action.REPLACE, Action.REFLOW) for f in v.findings)


# ---- a dead block ----


def test_a_block_all_of_whose_lanes_are_dead_is_the_controllers() -> None:
    """Its packages answer to slow commands, so they are there and fed; all their lanes and no
    others find no setting: what they share is a block (common practice, no source)."""
    on = facts.board("quince-12")
    block = {site.ref for site in on.partitions["P2"]}

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if site in block and step in ("wck", "read", "write"):
            return "not-found -"
        return None

    v = facts.verdict(facts.dump(on, row, counts=False))
    assert v.summary.cause is Cause.CONTROLLER and v.summary.place.partition == "P2"
    assert 1 - v.summary.probability < 0.002  # eight lanes speak alike


# ---- bridges ----


def test_one_line_of_each_lane_of_a_channel_is_a_bridge_between_them() -> None:
    """Two lines that fail as one where they were written unlike are joined (common practice, no
    source), also where they are not of one lane; a stride of the controller would show at other
    packages too."""
    on = facts.board("quince-12")
    site = on.sites[3]
    channel = site.links[0].channel
    assert isinstance(channel, int)
    wrong, line = facts.BITS // 32, 0x20  # unlike and 1 in a quarter of what one of eight lines had
    rng = random.Random(5)
    words = []
    for _ in range(48):
        at, wrote = rng.randrange(1 << 26) * 32, (rng.randrange(256), rng.randrange(256))
        if (wrote[0] ^ wrote[1]) & line:
            lane = int(bool(wrote[1] & line))  # where a 1 was written, the other pulls it down
            had = wrote[lane]
            words.append(
                f"{site.ref} {channel} 0 {lane} 0x{at:08x} 0x{had:02x} 0x{had & ~line:02x} - 1"
            )

    def count(ref: str, ch: int, lane: int) -> str | None:
        return f"{facts.BITS} {wrong} 0 {wrong} 0 -" if (ref, ch) == (site.ref, channel) else None

    v = facts.verdict(facts.dump(on, count=count, words=words, training=False))
    top = v.findings[0]
    assert (top.place.site, top.place.channel) == (site.ref, channel)
    assert facts.chance(top, Cause.BRIDGE) > facts.chance(top, Cause.CONTROLLER)
    assert top.action in (Action.REFLOW, Action.RETEST)


# ---- lanes left as they were before training ----


def test_one_line_that_is_wrong_is_no_lane_of_rubbish() -> None:
    """A lane that was left untrained reads rubbish on all of its lines; where a sixteenth of its
    bits are wrong, all of one line, the lane was trained and that line is open."""
    on = facts.board("quince-8")
    where = next(iter(facts.lanes(on)))
    bits = 6_300_000_000
    row = facts.at(where, read="not-found -", write="not-found -")
    count = facts.counted(where, f"{bits} {bits // 16} {bits // 16} 0 0 -")
    words = facts.error_words(where, 24, lambda k: 0x40 * k, 0, way="rose")
    v = facts.verdict(facts.dump(on, row, count, words=words))
    top = v.findings[0]
    assert top.cause is Cause.JOINT and top.place.site == where[0] and top.place.dq == 0


# ---- packages that are gone are no lane of the controller's ----


def test_a_lane_is_not_the_controllers_for_a_package_that_is_gone() -> None:
    """A stripe shows at several packages; one that does not answer at all shows no stripe."""
    on = facts.board("quince-2")
    gone, thin = on.sites[0].ref, on.sites[1]
    quiet, silent = facts.gone(gone)
    link = thin.links[-1]
    assert isinstance(link.channel, int) and link.lane is not None
    row = facts.at((thin.ref, link.channel, link.lane), read="not-found -", write="not-found -")

    def both(site: str, ch: int, lane: int, step: str) -> str | None:
        return quiet(site, ch, lane, step) or row(site, ch, lane, step)

    v = facts.verdict(facts.dump(on, both, silent, counts=False))
    assert [f.place.site for f in v.findings[:2]] == [gone, thin.ref]
    assert facts.chance(v.findings[1], Cause.CONTROLLER) < 0.005


# ---- counts of a channel all of whose lanes are dead ----


def test_a_channel_of_dead_lanes_counts_as_rubbish_throughout() -> None:
    """Undriven lines are wrong in half of their bits (derived from the termination schemes). A
    count that covers both lanes of a channel says a quarter where one of them is dead, and a half
    where the fault takes both; training says no more than that no setting was found."""
    on = facts.board("quince-12")
    site = on.sites[0]
    channel = site.links[0].channel
    assert isinstance(channel, int)

    def row(ref: str, ch: int, lane: int, step: str) -> str | None:
        mine = (ref, ch) == (site.ref, channel)
        return "not-found -" if mine and step in ("read", "write") else None

    def counted(errors: int) -> str:
        rows = [
            f"{ref} {ch} 0 - sweep {facts.BITS} {errors * ((ref, ch) == (site.ref, channel))}"
            for ref, ch, lane in facts.lanes(on)
            if lane == 0
        ]
        text = facts.dump(on, row, counts=False)
        head = "[counts]\nsite ch rank lane test bits errors"
        return text.replace("[end]", "\n".join([head, *rows, "[end]"]))

    v = facts.verdict(counted(facts.BITS // 2))
    top = v.findings[0]
    assert (top.place.site, top.place.channel, top.place.lane) == (site.ref, channel, None)
    assert facts.chance(top, Cause.CONTROLLER) > 0.1
    struck = hypotheses.Places(
        [Node("place", (site.ref,), Place(site=site.ref, channel=channel))], on
    )
    block = next(m for m in faults.MECHANISMS if m.cause is Cause.CONTROLLER and m.beyond_site)
    both = Candidate(block, Place(site.ref, channel), frozenset({site.ref}), 0.01)
    one = Candidate(block, Place(site.ref, channel, lane=1), frozenset({site.ref}), 0.01)
    assert set(struck.struck_by(both).values()) == {Relation.WHOLE}
    assert set(struck.struck_by(one).values()) == {Relation.SELF}
    told = of_all_lanes({"dead": 0.8, "mute": 0.1})
    assert told["mute"] > 0.4 and sum(told.values()) == pytest.approx(0.9)


# ---- a few wrong words ----


def _lpddr4(words: Sequence[tuple[int, int]]) -> str:
    """Wrong words of one lane, by address and the bits that are wrong in each."""
    on = facts.board("quince-2")
    where = next(iter(facts.lanes(on)))
    site, ch, lane = where
    bits = 140_000_000
    count = facts.counted(where, f"{bits} {len(words)} {len(words)} 0 - {len(words)}")
    rows = [f"{site} {ch} 0 {lane} 0x{at:08x} 0x00 0x{bad:02x} - 1" for at, bad in words]
    return facts.dump(on, count=count, words=rows)


def test_wrong_cells_on_one_line_are_no_strays() -> None:
    """Upsets that stray fall on any of eight lines (derived: one in 64 that three fall on one);
    cells of a failing column, or what an open line reads, do not."""
    at = (0x02FBF4E0, 0x05E7B0A0, 0x0110C760)
    alike = facts.verdict(_lpddr4([(a, 0x10) for a in at]))
    apart = facts.verdict(_lpddr4(list(zip(at, (0x10, 0x01, 0x40), strict=True))))
    assert apart.released and not alike.released
    (held,) = alike.release.obstacles
    assert held.kind is ObstacleKind.ODDS


@given(cells=st.integers(2, 7))
@settings(max_examples=examples(20), deadline=None)
def test_on_one_line_or_not_is_all_there_is(cells: int) -> None:
    one, several = (np.exp(error_signs.one_line_loglik(cells, said)) for said in (True, False))
    assert one + several == pytest.approx(1.0)
    assert one[0] == pytest.approx(8.0 ** (1 - cells))  # strays, on any of eight lines


# ---- a data line that finds no setting ----


def test_a_line_without_a_setting_is_told_beside_packages_with_bad_cells() -> None:
    """A line by itself works or does not: an open one finds no setting, whatever its lane prints
    (common practice, no source). Bad cells elsewhere leave it as it is."""
    on = facts.board("quince-12")
    open_site = on.sites[9]
    link = open_site.links[1]
    text = facts.dump(on, training=False)
    head = "[training]\nsite ch rank lane dq step result width"
    rows = []
    for site, ch, lane in facts.lanes(on):
        for dq in range(8):
            for step in ("read", "write"):
                bad = (site, ch, lane, dq) == (open_site.ref, link.channel, link.lane, 2)
                said = "not-found 0.00UI" if bad else f"pass {0.55 + 0.01 * (dq % 3):.2f}UI"
                rows.append(f"{site} {ch} 0 {lane} {dq} {step} {said}")
    v = facts.verdict(text.replace("[counts]", "\n".join([head, *rows, "[counts]"])))
    top = v.findings[0]
    assert (top.place.site, top.place.lane, top.place.dq) == (open_site.ref, link.lane, 2)
    assert top.cause is Cause.JOINT and top.probability > 0.6


# ---- rigs that warn of each lane by itself ----


def test_an_open_line_is_found_on_a_rig_that_warns_of_single_lanes() -> None:
    """Some rigs warn of a package, some of each lane: some lanes of every package are `marginal`
    in each step, their fellows in none. That is the rig's way, and hides no line that is wrong in
    half of its bits (common practice, no source)."""
    on = facts.board("quince-12")
    where = sorted(facts.lanes(on))[19]
    bits = 1_240_000_000_000

    def row(site: str, ch: int, lane: int, step: str) -> str | None:
        if (site, ch, lane) == where:
            return "fail -" if step in ("read", "write") else None
        loud = (7 * ch + 3 * lane) % 5 < 2
        return "marginal -" if loud and step in ("wck", "read", "write") else "pass -"

    count = facts.counted(where, f"{bits} {bits // 16} - - - -")
    v = facts.verdict(facts.dump(on, row, count))
    top = v.findings[0]
    assert top.cause is Cause.JOINT
    assert (top.place.site, top.place.channel, top.place.lane) == where
