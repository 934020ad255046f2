"""What rigs print that says nothing of the board: warnings, habits, lists and scans cut short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.simulator.boards import Wiring, quince
from tests.simulator.boot import Attempt, boot
from tests.simulator.noise import Noise
from tests.simulator.plant import Nature, Plant, healthy
from tests.simulator.rig import STEPS, Rig, draw_rig

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
