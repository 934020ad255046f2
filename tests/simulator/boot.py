"""The boot sequence: what training finds lane by lane, and what the rig makes of a failure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from msgspec import Struct, field

from tests.simulator.noise import Floats, Noise
from tests.simulator.physics import eye_width
from tests.simulator.plant import READ, WRITE, Plant
from tests.simulator.rig import Rig
from tests.simulator.rows import HARD
from tests.simulator.warning import habitual, neighbours

WAY = {"read": READ, "gate": READ, "vref": READ, "write": WRITE, "level": WRITE, "wck": WRITE}
NOTHING = 0.03
"""Share of a nominal eye below which no setting works."""
SLOW = ("id", "zq")
"""Steps that ask the package itself and use no data eye."""


class Attempt(Struct):
    """One pass through the sequence: results and widths by step and link."""

    number: int
    rate: float  # share of the full rate
    results: dict[str, list[str]]
    widths: Floats  # (2, links) UI
    dq_widths: Floats  # (2, links, 8) UI
    retried: set[tuple[str, int]] = field(default_factory=set)
    """The (step, link) that passed at a second try."""
    nominal: float = 1.0
    """UI of the eye that its limits are shares of."""


class Boot(Struct):
    """What training left behind."""

    attempts: list[Attempt] = field(default_factory=list)
    probe: Attempt | None = None
    """A try with a configuration that cannot work; it says nothing about the board."""
    stopped: bool = False
    trained: list[bool] = field(default_factory=list)

    @property
    def last(self) -> Attempt:
        return self.attempts[-1]


def boot(plant: Plant, rig: Rig, noise: Noise) -> Boot:
    """Run the sequence, again at a lower set point where the rig falls back."""
    done = Boot()
    if rig.probe and not rig.warm_boot:
        done.probe = _probe(plant, rig)
    tries = rig.attempts if rig.policy == "fall-back" else 1
    for number in range(1, tries + 1):
        attempt = _attempt(plant, rig, noise, number, 1.0 - 0.2 * (number - 1))
        done.attempts.append(attempt)
        if not any(r in HARD for results in attempt.results.values() for r in results):
            break
    failed = [
        any(done.last.results[step][i] in HARD for step in rig.steps)
        for i in range(len(plant.wiring.links))
    ]
    done.stopped = rig.policy == "stop-all" and any(failed)
    done.trained = [not f for f in failed]
    return done


def _probe(plant: Plant, rig: Rig) -> Attempt:
    """The wrong latency: whoever answers is found, and then no lane reads anything."""
    links = len(plant.wiring.links)
    none = np.zeros((2, links))
    results: dict[str, list[str]] = {}
    for step in rig.steps:
        slow = step in ("id", "ca", "zq")
        results[step] = [
            ("pass" if slow else "not-found" if step == "read" else "not-run")
            if plant.answers(i) and not (step == "ca" and _partial(plant, i))
            else "no-response"
            for i in range(links)
        ]
    return Attempt(0, 1.0, results, none, np.zeros((2, links, 8)))


def _attempt(plant: Plant, rig: Rig, noise: Noise, number: int, rate: float) -> Attempt:
    links = len(plant.wiring.links)
    dj, rj = plant.eyes(rate)
    widths = eye_width(dj, rj, rig.sweep)
    widths = widths + 0.4 * rig.tap * noise.normal(f"tap{number}", 2, links, 8)
    dead = plant.stuck > 0
    for a, one, b, two, _ in plant.bridges:
        dead[a, one] = dead[b, two] = True
    widths = np.maximum(np.where(dead[None], 0.0, widths), 0.0)
    widths[:, [i for i in range(links) if _unable(plant, i)]] = 0.0
    mask = np.array(
        [[d in (link.dqs or range(8)) for d in range(8)] for _, link in plant.wiring.links]
    )
    counted = mask & ~dead if rig.rule == "most" else mask
    lanes = np.where(counted[None], widths, 9.0).min(axis=2)
    lanes = np.where(lanes > 8, 0.0, lanes)
    nominal = float(eye_width(plant.nature.dj * rate, plant.nature.rj * rate, rig.sweep))
    look = _Look(plant, rig, lanes / nominal, (dead & mask).any(axis=1))
    stray = noise.uniform(f"stray{number}", len(rig.steps), links) < rig.stray
    results = {
        step: [_single(look, step, i, bool(stray[k, i])) for i in range(links)]
        for k, step in enumerate(rig.steps)
    }
    silent = [_silent(plant, i) for i in range(links)]
    _sequence(plant, rig, results, silent)
    habitual(rig, noise, results)
    lanes, retried = neighbours(plant, rig, noise, results, lanes)
    return Attempt(number, rate, results, lanes, widths, retried, nominal)


def _partial(plant: Plant, link: int) -> bool:
    site, at = plant.wiring.links[link]
    return plant.ca.get((site, at.channel)) == "partial"


def _silent(plant: Plant, link: int) -> bool:
    return not plant.answers(link) or _partial(plant, link)


def _deaf(plant: Plant, link: int) -> bool:
    return plant.phy.get(plant.wiring.links[link][1].channel) == "deaf"


def _unable(plant: Plant, link: int) -> bool:
    """No data eye at all: nobody there, no strobe, or a block that hears nothing fast."""
    no_clock = link in plant.strobe or link in plant.phy_lanes
    return _silent(plant, link) or _deaf(plant, link) or no_clock


class _Look(Struct, frozen=True):
    """What training sees: eyes as shares of a nominal one, and lanes with a dead line."""

    plant: Plant
    rig: Rig
    shares: Floats  # (2, links)
    dead: Any  # (links,) bool


def _single(look: _Look, step: str, i: int, stray: bool) -> str:
    """What a step would find on a link by itself, the sequence not considered."""
    if step in SLOW:
        return "pass" if look.plant.answers(i) else "no-response"
    return _commands(look, i, stray) if step == "ca" else _data(look, step, i, stray)


def _commands(look: _Look, i: int, stray: bool) -> str:
    plant = look.plant
    return _first(
        (not plant.answers(i), "no-response"),
        (_partial(plant, i), look.rig.partial_ca),
        (_deaf(plant, i), look.rig.deaf_ca),
        (stray, "marginal"),
    )


def _data(look: _Look, step: str, i: int, stray: bool) -> str:
    plant, rig = look.plant, look.rig
    share = float(look.shares[WAY[step], i])
    shut, thin = rig.limits(step)
    dead = bool(look.dead[i])
    return _first(
        (_silent(plant, i), rig.silent if rig.silent != "not-run" else "not-found"),
        (_unable(plant, i), "not-found"),
        (step == "wck" and i in plant.edc_open, "not-found" if rig.depends else "fail"),
        (dead and step in ("read", "write"), _dead_line(rig)),
        (dead, "marginal" if stray else "pass"),
        (share <= NOTHING, "not-found"),
        (share < shut, "fail"),
        (stray or share < thin, "marginal"),
    )


def _dead_line(rig: Rig) -> str:
    """What a lane with a dead line is called by a step that needs its data."""
    if rig.rule == "all":
        return "not-found" if rig.late != "fail" else "fail"
    # the other lines carry the lane; rows of lines show which one does not, a lane's row fails
    return "marginal" if rig.detail == "dq" else "fail"


def _first(*cases: tuple[bool, str]) -> str:
    """The result of the first case that holds; else the step passed."""
    return next((result for holds, result in cases if holds), "pass")


def _sequence(plant: Plant, rig: Rig, results: dict[str, list[str]], silent: list[bool]) -> None:
    """Let a failure have its consequences for what comes after it, in place."""
    links = plant.wiring.links
    if rig.warm_boot:
        for step in rig.steps:
            results[step] = ["not-run"] * len(links)
        return
    for i in range(len(links)):
        failed = False
        for step in rig.steps:
            if failed and (rig.depends or silent[i]):
                results[step][i] = rig.silent if silent[i] else rig.late
            failed = failed or results[step][i] in HARD
    if rig.skip_rank:
        later = [i for i, (_, link) in enumerate(links) if link.rank > 0]
        for step in rig.steps:
            if step not in SLOW:
                _not_run(results[step], later)
    if rig.policy in ("stop-channel", "stop-all"):
        stop = _stop_by_step if rig.step_major else _stop_by_channel
        stop(plant, rig, results)


def _stop_by_step(plant: Plant, rig: Rig, results: dict[str, list[str]]) -> None:
    """Each step goes through all channels; those that failed are left out of the next."""
    links = plant.wiring.links
    over: set[object] = set()
    for step in rig.steps:
        halted = [
            i
            for i, (_, link) in enumerate(links)
            if link.channel in over or (rig.policy == "stop-all" and over)
        ]
        _not_run(results[step], halted)
        over |= {links[i][1].channel for i, result in enumerate(results[step]) if result in HARD}


def _stop_by_channel(plant: Plant, rig: Rig, results: dict[str, list[str]]) -> None:
    """Each channel goes through all steps, up to one that fails."""
    stopped = False
    for group in plant.wiring.of_channel.values():
        halted = stopped and rig.policy == "stop-all"
        for step in rig.steps:
            if halted:
                _not_run(results[step], group)
            elif any(results[step][i] in HARD for i in group):
                halted = stopped = True


def _not_run(results: list[str], links: Iterable[int]) -> None:
    for i in links:
        results[i] = "not-run"
