"""What the rig prints of the boot: training rows, at its own level of detail."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from tests.simulator.boot import NOTHING, WAY, Attempt, Boot
from tests.simulator.plant import READ
from tests.simulator.rows import Row, worst
from tests.simulator.stand import Scope, Stand

POINTS = ("fast", "mid", "slow")
UNMEASURED = ("not-run", "no-response")


class Eye(Struct, frozen=True):
    """What was measured of one lane or line in one direction."""

    link: int
    way: int
    width: float
    result: str
    dq: int | None = None
    retried: bool = False


def training_rows(stand: Stand, done: Boot) -> list[Row]:
    """Every row of `[training]`, in the order the rig prints them."""
    rig = stand.rig
    rows: list[Row] = []
    groups = stand.grouped("lane" if rig.detail == "dq" else rig.detail)
    order = (
        [(step, g) for step in rig.steps for g in groups]
        if rig.step_major
        else [(s, g) for channel in _by_channel(groups) for s in rig.steps for g in channel]
    )
    for attempt in ([done.probe] if done.probe else []) + done.attempts:
        setting: Scope = {}
        if done.probe:
            setting["attempt"] = attempt.number + 1
        elif rig.policy == "fall-back":
            setting["attempt"] = attempt.number
            if rig.points:
                setting["point"] = POINTS[attempt.number - 1]
        shown: set[tuple[Any, ...]] = set()
        for step, (scope, links) in order:
            for row in _step_rows(stand, attempt, step, scope, links):
                if setting:
                    row.cells.update(setting)
                    row.__post_init__()
                if row.key not in shown and not _hidden(stand, row):
                    shown.add(row.key)
                    rows.append(row)
    return rows


def _hidden(stand: Stand, row: Row) -> bool:
    result = row.cells["result"]
    if not stand.rig.prints_not_run and result == "not-run":
        return True
    return stand.rig.pass_only_fails and bool(result == "pass")


def _by_channel(groups: list[tuple[Scope, list[int]]]) -> list[list[Any]]:
    found: dict[Any, list[Any]] = {}
    for group in groups:
        found.setdefault(group[0].get("ch", group[0].get("site")), []).append(group)
    return list(found.values())


def _step_rows(
    stand: Stand, attempt: Attempt, step: str, scope: Scope, links: list[int]
) -> Iterator[Row]:
    rig = stand.rig
    if step in ("id", "ca", "zq") and "lane" in scope:
        scope, links = _without_lane(stand, scope, links[0])
    result = worst([attempt.results[step][i] for i in links])
    if rig.empty is not None and rig.empty[0] == step and result not in UNMEASURED:
        result = rig.empty[1]
    row = Row("training", scope | {"step": step, "result": result}, stand.sites(links))
    if step not in WAY:
        yield row
        return
    way, data = WAY[step], step in ("read", "write")
    if rig.detail == "dq" and data and result not in UNMEASURED:
        yield from _line_rows(stand, attempt, row, Eye(links[0], way, 0.0, result))
        return
    lane = min(links, key=lambda i: attempt.widths[way, i])
    again = any((step, i) in attempt.retried for i in links)
    eye = Eye(lane, way, float(attempt.widths[way, lane]), result, retried=again)
    if step in rig.frozen and eye.width > 0:
        eye = replace(eye, width=2 * rig.span)
    if data and rig.candidates and rig.windows and "lane" in scope:
        yield from _candidates(stand, row, eye)
    if data or (step == "vref" and rig.height):
        _measure(stand, attempt, row, eye)
    if step == "vref" and rig.tries and result not in UNMEASURED:
        z = float(stand.noise.normal("vref", len(stand.wiring.links))[lane])
        row.cells["vref"] = 64.0 + 1.5 * z
    if step == "level" and rig.delay and result not in (*UNMEASURED, "not-found"):
        late = 0.3 + flight(stand, lane) + 0.02 * _wander(stand, eye)
        row.cells["delay"] = round(late / rig.tap)
    yield row


def flight(stand: Stand, link: int) -> float:
    """UI by which a lane comes later than the first along a fly-by bus."""
    lane, lanes = stand.wiring.along[link]
    per_lane = _flyby(stand)
    return abs(per_lane) * (lane if per_lane > 0 else lanes - 1 - lane)


def _flyby(stand: Stand) -> float:
    return stand.plant.nature.flyby if stand.plant.family.startswith("ddr") else 0.0


def _wander(stand: Stand, eye: Eye) -> float:
    """How far a lane's delay is off its neighbours', in standard deviations."""
    return float(stand.noise.normal("centre", 2, len(stand.wiring.links))[eye.way, eye.link])


def _without_lane(stand: Stand, scope: Scope, link: int) -> tuple[Scope, list[int]]:
    """Command and identification belong to the channel: one row for all its lanes in a package."""
    wiring = stand.wiring
    site, at = wiring.links[link]
    links = [
        i
        for i in wiring.of_channel[at.channel]
        if wiring.links[i][1].rank == at.rank and (wiring.site_of[i] == site or not stand.rig.names)
    ]
    if len(stand.sites(links)) == 1:
        return {k: v for k, v in scope.items() if k != "lane"}, links
    return scope, [i for i in links if wiring.links[i][1].lane == at.lane]


def _line_rows(stand: Stand, attempt: Attempt, row: Row, eye: Eye) -> Iterator[Row]:
    """One row a data line."""
    step = row.cells["step"]
    for d in stand.owned(eye.link):
        width = float(attempt.dq_widths[eye.way, eye.link, d])
        own = eye.result if eye.result == "pass" else _by_width(stand, attempt, step, width)
        line = Row("training", row.cells | {"dq": d, "result": own}, row.means)
        _measure(stand, attempt, line, replace(eye, width=width, result=own, dq=d))
        yield line


def _by_width(stand: Stand, attempt: Attempt, step: str, width: float) -> str:
    shut, thin = stand.rig.limits(step)
    share = width / attempt.nominal
    if share <= NOTHING:
        return "not-found"
    if share < shut:
        return "fail"
    return "marginal" if share < thin else "pass"


def _measure(stand: Stand, attempt: Attempt, row: Row, eye: Eye) -> None:
    """The columns beside the result. Nothing is measured where the step was not run."""
    rig, plant, cells = stand.rig, stand.plant, row.cells
    if eye.result in UNMEASURED:
        return
    if eye.result == "not-found":
        eye = replace(eye, width=0.0)
    eye = replace(eye, width=min(eye.width, rig.span))
    if rig.width is not None:
        cells["width"] = {
            "UI": eye.width,
            "ps": eye.width * 1000 / (rig.rate * attempt.rate),
            "tap": round(eye.width / rig.tap),
        }[rig.width]
    if rig.height:
        nature = plant.nature
        share = min(1.2, eye.width / (1 - nature.dj - 9.5 * nature.rj))
        supply = float(plant.supply[stand.wiring.site_of[eye.link]])
        z = float(stand.noise.normal("height", 2, len(stand.wiring.links))[eye.way, eye.link])
        cells["height"] = max(0.0, nature.swing * share * supply * (1 + 0.02 * z))
    centre = _centre(stand, eye)
    if rig.windows:
        cells["window"] = window(stand, eye, centre)
        if rig.per_char > 1:
            cells["taps"] = rig.per_char
    if rig.delay and eye.width >= rig.span:  # it stays where it is
        cells["delay"], cells["spread"] = (math.floor(rig.span / 2 / rig.tap),) * 2
    elif rig.delay and eye.width > 0.02:
        cells["delay"] = max(0, round(centre / rig.tap))
        cells["spread"] = math.floor(eye.width / 2 / rig.tap)
    if rig.tries:
        usual = {"pass": 1 + eye.retried, "fail": 3, "not-found": 3}
        cells["tries"] = usual.get(eye.result, 2)


def _centre(stand: Stand, eye: Eye) -> float:
    """Where the eye's middle falls in the sweep: later for lanes that are farther away. What would
    lead out of the sweep is taken up by a coarse setting that is not printed."""
    rig, nature = stand.rig, stand.plant.nature
    lane, lanes = stand.wiring.along[eye.link]
    slope = 0.8 * nature.slope * (lane - 3.5) / 3.5
    if eye.way == READ and lanes > 1:
        room = max(0.0, rig.span - (1 - nature.dj) - 0.1) / (lanes - 1)
        per_lane = max(-room, min(room, _flyby(stand)))
        slope += per_lane * (lane - (lanes - 1) / 2)
    return rig.span / 2 + 0.02 * _wander(stand, eye) + slope


def window(stand: Stand, eye: Eye, centre: float) -> str:
    """Tap by tap, `1` where it worked. Taps next to the edges come and go."""
    rig = stand.rig
    count = max(8, round(rig.span / rig.tap / rig.per_char))
    if eye.width >= rig.span:
        return "1" * count
    step = rig.span / count
    first = max(0, math.ceil((centre - eye.width / 2) / step - 0.5))
    last = min(count - 1, math.floor((centre + eye.width / 2) / step - 0.5))
    if last < first or eye.width <= 0:
        return "0" * count
    chars = ["0"] * first + ["1"] * (last - first + 1) + ["0"] * (count - 1 - last)
    if eye.width > 6 * step:
        rng = random.Random(f"{stand.noise.seed}/{eye.link}/{eye.way}/{eye.dq}")
        before, after = rng.random() < 0.08, rng.random() < 0.08
        if before and first > 1:
            chars[first - 2] = "1"
        if after and last < count - 2:
            chars[last + 2] = "1"
    return "".join(chars)


def _candidates(stand: Stand, row: Row, eye: Eye) -> Iterator[Row]:
    """One window a latency candidate; the neighbours of the right one see its eye cut off."""
    if eye.result in UNMEASURED:
        return
    links = len(stand.wiring.links)
    best = int(stand.noise.uniform("candidate", links)[eye.link] * 2) + 1
    seen = replace(eye, width=0.0) if eye.result == "not-found" else eye
    for k in range(4):
        cells = row.cells | {"candidate": str(k), "result": None}
        cells["window"] = window(stand, seen, _centre(stand, eye) + (k - best) * 1.0)
        if stand.rig.per_char > 1:
            cells["taps"] = stand.rig.per_char
        yield Row("training", cells, row.means)
