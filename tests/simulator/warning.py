"""Warnings that are not margin: what a rig calls marginal though nothing measured says so."""

from __future__ import annotations

from collections.abc import Iterable

from tests.simulator.noise import Floats, Noise
from tests.simulator.plant import Plant
from tests.simulator.rig import Rig
from tests.simulator.rows import HARD

Results = dict[str, list[str]]

QUIET = ("id", "zq")
"""Steps that ask the package itself: no margin is looked at, so there is none to warn of."""


def habitual(rig: Rig, noise: Noise, results: Results) -> None:
    """A rig that warns of a share of all lanes at every step, whatever they are like, in place."""
    if not rig.loud:
        return
    links = len(next(iter(results.values())))
    chance = noise.uniform("loud", len(rig.steps), links)
    for k, step in enumerate(rig.steps):
        if step not in QUIET:
            row = chance[0 if rig.loud_same else k]
            _warned(results[step], (i for i in range(links) if row[i] < rig.loud))


def neighbours(
    plant: Plant, rig: Rig, noise: Noise, results: Results, lanes: Floats
) -> tuple[Floats, set[tuple[str, int]]]:
    """A degraded boot: retries are used up, and the others are warned of or need another try.

    One event for each package, channel or lane (the rig's habit), however many steps it is printed
    in. Eyes are left as they are, but for rigs that give up some width. Returns the widths, and
    the (step, link) that passed at a second try.
    """
    if rig.policy != "warn" or not any(r in HARD for got in results.values() for r in got):
        return lanes, set()
    chance = noise.uniform("warn", len(plant.wiring.links))
    sometimes = noise.uniform("warned-step", len(rig.steps), len(plant.wiring.links))
    target = next(s for s in reversed(rig.steps) if s in ("write", "read", "vref"))
    retried: set[tuple[str, int]] = set()
    lanes = lanes.copy()
    for i, event in enumerate(_events(plant, rig)):
        if chance[event] >= rig.warn:
            continue
        if results[target][i] == "pass":
            lanes[:, i] = (lanes[:, i] - rig.warn_loss * chance[event]).clip(0.02)
        for k, step in enumerate(rig.steps):
            if step == target or _speaks(rig, step, float(sometimes[k, event])):
                if rig.warn_word == "tries" and results[step][i] == "pass":
                    retried.add((step, i))
                elif rig.warn_word == "marginal":
                    _warned(results[step], [i])
    return lanes, retried


def _events(plant: Plant, rig: Rig) -> list[int]:
    """For each link the first link that the same warning speaks of."""
    links = plant.wiring.links
    if rig.warn_each == "lane":
        return list(range(len(links)))
    keys = [site if rig.warn_each == "site" else at.channel for site, at in links]
    return [keys.index(key) for key in keys]


def _speaks(rig: Rig, step: str, chance: float) -> bool:
    if rig.warn_steps == "last" or step in QUIET:
        return False
    return rig.warn_steps == "all" or chance < 0.5


def _warned(results: list[str], links: Iterable[int]) -> None:
    for i in links:
        if results[i] == "pass":
            results[i] = "marginal"
