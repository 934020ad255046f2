"""The simulated bench, held to physics and to figures from outside the project."""

from __future__ import annotations

import ast
import os
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy import stats

from memdiag.boards import profiles
from memdiag.model import Run
from memdiag.model.problems import Severity
from memdiag.reading.load import load
from tests.accuracy.calibration import calibration
from tests.accuracy.scoring import Claim
from tests.simulator import boards, physics, scenes
from tests.simulator.arrays import Addresses, partner
from tests.simulator.noise import binomial_at, binomials_at, poisson_at
from tests.simulator.rows import Row
from tests.simulator.trace import trace
from tests.support.marks import examples

HERE = Path(__file__).parent
FEW = {"dirt": False, "known": True, "bare": False}
COUNTING = {
    "sections": frozenset({"counts", "errors"}),
    "count_detail": "lane",
    "directions": True,
    "count_dead": "count",
    "count_clean": True,
    "temps": (),
    "bits": 1e9,
    "direct": True,
    "word": "lane",
    "cap": 64,
    "cap_each": True,
    "beats": 1,
    "untrained_lost": False,
    "warm_boot": False,
    "names": True,
    "cell_columns": True,
    "policy": "go-on",
    "complete": False,
    "together": False,
    "bare_words": False,
    "probe": False,
}


def read(scene: scenes.Scene) -> Run:
    return load(scene.text, board=scene.board if scene.known else None)[0]


# --- the same seed, the same scene ---------------------------------------------------------------


def test_a_seed_gives_the_same_scene_in_any_process() -> None:
    code = (
        "import hashlib; from tests.simulator import scenes;"
        "print([hashlib.sha256(scenes.draw(s).text.encode()).hexdigest() for s in (3, 11, 64)])"
    )
    said = set()
    for salt in ("0", "77"):
        env = os.environ | {"PYTHONHASHSEED": salt, "PYTHONPATH": str(HERE.parents[1])}
        done = subprocess.run(
            [sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True
        )
        said.add(done.stdout)
    assert len(said) == 1
    assert scenes.draw(3).text != scenes.draw(4).text


def test_held_out_seeds_are_no_tuning_seeds() -> None:
    assert scenes.EVALUATION not in scenes.TUNING
    assert max(scenes.TUNING) < scenes.EVALUATION


def test_the_simulator_knows_nothing_of_the_analyser() -> None:
    allowed = ("memdiag.model", "memdiag.boards")
    rooms = [path for path in HERE.glob("*.py") if not path.name.startswith("test_")]
    assert len(rooms) > 15  # they were looked at
    for path in rooms:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [a.name for a in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [
                    f"{node.module}.{a.name}" if node.module == "memdiag" else str(node.module)
                    for a in node.names
                ]
            for name in names:
                assert not name.startswith("memdiag") or name.startswith(allowed), (
                    f"{path.name}: {name}"
                )


# --- figures from outside ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ber", "two_q"),
    # 2Q of the dual-Dirac total jitter TJ = DJ + 2 Q RJ at a bit error rate: Agilent 5989-3206
    # (printed table, from memory; agrees with the normal quantile)
    [(1e-3, 6.180), (1e-6, 9.507), (1e-9, 11.996), (1e-12, 14.069), (1e-15, 15.883)],
)
def test_q_is_the_dual_dirac_table(ber: float, two_q: float) -> None:
    assert 2 * physics.q_of(ber) == pytest.approx(two_q, abs=5e-4)


def test_the_eye_of_the_worked_jitter_case() -> None:
    # UI 100, DJ 10, RJ 1: eye 75.93103 at 1e-12 (from the formula; recomputed with scipy)
    assert 100 * physics.eye_width(0.10, 0.01, 1e-12) == pytest.approx(75.93103, abs=1e-5)


@given(st.floats(0.0, 0.6), st.floats(0.005, 0.05), st.floats(0.0, 0.2))
@settings(max_examples=examples(40), deadline=None)
def test_errors_agree_with_the_width(dj: float, rj: float, offset: float) -> None:
    """At the very edge of the eye at 1e-9 one edge errs on half of the bits at rate 1e-9."""
    half = (1 - dj) / 2
    edge = half - physics.q_of(1e-9) * rj
    if edge > 0.05:
        assert physics.error_rate(dj, rj, edge) == pytest.approx(0.5e-9, rel=0.01)
    assert physics.error_rate(dj, rj, offset) >= physics.error_rate(dj, rj, 0.0) * (1 - 1e-9)
    assert physics.error_rate(dj, 2 * rj, offset) >= physics.error_rate(dj, rj, offset) * (1 - 1e-9)


def test_the_package_on_two_low_rails() -> None:
    # A trade case (common practice, no source; the figures are made up): two supplies read a few
    # ohm with a package on and many with it off. Conductances subtract (Kirchhoff).
    assert physics.without(3.1, 64.0) == pytest.approx(3.258, abs=0.0005)
    assert physics.without(6.4, 402.0) == pytest.approx(6.504, abs=0.0005)
    assert physics.parallel(physics.without(3.1, 64.0), 64.0) == pytest.approx(3.1)


def test_a_charging_rail_reads_low_at_first() -> None:
    # one time constant: 1 - 1/e = 63.2 % (any text on RC circuits)
    assert physics.charging(130.0, 1e-3, 0.13) == pytest.approx(82.17, abs=0.01)
    assert physics.charging(130.0, 1e-3, 13.0) == pytest.approx(130.0)


@given(st.floats(0.01, 400.0), st.floats(0.001, 0.999))
@settings(max_examples=examples(60), deadline=None)
def test_poisson_counts_are_quantiles(mean: float, u: float) -> None:
    near = 0 if mean < 60 else 2  # above, the normal limit is used: 2 counts of some 8 sigma
    assert abs(poisson_at(mean, u) - stats.poisson.ppf(u, mean)) <= near


@given(st.integers(1, 3000), st.floats(0.001, 0.999), st.floats(0.001, 0.999))
@settings(max_examples=examples(60), deadline=None)
def test_binomial_counts_are_quantiles(n: int, p: float, u: float) -> None:
    exact = stats.binom.ppf(u, n, p)
    sigma = (n * p * (1 - p)) ** 0.5
    # a quantile of p and one of 1 - p fall on either side of a step: one count of freedom; the
    # limits used above 400 are off by a count or two of sigma
    assert abs(binomial_at(n, p, u) - exact) <= (1 if n <= 400 else 2 + 0.1 * sigma)


@given(st.integers(1, 500), st.floats(0.001, 0.5), st.integers(0, 99))
@settings(max_examples=examples(40), deadline=None)
def test_many_binomial_counts_are_each_its_own_quantile(n: int, p: float, seed: int) -> None:
    u = np.random.default_rng(seed).random(40)
    assert binomials_at(n, p, u) == [binomial_at(n, p, float(x)) for x in u]


def test_independent_errors_have_the_dispersion_of_a_poisson() -> None:
    # index of dispersion: (n-1) s2 / mean is chi-square with n-1 degrees (Fisher, Thornton and
    # Mackenzie 1922, Annals of Applied Biology 9; citation from memory)
    u = np.random.default_rng(5).random(3000)
    counts = np.array([poisson_at(4.0, x) for x in u])
    index = (counts.size - 1) * counts.var(ddof=1) / counts.mean()
    low, high = stats.chi2.ppf([0.001, 0.999], counts.size - 1)
    assert low < index < high


def test_bursts_and_termination_of_the_families() -> None:
    # JESD250: 16n prefetch, an access on a x16 channel is 256 bit; JESD212: 8n; JESD79-4: 8n;
    # JESD79-5: BL16; JESD209-4: BL16
    assert physics.BURST["gddr6"] * 16 == 256
    assert (physics.BURST["gddr5"], physics.BURST["ddr4"]) == (8, 8)
    assert (physics.BURST["ddr5"], physics.BURST["lpddr4"]) == (16, 16)
    # POD terminates to VDDQ, LVSTL to VSS, SSTL (DDR3) to mid-rail: what is left undriven reads
    # 1, 0, anything (derived from the schemes of the same standards)
    levels = {f: physics.UNDRIVEN[f] for f in ("gddr6", "gddr5", "ddr4", "ddr5")}
    assert set(levels.values()) == {1}
    assert (physics.UNDRIVEN["lpddr4"], physics.UNDRIVEN["lpddr5"]) == (0, 0)
    assert physics.UNDRIVEN["ddr3"] is None


def test_calibration_of_the_library_example() -> None:
    # scikit-learn, brier_score_loss docstring: y 0 1 1 0, p .1 .9 .8 .3 -> .0375
    pairs = [(0.1, False), (0.9, True), (0.8, True), (0.3, False)]
    brier, _, _ = calibration([Claim("weak", p, y) for p, y in pairs])
    assert brier == pytest.approx(0.0375)
    # scikit-learn, calibration_curve docstring: 9 cases, 3 bins: mean stated .2 .525 .85, true
    # 0 .5 1 -> weighted distance (3*.2 + 2*.025 + 4*.15) / 9 (by hand)
    y = [False] * 4 + [True] * 5
    p = [0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0]
    _, error, bins = calibration([Claim("weak", a, b) for a, b in zip(p, y, strict=True)], bins=3)
    assert [round(stated, 3) for stated, _, _ in bins] == [0.2, 0.525, 0.85]
    assert error == pytest.approx((3 * 0.2 + 2 * 0.025 + 4 * 0.15) / 9)


# --- what the dumps show -------------------------------------------------------------------------


def _terminated(family: str, kind: str, **more: object) -> scenes.Scene:
    for seed in range(60):
        scene = scenes.draw(seed, family=family, kind=kind, **FEW, **(COUNTING | more))
        if scene.nature.terminated:
            return scene
    raise AssertionError("no terminated board in sixty")


@pytest.mark.parametrize(
    ("family", "way"), [("gddr6", "rose"), ("ddr4", "rose"), ("lpddr4", "fell")]
)
def test_a_silent_package_is_wrong_for_half_of_its_bits_one_way(family: str, way: str) -> None:
    scene = _terminated(family, "missing")
    site = scene.truth[0].site
    own = [r for r in read(scene).counts if r.place.site == site]
    assert own
    for row in own:
        assert row.bits and row.errors
        # half of balanced data, to six standard deviations of a binomial
        assert abs(row.errors - row.bits / 2) < 6 * (row.bits / 4) ** 0.5
        assert getattr(row, way) == row.errors


def test_a_bridge_pulls_one_way_and_takes_a_quarter_of_each_line() -> None:
    # wired-AND of two balanced lines: low unless both are high, so each is wrong in one case of
    # four, always 1 -> 0; wired-OR the other way (truth tables)
    ways = set()
    for seed in range(5):
        scene = scenes.draw(
            seed,
            family="gddr6",
            sites=4,
            kind="bridge",
            **FEW,
            **(COUNTING | {"count_detail": "dq"}),
        )
        truth = scene.truth[0]
        rows = [r for r in read(scene).counts if r.errors and r.errors > 1000]
        assert len(rows) == 2
        for row in rows:
            assert (
                row.bits and row.errors and row.errors / row.bits == pytest.approx(0.25, abs=0.01)
            )
            # but for a stray word
            assert row.errors - (row.fell if truth.mode == "and" else row.rose) <= 3  # type: ignore[operator]
        ways.add(truth.mode)
    assert ways == {"and", "or"}


def test_joined_lines_read_alike_in_the_words() -> None:
    compared = 0
    for seed in range(4):
        scene = scenes.draw(seed, family="gddr6", sites=4, kind="bridge", **FEW, **COUNTING)
        truth = scene.truth[0]
        log = read(scene).errors
        assert log is not None and isinstance(truth.dq, tuple)
        if truth.dq[0] == truth.dq[1]:
            continue  # across two lanes: not in one word here
        for key, wrote, wrong in zip(log.key, log.wrote[:, 0], log.wrong[:, 0], strict=True):
            at = log.keys[key].place
            if (at.channel, at.lane) == (truth.channel, truth.lane):
                back = int(wrote ^ wrong)
                wrote_one, wrote_two = (int(wrote) >> d & 1 for d in truth.dq)
                low = truth.mode == "and"
                pulled = wrote_one & wrote_two if low else wrote_one | wrote_two
                assert (back >> truth.dq[0] & 1, back >> truth.dq[1] & 1) == (pulled, pulled)
                compared += 1
    assert compared > 100


def test_cells_leave_the_link_check_alone_and_lines_do_not() -> None:
    more = COUNTING | {"error_edc": True}
    for kind, bad in (("array", 1), ("open-data", 2)):
        seen = right = 0
        for seed in range(8):
            scene = scenes.draw(seed, family="gddr6", sites=4, kind=kind, **FEW, **more)
            truth, log = scene.truth[0], read(scene).errors
            if log is None:
                continue
            here = np.array([k.place.site == truth.site for k in log.keys])[log.key]
            seen += int(here.sum())
            right += int((log.edc[here] == bad).sum())
        # but for stray words, and a many-bit error in 256 that a CRC-8 lets through
        assert seen > 60
        assert right > 0.95 * seen


def test_an_open_address_line_pairs_places_one_line_apart() -> None:
    scene = scenes.draw(
        2, family="gddr6", kind="open-address", **FEW, **(COUNTING | {"order": "walk"})
    )
    truth, log = scene.truth[0], read(scene).errors
    assert log is not None
    places = {
        (int(b), int(r), int(c))
        for k, b, r, c in zip(log.key, log.bank, log.row, log.col, strict=True)
        if (log.keys[k].place.channel, log.keys[k].place.site) == (truth.channel, truth.site)
    }
    lines = [("row", k) for k in range(14)] + [("col", k) for k in range(10)]
    paired = {line: sum(partner(p, line) in places for p in places) for line in lines}
    assert max(paired.values()) >= 0.8 * len(places) > 1


@given(st.integers(0, 10**6), st.integers(0, 15), st.integers(0, 2**13 - 1), st.integers(0, 31))
@settings(max_examples=examples(50), deadline=None)
def test_an_address_map_is_a_bijection(seed: int, bank: int, row: int, k: int) -> None:
    """With and without banks folded with row bits (XOR is its own inverse)."""
    addresses = Addresses(boards.address_map(random.Random(seed), 2, 16), 2, 16)
    place = (bank, row, addresses.column(k))
    assert addresses.place(addresses.of(*place)) == place
    assert addresses.place(addresses.of(*place, 5)) == place
    if addresses.beat_bits:
        assert addresses.of(*place, 5) != addresses.of(*place, 6)


def test_a_sequence_that_stops_runs_nothing_afterwards() -> None:
    scene = scenes.draw(
        5,
        family="gddr6",
        kind="missing",
        sites=8,
        **FEW,
        policy="stop-all",
        step_major=False,
        detail="lane",
        sections=frozenset({"training"}),
        prints_not_run=True,
        warm_boot=False,
        probe=False,
        downwards=False,
        pass_only_fails=False,
    )
    dead = scene.board.site(scene.truth[0].site or "")
    assert dead is not None
    first = list(scene.board.channels).index(dead.channels[0])
    late = set(scene.board.channels[first + 1 :])
    rows = [r for r in read(scene).training if r.place.channel in late]
    assert all(r.result == "not-run" for r in rows)
    assert bool(rows) == bool(late)


def test_a_fault_is_visible_where_the_dump_shows_it_and_only_there() -> None:
    training = {"sections": frozenset({"training"}), "warm_boot": False, "probe": False}
    seen = scenes.draw(9, family="gddr6", kind="missing", **FEW, **training)
    assert seen.truth[0].visible and seen.truth[0].located
    for seed in range(5):
        array = scenes.draw(seed, family="gddr6", kind="array", **FEW, **training)
        assert not array.truth[0].visible  # cells are never read in training
    bare = scenes.draw(9, family="gddr6", kind="removed", dirt=False, known=True, **training)
    assert bare.truth[0].expected and bare.truth[0].actions == {"fit"}
    assert "removed" in bare.text


def test_a_stray_error_or_two_is_no_trace() -> None:
    scene = scenes.draw(3, family="gddr6", kind="missing", **FEW)
    words = [Row("errors", {"ch": 0, "address": k}, (0,)) for k in range(3)]
    told = [trace(words[:n], [], scene.nature, scene.rig) for n in range(4)]
    assert [len(t) for t in told] == [0, 0, 0, 3]
    read = {"step": "read"}
    tries = [
        [Row("training", read | {"ch": k, "result": r}) for r in ("marginal", "pass")]
        for k in range(2)
    ]
    for n, seen in ((1, 0), (2, 2)):
        now, before = zip(*tries[:n], strict=True)
        assert len(trace(now, before, scene.nature, scene.rig)) == seen
    # nor is an eye thinner by less than nature's own spread, or one that all boards may have
    eyes = [Row("training", {"step": "read", "result": "pass", "width": w}) for w in (0.5, 0.4)]
    calm = replace(scene.nature, site_spread=0.01, lane_spread=0.01, dq_spread=0.01)
    rig = replace(scene.rig, width="UI", tap=0.01)
    assert trace(eyes[1:], eyes[:1], calm, rig)
    assert not trace(eyes[1:], eyes[:1], calm, rig, board_wide=True)
    assert not trace(eyes[1:], eyes[:1], replace(calm, lane_spread=0.05), rig)


def test_a_shorted_package_warms_and_takes_its_rail_down() -> None:
    for seed in range(8):
        scene = scenes.draw(
            seed,
            family="gddr6",
            kind="short-package",
            **FEW,
            rails=True,
            heat=True,
            sections=frozenset(),
        )
        run, truth = read(scene), scene.truth[0]
        rail = scene.board.rail(truth.rail or "")
        assert rail is not None and rail.healthy_ohms_min is not None
        reading = next(r for r in run.rails if r.rail == truth.rail)
        assert reading.ohms < 0.1 * rail.healthy_ohms_min
        # 2 to 7 ohm point at a chip (common practice, no source); the network lowers it a little
        assert 1.7 < reading.ohms < 7.3
        warm = [h for h in run.heat if h.rail == truth.rail]
        assert warm and warm[0].hottest in (truth.site, None)
        assert warm[0].amps is not None and warm[0].volts is not None
        assert warm[0].volts == pytest.approx(warm[0].amps * reading.ohms, rel=0.25, abs=0.02)


def test_a_delay_is_printed_with_the_taps_to_either_side_of_it_that_work() -> None:
    found = 0
    for seed in range(6):
        scene = scenes.draw(seed, **FEW, delay=True, windows=True, candidates=False, per_char=1)
        for row in read(scene).training:
            # levelling looks for an edge, which has no width to either side
            assert row.step == "level" or (row.delay is None) == (row.spread is None)
            if row.window and row.delay and row.spread and "0" in row.window:
                at, ease = int(row.delay.value), int(row.spread.value)
                # a tap next to an edge comes and goes, and both figures are rounded
                assert "0" not in row.window[at - ease + 1 : at + ease - 1], row
                assert "0" in row.window[max(0, at - ease - 3) : at + ease + 4], row
                found += 1
    assert found > 100


# --- the dumps as texts --------------------------------------------------------------------------


@pytest.mark.parametrize("first", [0, 20_000, 40_000])
def test_tidy_dumps_read_without_an_error(first: int) -> None:
    for seed in range(first, first + 12):
        scene = scenes.draw(seed, dirt=False)
        runs = load(scene.text, board=scene.board if scene.known else None)
        assert len(runs) == 1
        errors = [p.sentence() for p in runs[0].problems if p.severity is Severity.ERROR]
        assert not errors, f"seed {seed}: {errors[:3]}"
        assert runs[0].source.complete


def test_dirt_that_the_format_allows_costs_nothing() -> None:
    for seed in range(4):
        clean = scenes.draw(seed, dirt=False)
        dirty = scenes.draw(seed, dirt=("blank", "crlf", "comment"))
        one, two = read(clean), read(dirty)
        assert two.source.rows == one.source.rows
        assert not [p for p in two.problems if p.severity is Severity.ERROR]


def test_profiles_written_are_the_boards_simulated() -> None:
    for seed in range(15):
        scene = scenes.draw(seed, dirt=False)
        board, problems = profiles.examine(scene.board_toml)
        assert board is not None, [p.sentence() for p in problems]
        assert board.rails == scene.board.rails
        assert board.address == scene.board.address
        for mine, theirs in zip(scene.board.sites, board.sites, strict=True):
            for part in ("ref", "x", "y", "side", "rails", "partition", "clamshell"):
                assert getattr(mine, part) == getattr(theirs, part)
            assert set(mine.links) == set(theirs.links)


def test_every_family_and_every_fault_can_be_drawn() -> None:
    from tests.simulator.faults import MIX

    kinds = set()
    for k, kind in enumerate(MIX):
        scene = scenes.draw(k, family="gddr6", sites=8, kind=kind, dirt=False)
        kinds |= {t.kind for t in scene.truth}
    assert kinds >= set(MIX) - {"phy-block", "phy-lane"}
    for family in boards.FAMILIES:
        assert scenes.draw(1, family=family).family == family


def test_look_alikes_are_named_only_where_nothing_tells_them_apart() -> None:
    trained = {"sections": frozenset({"training"}), "warm_boot": False, "probe": False}
    bridge = {"family": "gddr6", "kind": "bridge", "sites": 4, **FEW}
    blind = scenes.draw(4, **bridge, **trained, detail="lane", rule="all")
    assert blind.truth[0].visible and blind.truth[0].rivals == {"joint"}
    counted = scenes.draw(4, **bridge, **COUNTING)
    assert counted.truth[0].visible and not counted.truth[0].rivals
    array = {"board": boards.quince("quince-8"), "kind": "array", **FEW}
    only = COUNTING | {"sections": frozenset({"counts"}), "cells": False}
    seen = [t for s in range(12) for t in scenes.draw(s, **array, **only).truth if t.visible]
    assert seen and all(t.rivals == {"joint"} for t in seen)
    words = [t for s in range(12) for t in scenes.draw(s, **array, **COUNTING).truth if t.visible]
    assert words and not any(t.rivals for t in words)
