"""What the rig prints of the boot: training rows, at its own level of detail."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from typing import Any

from tests.simulator.boot import WAY, Attempt, Boot
from tests.simulator.noise import Noise
from tests.simulator.plant import READ, WRITE, Plant
from tests.simulator.rig import Rig
from tests.simulator.rows import Row, worst

POINTS = ("fast", "mid", "slow")


def training_rows(plant: Plant, rig: Rig, noise: Noise, done: Boot) -> list[Row]:
    """Every row of `[training]`, in the order the rig prints them."""
    rows: list[Row] = []
    every = ([done.probe] if done.probe else []) + done.attempts
    for attempt in every:
        setting: dict[str, Any] = {}
        if done.probe:
            setting["attempt"] = attempt.number + 1
        elif rig.policy == "fall-back":
            setting["attempt"] = attempt.number
            if rig.points:
                setting["point"] = POINTS[attempt.number - 1]
        groups = _groups(plant, rig)
        order = (
            [(step, g) for step in rig.steps for g in groups]
            if rig.step_major
            else [(s, g) for channel in _by_channel(groups) for s in rig.steps for g in channel]
        )
        shown: set[tuple[Any, ...]] = set()
        for step, (scope, links) in order:
            for row in _step_rows(plant, rig, noise, attempt, step, scope, links):
                if setting:
                    row.cells.update(setting)
                    row.__post_init__()
                if row.key in shown or _hidden(rig, row):
                    continue
                shown.add(row.key)
                rows.append(row)
    return rows


def _hidden(rig: Rig, row: Row) -> bool:
    result = row.cells["result"]
    if not rig.prints_not_run and result == "not-run":
        return True
    return rig.pass_only_fails and result == "pass"


def scope_of(plant: Plant, rig: Rig, link: int, detail: str, whole: bool) -> dict[str, Any]:
    """The scope cells the rig prints for a link at that level of detail. `whole`: a channel means
    all of it, whoever's package it lies on, as the words of an error log do."""
    site, at = plant.wiring.links[link]
    ref = plant.wiring.board.sites[site].ref
    if detail == "site":
        return {"site": ref}
    apart = len({plant.wiring.site_of[i] for i in plant.wiring.of_channel[at.channel]}) > 1
    named = rig.names and not (whole and detail == "channel" and apart)
    scope: dict[str, Any] = {"site": ref} if named else {}
    scope["ch"] = at.channel
    if rig.ranks:
        scope["rank"] = at.rank
    if detail in ("lane", "dq"):
        scope["lane"] = at.lane
    return scope


def grouped(
    plant: Plant, rig: Rig, detail: str, whole: bool = False
) -> list[tuple[dict[str, Any], list[int]]]:
    """Links under the scope the rig prints them with, in its order."""
    found: dict[tuple[Any, ...], tuple[dict[str, Any], list[int]]] = {}
    order = range(len(plant.wiring.links))
    for i in reversed(order) if rig.downwards else order:
        scope = scope_of(plant, rig, i, detail, whole)
        found.setdefault(tuple(scope.values()), (scope, []))[1].append(i)
    return list(found.values())


def _groups(plant: Plant, rig: Rig) -> list[tuple[dict[str, Any], list[int]]]:
    return grouped(plant, rig, "lane" if rig.detail == "dq" else rig.detail)


def _by_channel(groups: list[tuple[dict[str, Any], list[int]]]) -> list[list[Any]]:
    found: dict[Any, list[Any]] = {}
    for group in groups:
        found.setdefault(group[0].get("ch", group[0].get("site")), []).append(group)
    return list(found.values())


def means(plant: Plant, links: list[int]) -> tuple[int, ...]:
    return tuple(sorted({plant.wiring.site_of[i] for i in links}))


def _step_rows(
    plant: Plant, rig: Rig, noise: Noise, attempt: Attempt, step: str,
    scope: dict[str, Any], links: list[int],
) -> Iterator[Row]:  # fmt: skip
    results = attempt.results[step]
    if step in ("id", "ca", "zq") and "lane" in scope:
        # command and identification belong to the channel: one row for all its lanes here
        site, at = plant.wiring.links[links[0]]
        links = [
            i for i in plant.wiring.of_channel[at.channel]
            if plant.wiring.links[i][1].rank == at.rank
            and (plant.wiring.site_of[i] == site or not rig.names)
        ]  # fmt: skip
        if len({plant.wiring.site_of[i] for i in links}) == 1:
            scope = {k: v for k, v in scope.items() if k != "lane"}
        else:
            links = [i for i in links if plant.wiring.links[i][1].lane == at.lane]
    result = worst([results[i] for i in links])
    cells: dict[str, Any] = dict(scope) | {"step": step, "result": result}
    if step not in WAY:
        yield Row("training", cells, means(plant, links))
        return
    way = WAY[step]
    if rig.detail == "dq" and step in ("read", "write") and result not in ("not-run", "no-response"):
        i = links[0]
        for d in plant.wiring.links[i][1].dqs or range(8):
            width = float(attempt.dq_widths[way, i, d])
            own = result
            if result in ("fail", "not-found", "marginal"):
                own = _by_width(rig, plant, attempt, width)
            row = Row("training", dict(scope) | {"dq": d, "step": step, "result": own},
                      means(plant, links))  # fmt: skip
            _measures(rig, plant, noise, attempt, row, i, way, width, own, d)
            yield row
        return
    lane = min(links, key=lambda i: attempt.widths[way, i])
    width = float(attempt.widths[way, lane])
    row = Row("training", cells, means(plant, links))
    if step in ("read", "write") and rig.candidates and rig.windows and "lane" in scope:
        yield from _candidates(rig, plant, noise, row, lane, way, width, result, links)
    if step in ("read", "write") or (step == "vref" and rig.height):
        _measures(rig, plant, noise, attempt, row, lane, way, width, result, None)
    yield row


def _by_width(rig: Rig, plant: Plant, attempt: Attempt, width: float) -> str:
    nominal = 1 - plant.nature.dj * attempt.rate - 9.5 * plant.nature.rj * attempt.rate
    if width <= 0.02:
        return "not-found"
    if width < rig.shut * nominal:
        return "fail"
    return "marginal" if width < rig.thin * nominal else "pass"


def _measures(
    rig: Rig, plant: Plant, noise: Noise, attempt: Attempt, row: Row, link: int, way: int,
    width: float, result: str, dq: int | None,
) -> None:  # fmt: skip
    """The columns beside the result. Nothing is measured where the step was not run."""
    cells = row.cells
    if result in ("not-run", "no-response"):
        return
    if result == "not-found":
        width = 0.0
    if rig.width is not None:
        cells["width"] = {
            "UI": width, "ps": width * 1000 / (rig.rate * attempt.rate),
            "tap": round(width / rig.tap),
        }[rig.width]  # fmt: skip
    if rig.height:
        nominal = 1 - plant.nature.dj - 9.5 * plant.nature.rj
        site = plant.wiring.site_of[link]
        z = float(noise.normal("height", 2, len(plant.wiring.links))[way, link])
        cells["height"] = max(
            0.0,
            plant.nature.swing * min(1.2, width / nominal) * float(plant.supply[site]) * (1 + 0.02 * z),
        )
    centre = _centre(rig, plant, noise, link, way)
    if rig.windows:
        cells["window"] = window(rig, noise, link, way, centre, width, dq)
        if rig.per_char > 1:
            cells["taps"] = rig.per_char
    if rig.delay and width > 0.02:
        cells["delay"] = max(0, round(centre / rig.tap))
    if rig.tries:
        cells["tries"] = 1 if result == "pass" else 3 if result in ("fail", "not-found") else 2


def _centre(rig: Rig, plant: Plant, noise: Noise, link: int, way: int) -> float:
    """Where the eye's middle falls in the sweep: later for lanes that are farther away."""
    lane = plant.wiring.links[link][1].lane
    jitter = float(noise.normal("centre", 2, len(plant.wiring.links))[way, link])
    return rig.span / 2 + 0.02 * jitter + 0.8 * plant.nature.slope * (lane - 3.5) / 3.5


def window(
    rig: Rig, noise: Noise, link: int, way: int, centre: float, width: float, dq: int | None
) -> str:
    """Tap by tap, `1` where it worked. Taps next to the edges come and go."""
    count = max(8, round(rig.span / rig.tap / rig.per_char))
    step = rig.span / count
    rng = random.Random(f"{noise.seed}/{link}/{way}/{dq}")
    ragged = rng.random(), rng.random()
    left, right = centre - width / 2, centre + width / 2
    first = max(0, math.ceil(left / step - 0.5))
    last = min(count - 1, math.floor(right / step - 0.5))
    if last < first or width <= 0:
        return "0" * count
    chars = ["0"] * first + ["1"] * (last - first + 1) + ["0"] * (count - 1 - last)
    if width > 6 * step:
        if ragged[0] < 0.08 and first > 1:
            chars[first - 2] = "1"
        if ragged[1] < 0.08 and last < count - 2:
            chars[last + 2] = "1"
    return "".join(chars)


def _candidates(
    rig: Rig, plant: Plant, noise: Noise, row: Row, link: int, way: int, width: float,
    result: str, links: list[int],
) -> Iterator[Row]:  # fmt: skip
    """One window a latency candidate; the neighbours of the right one see its eye cut off."""
    if result in ("not-run", "no-response"):
        return
    count = 4
    best = int(noise.uniform("candidate", len(plant.wiring.links))[link] * 2) + 1
    centre = _centre(rig, plant, noise, link, way)
    for k in range(count):
        cells = {c: v for c, v in row.cells.items() if c != "result"}
        away = centre + (k - best) * 1.0
        cells |= {"candidate": str(k), "result": None}
        cells["window"] = window(rig, noise, link, way, away, 0.0 if result == "not-found" else width, None)
        if rig.per_char > 1:
            cells["taps"] = rig.per_char
        yield Row("training", cells, means(plant, links))


__all__ = ["READ", "WRITE", "training_rows"]
