"""What rigs print that says nothing of the board: warnings, habits, lists and scans cut short."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from memdiag.model import Run
from memdiag.model.error_log import ErrorLog
from memdiag.reading.load import load
from tests.simulator import scenes
from tests.simulator.boards import Wiring, quince
from tests.simulator.boot import WAY, Attempt, boot
from tests.simulator.noise import Noise
from tests.simulator.plant import Nature, Plant, healthy
from tests.simulator.rig import STEPS, Rig, draw_rig
from tests.simulator.test_simulator import COUNTING, FEW

CALM: dict[str, Any] = {
    "steps": STEPS["gddr6"],
    "policy": "go-on",
    "warn_loss": 0.0,
    "stray": 0.0,
    "loud": 0.0,
    "depends": True,
    "probe": False,
    "warm_boot": False,
    "skip_rank": False,
    "pass_only_fails": False,
    "frozen": frozenset(),
    "empty": None,
}
"""A rig that only says what it measures."""


def rig_of(seed: int, **habits: Any) -> Rig:
    return replace(draw_rig(Noise(seed).stream("rig"), "gddr6", False, False), **CALM | habits)


def plant_of(seed: int, name: str = "quince-12") -> Plant:
    noise = Noise(seed)
    return healthy(Wiring(quince(name)), noise, Nature.draw(noise.stream("nature")))


def booted(seed: int, *, gone: bool = True, **habits: Any) -> tuple[Plant, Attempt]:
    """A boot of quince-12 whose first package is dead; nothing couples it to the others."""
    plant = plant_of(seed)
    plant.alive[0] = not gone
    return plant, boot(plant, rig_of(seed, **habits), Noise(seed)).last


def neighbours(plant: Plant) -> Iterator[tuple[int, list[int]]]:
    return ((s, links) for s, links in enumerate(plant.wiring.of_site) if s)


# --- warnings ------------------------------------------------------------------------------------


@pytest.mark.parametrize("each", ["site", "channel"])
def test_a_warning_is_one_event_of_a_package_or_channel_and_no_margin(each: str) -> None:
    """One package off, and its neighbour marginal in every step with whole eyes (a bench case)."""
    seen = set()
    for seed in range(12):
        habits = {"policy": "warn", "warn_each": each, "warn_steps": "all", "warn": 0.5}
        plant, loud = booted(seed, **habits, warn_word="marginal")
        _, calm = booted(seed)
        assert np.array_equal(loud.widths, calm.widths)
        groups = plant.wiring.of_channel.values() if each == "channel" else plant.wiring.of_site
        for links in groups:
            if plant.wiring.site_of[links[0]] == 0:
                continue
            said = {loud.results[s][i] for s in STEPS["gddr6"] if s != "id" for i in links}
            assert len(said) == 1
            seen |= said
    assert seen == {"pass", "marginal"}


def test_a_warning_may_be_a_second_try_that_passes() -> None:
    plant, warned = booted(3, policy="warn", warn_word="tries", warn_steps="last", warn=1.0)
    _, calm = booted(3)
    assert warned.results == calm.results
    other = {i for _, links in neighbours(plant) for i in links}
    assert warned.retried == {("write", i) for i in other} and not calm.retried


def test_some_rigs_take_no_width_with_a_warning_and_some_do() -> None:
    losses = [draw_rig(Noise(s).stream("rig"), "gddr6", False, False).warn_loss for s in range(200)]
    assert 100 < sum(loss == 0 for loss in losses) < 170


def test_a_rig_that_warns_everywhere_warns_of_sound_boards_too() -> None:
    """Two lanes in five, to four standard deviations of a binomial of 48 lanes and 4 steps."""
    for same in (True, False):
        _, attempt = booted(7, gone=False, loud=0.4, loud_same=same)
        steps = [s for s in STEPS["gddr6"] if s != "id"]
        marked = [[r == "marginal" for r in attempt.results[s]] for s in steps]
        n = 48 if same else 48 * len(steps)
        share = np.mean(marked)
        assert abs(share - 0.4) < 4 * (0.4 * 0.6 / n) ** 0.5
        assert all(m == marked[0] for m in marked) is same
        assert set(attempt.results["id"]) == {"pass"}


# --- limits --------------------------------------------------------------------------------------


def test_a_rig_keeps_its_limits_for_every_lane_of_a_run() -> None:
    """At every step the narrowest eye that passes is wider than the widest that is marginal."""
    met = set()
    for seed in range(20):
        plant = plant_of(seed)
        plant.dj += np.linspace(0.0, 0.7, plant.dj.shape[1])[None, :, None]
        rig = rig_of(seed, depends=False)
        attempt = boot(plant, rig, Noise(seed)).last
        for step in ("wck", "read", "write"):
            widths = attempt.widths[WAY[step]]
            eyes = {
                word: [w for w, r in zip(widths, attempt.results[step], strict=True) if r == word]
                for word in ("not-found", "fail", "marginal", "pass")
            }
            met |= {word for word, found in eyes.items() if found}
            bounds = [b for found in eyes.values() if found for b in (min(found), max(found))]
            assert bounds == sorted(bounds)
    assert len(met) == 4


def test_a_lane_is_as_bad_as_the_worst_of_its_lines() -> None:
    """The same board on a rig that prints lanes and on one that prints lines."""
    order = ["pass", "marginal", "fail", "not-found"]
    seen = set()
    for seed in range(40):
        habits = {"steps": ("read", "write"), "sections": frozenset({"training"}), "rule": "all"}
        habits |= {"names": True, "depends": False, "thin": 0.7, "shut": 0.3}
        habits["candidates"] = False
        worst: list[dict[Any, int]] = []
        for detail in ("lane", "dq"):
            scene = scenes.draw(seed, kind="pins", **FEW, **CALM | habits | {"detail": detail})
            found: dict[Any, int] = {}
            for row in load(scene.text)[0].training:
                key = (replace(row.place, dq=None), row.step)
                found[key] = max(found.get(key, 0), order.index(str(row.result)))
            worst.append(found)
        assert worst[0] == worst[1]
        seen |= set(worst[0].values())
    assert seen == {0, 1, 2, 3}


def test_steps_have_tolerances_of_their_own() -> None:
    rig = draw_rig(Noise(1).stream("rig"), "gddr6", False, False)
    shares = {step: rig.limits(step)[1] / rig.thin for step in ("wck", "read", "write")}
    assert len(set(shares.values())) == 3 and shares["wck"] < min(shares["read"], shares["write"])


# --- lists of wrong words ------------------------------------------------------------------------

LISTED: dict[str, Any] = {**FEW, **COUNTING, "family": "gddr6", "sites": 8}


def listed(scene: scenes.Scene) -> tuple[Run, ErrorLog | None]:
    run = load(scene.text, board=scene.board)[0]
    return run, run.errors


def wrong_bits(log: ErrorLog | None) -> int:
    return 0 if log is None else sum(int(x).bit_count() for x in log.wrong[:, 0])


def test_a_complete_list_holds_every_bit_that_was_counted() -> None:
    """So that who is not listed had none; 2,060 of 2,117 bits on one package is such a list."""
    long = 0
    for seed in range(40):
        habits = {"kind": ("array", "pins", "stride", "none")[seed % 4], "complete": True}
        run, log = listed(scenes.draw(seed, **LISTED | habits | {"bits": 1e8}))
        counted = sum(row.errors or 0 for row in run.counts)
        if counted <= 2000:
            assert wrong_bits(log) == counted
            long += counted > 64
    assert long > 3  # longer than the log of 64 words of a rig that stops


def test_a_list_that_would_be_endless_stops() -> None:
    for seed in range(4):
        habits = {"kind": "missing", "complete": True, "cap_each": False, "cap": 100}
        habits["pass_column"] = True  # two beats may be wrong alike
        run, log = listed(scenes.draw(seed, **LISTED | habits))
        assert log is not None and log.total == 100
        assert sum(row.errors or 0 for row in run.counts) > 1e6


def test_channels_tested_together_fill_one_log_together() -> None:
    """A silent package of two channels: channel after channel, only the first gets into the log."""
    channels = {}
    for together in (False, True):
        habits = {"kind": "missing", "together": together, "cap_each": False, "cap": 60}
        _, log = listed(scenes.draw(1, **LISTED | habits | {"complete": False}))
        assert log is not None and log.total == 60
        channels[together] = {log.keys[k].place.channel for k in log.key}
    assert len(channels[False]) == 1 < len(channels[True])


def test_a_list_may_stand_alone_or_name_addresses_only() -> None:
    drawn = [draw_rig(Noise(s).stream("rig"), "gddr6", False, False) for s in range(600)]
    assert any(rig.sections == {"errors"} for rig in drawn)
    assert any(rig.bare_words for rig in drawn)
    scene = scenes.draw(2, **LISTED | {"bare_words": True}, kind="array")
    header, *rows = scene.text.split("[errors]\n")[1].split("\n\n")[0].splitlines()
    at = header.split().index("mask")
    assert "wrote" not in header and {row.split()[at] for row in rows} == {"-"}


# --- scans that stop -----------------------------------------------------------------------------


def test_a_scan_stops_before_its_last_lane_is_done() -> None:
    """Two of ten open training logs end inside the scan of a lane (pastes that were cut)."""
    ends = set()
    for seed in range(24):
        habits = {"windows": True, "candidates": True, "detail": "lane"}
        habits |= {"sections": frozenset({"training", "counts"}), "count_clean": True}
        more = {"faults": 0, "known": True, "bare": False, **CALM | habits | {"eases": ()}}
        whole = scenes.draw(seed, **more | {"dirt": False})
        short = scenes.draw(seed, **more | {"dirt": ("scan",)})
        assert "[end]" in whole.text and "[end]" not in short.text
        full, left = (load(s.text)[0].training for s in (whole, short))
        lanes = [
            {r.place.link for r in rows if r.step == "write" and r.result} for rows in (full, left)
        ]
        assert lanes[1] < lanes[0]
        ends.add("[counts]" in short.text)
        if short.text.rstrip().splitlines()[-1].split()[-1].strip("01") == "":
            ends.add("among the candidates of a lane")
    assert ends == {True, False, "among the candidates of a lane"}


def test_what_a_cut_took_is_no_trace() -> None:
    """The rows that told of the fault are gone from the truth as from the paste."""
    hidden = 0
    for seed in range(80):
        more = {"kind": "missing", "family": "ddr4", "known": True, "bare": False}
        habits = {**CALM, "steps": ("read",), "sections": frozenset({"training"}), "detail": "lane"}
        scene = scenes.draw(seed, dirt=("scan",), **more, **habits, names=True)
        site = scene.truth[0].site
        rows = [r for r in load(scene.text)[0].training if r.place.site == site]
        assert scene.truth[0].located == bool(rows)
        hidden += not rows
    assert hidden > 5


# --- habits that look like faults ----------------------------------------------------------------


def test_a_step_that_finds_nothing_on_any_board_is_said_of_all_lanes_and_harms_none() -> None:
    words = set()
    for seed in range(12):
        habits = {**CALM, "sections": frozenset({"training"}), "detail": "lane", "shut": 0.01}
        more = {"family": "gddr6", "faults": 0, **FEW, **habits, "thin": 0.01}
        word = ("fail", "not-found")[seed % 2]
        rows = load(scenes.draw(seed, **more | {"empty": ("wck", word)}).text)[0].training
        said = {step: {str(r.result) for r in rows if r.step == step} for step in STEPS["gddr6"]}
        assert said.pop("wck") == {word}
        words |= set().union(*said.values())
    assert words <= {"pass"}
    drawn = [draw_rig(Noise(s).stream("rig"), "ddr4", False, True) for s in range(400)]
    empty = [rig.empty[0] for rig in drawn if rig.empty]
    assert 3 < len(empty) < 40 and not {"read", "write", "id"} & set(empty)


@pytest.mark.parametrize("step", ["read", "write"])
def test_a_delay_line_that_does_not_move_works_at_every_tap_of_every_lane(step: str) -> None:
    habits = {**CALM, "sections": frozenset({"training"}), "detail": "lane", "windows": True}
    more = {"family": "gddr6", "kind": "pins", **FEW, **habits, "delay": True}
    rows = load(scenes.draw(2, **more | {"frozen": frozenset({step})}).text)[0].training
    full = {s: [set(r.window) for r in rows if r.step == s and r.window] for s in ("read", "write")}
    other = full.pop("write" if step == "read" else "read")
    assert full[step] and all(w == {"1"} for w in full[step])
    assert not any(w == {"1"} for w in other)
    assert len({r.delay.value for r in rows if r.step == step and r.delay}) == 1


def test_lanes_along_a_flyby_bus_come_later_one_after_the_other() -> None:
    """A steady slope of delays over the lanes of a DDR board is the board (common practice)."""
    slopes: dict[tuple[str, str], list[float]] = {}
    for family, step, seed in product(("ddr4", "gddr6"), ("level", "read"), range(12)):
        habits = {**CALM, "sections": frozenset({"training"}), "detail": "lane", "delay": True}
        habits |= {"steps": STEPS[family], "tap": 1 / 64, "span": 1.5}
        scene = scenes.draw(seed, family=family, faults=0, **FEW, **habits)
        lanes = {
            row.place.lane or 0: row.delay.value
            for row in load(scene.text)[0].training
            if row.step == step and row.delay and row.place.channel == scene.board.channels[0]
        }
        if len(lanes) > 1:
            slope = float(np.polyfit(list(lanes), list(lanes.values()), 1)[0])
            slopes.setdefault((family, step), []).append(abs(slope))
            # two hundredths of an interval from lane to lane, five standard deviations
            assert (
                max(abs(np.diff([d - slope * k for k, d in lanes.items()]))) < 0.02 * 64 * 5 * 1.5
            )
    assert np.mean(slopes["ddr4", "level"]) > 3 and np.mean(slopes["ddr4", "read"]) > 2
    assert np.mean(slopes["gddr6", "read"]) < 2 and ("gddr6", "level") not in slopes
