"""The boot sequence: what training finds lane by lane, and what the rig makes of a failure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.simulator.noise import Floats, Noise
from tests.simulator.physics import eye_width
from tests.simulator.plant import READ, WRITE, Plant
from tests.simulator.rig import Rig
from tests.simulator.rows import HARD

WAY = {"read": READ, "gate": READ, "vref": READ, "write": WRITE, "level": WRITE, "wck": WRITE}
CLOCKING = ("level", "wck", "gate")


@dataclass
class Attempt:
    """One pass through the sequence: results and widths by step and link."""

    number: int
    rate: float  # share of the full rate
    results: dict[str, list[str]]
    widths: Floats  # (2, links) UI
    dq_widths: Floats  # (2, links, 8) UI


@dataclass
class Boot:
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
    silent = [not plant.answers(i) or _partial(plant, i) for i in range(links)]
    _sequence(plant, rig, results, silent)
    if rig.policy == "warn" and any(r in HARD for got in results.values() for r in got):
        lanes = _warn(plant, rig, noise, results, lanes)
    return Attempt(number, rate, results, lanes, widths)


def _partial(plant: Plant, link: int) -> bool:
    site, at = plant.wiring.links[link]
    return plant.ca.get((site, at.channel)) == "partial"


def _unable(plant: Plant, link: int) -> bool:
    """No data eye at all: nobody there, no strobe, or a block that hears nothing fast."""
    deaf = plant.phy.get(plant.wiring.links[link][1].channel) == "deaf"
    silent = not plant.answers(link) or _partial(plant, link)
    return silent or deaf or link in plant.strobe or link in plant.phy_lanes


@dataclass(frozen=True)
class _Look:
    """What training sees: eyes as shares of a nominal one, and lanes with a dead line."""

    plant: Plant
    rig: Rig
    shares: Floats  # (2, links)
    dead: Any  # (links,) bool


def _single(look: _Look, step: str, i: int, stray: bool) -> str:
    """What a step would find on a link by itself, the sequence not considered."""
    plant, rig = look.plant, look.rig
    if step in ("id", "zq"):
        return "pass" if plant.answers(i) else "no-response"
    if step == "ca":
        if not plant.answers(i):
            return "no-response"
        if _partial(plant, i):
            return rig.partial_ca
        if plant.phy.get(plant.wiring.links[i][1].channel) == "deaf":
            return rig.deaf_ca
        return "marginal" if stray else "pass"
    if not plant.answers(i) or _partial(plant, i):
        return rig.silent if rig.silent != "not-run" else "not-found"
    if _unable(plant, i):
        return "not-found"
    if i in plant.edc_open and step == "wck":
        return "not-found" if rig.depends else "fail"
    if look.dead[i] and step in ("read", "write"):
        if rig.rule == "all":
            return "not-found" if rig.late != "fail" else "fail"
        # the other lines carry the lane; rows of lines show which one does not, a lane's row fails
        return "marginal" if rig.detail == "dq" else "fail"
    if look.dead[i]:
        return "marginal" if stray else "pass"
    share = float(look.shares[WAY[step], i])
    ease = 0.6 if step in CLOCKING or step == "vref" else 1.0
    if share <= 0.03:
        return "not-found"
    if share < ease * rig.shut:
        return "fail"
    return "marginal" if stray or share < ease * rig.thin else "pass"


def _sequence(plant: Plant, rig: Rig, results: dict[str, list[str]], silent: list[bool]) -> None:
    """Let a failure have its consequences for what comes after it, in place."""
    links = plant.wiring.links
    steps = rig.steps
    if rig.warm_boot:
        for step in steps:
            results[step] = ["not-run"] * len(links)
        return
    for i in range(len(links)):
        failed = False
        for step in steps:
            if failed and (rig.depends or silent[i]):
                results[step][i] = rig.silent if silent[i] else rig.late
            failed = failed or results[step][i] in HARD
    if rig.skip_rank:
        for i, (_, link) in enumerate(links):
            if link.rank > 0:
                for step in steps:
                    if step not in ("id", "zq"):
                        results[step][i] = "not-run"
    if rig.policy in ("stop-channel", "stop-all"):
        _stop(plant, rig, results)


def _stop(plant: Plant, rig: Rig, results: dict[str, list[str]]) -> None:
    links, steps = plant.wiring.links, rig.steps
    everything = rig.policy == "stop-all"
    if rig.step_major:
        over: set[object] = set()
        for step in steps:
            now = set()
            for i, (_, link) in enumerate(links):
                if link.channel in over or (everything and over):
                    results[step][i] = "not-run"
                elif results[step][i] in HARD:
                    now.add(link.channel)
            over |= now
        return
    stopped = False
    for group in plant.wiring.of_channel.values():
        halted = everything and stopped
        for step in steps:
            if halted:
                for i in group:
                    results[step][i] = "not-run"
            elif any(results[step][i] in HARD for i in group):
                halted = stopped = True


def _warn(
    plant: Plant, rig: Rig, noise: Noise, results: dict[str, list[str]], lanes: Floats
) -> Floats:
    """A degraded boot: retries are used up, the others finish with less margin and a warning."""
    chance = noise.uniform("warn", len(plant.wiring.links))
    target = next(s for s in reversed(rig.steps) if s in ("write", "read", "vref"))
    lanes = lanes.copy()
    for i in range(len(plant.wiring.links)):
        if results[target][i] == "pass" and chance[i] < rig.warn:
            results[target][i] = "marginal"
            lanes[:, i] = np.maximum(lanes[:, i] - rig.warn_loss * chance[i], 0.02)
    return lanes
