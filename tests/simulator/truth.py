"""The truth beside a dump: each fault as a right verdict would put it, and what shows of it."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from tests.simulator.bench import Bench, simulate
from tests.simulator.faults import ACTIONS, CAUSES, Fault, look_alikes
from tests.simulator.rows import SCOPE, Row
from tests.simulator.trace import trace


class Truth(Struct, frozen=True):
    """One fault, as a right verdict would put it. `causes` and `actions` are the acceptable
    words, the usual cause being `cause`. `visible`: the dump holds a trace of it. `located`: some
    row of that trace can only mean this place."""

    kind: str
    mode: str
    cause: str
    causes: frozenset[str]
    actions: frozenset[str]
    visible: bool
    located: bool
    expected: bool
    sites: tuple[str, ...]
    site: str | None = None
    channel: Any = None
    rank: int | None = None
    lane: int | None = None
    dq: int | tuple[int, int] | None = None
    rail: str | None = None
    partition: str | None = None
    rails: frozenset[str] = frozenset()
    """Rails that may be named for it: where no ohms were printed, all that feed the same sites."""
    rivals: frozenset[str] = frozenset()
    """Causes of look-alikes at the same place that would have printed the very same dump."""

    def __str__(self) -> str:
        at = [
            f"{w} {v}"
            for w in ("channel", "rank", "lane", "dq", "rail", "partition")
            if (v := getattr(self, w)) is not None
        ]
        seen = (
            ""
            if self.visible and self.located
            else (" (no trace)" if not self.visible else " (trace without a place)")
        )
        where = " ".join([self.site or "", *at]).strip()
        return f"{self.kind}/{self.mode or '-'} at {where}: {'|'.join(sorted(self.actions))}{seen}"


def truth_of(bench: Bench, fault: Fault, told: list[Row], rivals: frozenset[str]) -> Truth:
    """What a right verdict says of a fault; `told` are the rows of the dump that tell of it."""
    board = bench.wiring.board
    site = None if fault.site is None else board.sites[fault.site].ref
    if fault.site is not None:
        located = any(r.means == (fault.site,) for r in told)
    elif fault.rail is not None:
        located = (
            any(r.cells.get("rail") == fault.rail for r in told)
            or len({s for r in told if len(r.means) == 1 for s in r.means} & set(fault.sites)) > 1
        )
    else:
        located = any(set(r.means) <= set(fault.sites) for r in told if r.means)
    actions = set(ACTIONS[fault.kind])
    if fault.mode == "power-ball" and fault.kind == "missing":
        actions.add("reflow")
    if fault.kind == "pins" and not any(r.section in ("counts", "errors") for r in told):
        actions.add("retest")  # thin, and not one wrong bit: more bits first is right too
    at = None if fault.link is None else bench.wiring.links[fault.link][1]
    dq: Any = fault.dq
    if fault.other is not None and fault.dq is not None:
        dq = (fault.dq, fault.other[1])
    causes = CAUSES[fault.kind]
    return Truth(
        fault.kind,
        fault.mode,
        causes[0],
        frozenset(causes),
        frozenset(actions),
        bool(told),
        bool(told) and located,
        fault.kind == "removed",
        tuple(board.sites[s].ref for s in fault.sites),
        site,
        fault.channel,
        fault.rank,
        None if at is None else at.lane,
        dq,
        fault.rail,
        fault.partition,
        _rails_like(bench, fault, told),
        rivals | _same_numbers(bench, fault, told),
    )


def _same_numbers(bench: Bench, fault: Fault, told: list[Row]) -> frozenset[str]:
    """Look-alikes whose strength is free, where one lane's rows are all there is: a sick array, a
    soft package and a high-ohmic ball can each print any count of errors, and the latter two any
    width. Words of the log, a second lane, failed link checks or counted cells tell them apart."""
    rival = {"array": "joint", "pins": "joint", "open-data": "weak"}.get(fault.kind)
    if fault.kind == "open-strobe" and fault.mode == "ragged":
        rival = "weak"
    if rival is None or fault.mode == "hard":
        return frozenset()
    scopes = {tuple(r.cells.get(c) for c in SCOPE) for r in told}
    counted = {c for r in told for c in ("edc", "cells") if r.cells.get(c) is not None}
    if len(scopes) != 1 or counted or any(r.section == "errors" for r in told):
        return frozenset()
    if fault.kind == "array" and "training" in bench.rig.sections:
        return frozenset()  # a ball that bad would have been seen in training
    alone = fault.site is not None and len(bench.wiring.of_site[fault.site]) == 1
    open_ball = fault.kind in ("open-data", "open-strobe")
    if open_ball and any(r.section == "training" for r in told) and not alone:
        return frozenset()  # a soft package is soft on all its lanes
    return frozenset({rival})


def rivals_of(bench: Bench, fault: Fault, drawn: list[Fault], rows: list[Row]) -> frozenset[str]:
    """Run the board with each look-alike in the fault's stead; those that change nothing."""
    found = set()
    for other in look_alikes(bench.wiring, fault):
        swapped = [f for f in drawn if f is not fault] + other
        if not trace(rows, simulate(bench, swapped), bench.nature, bench.rig):
            found.add(CAUSES[other[0].kind][0])
    return frozenset(found)


def _rails_like(bench: Bench, fault: Fault, told: list[Row]) -> frozenset[str]:
    if fault.rail is None:
        return frozenset()
    if any(r.cells.get("rail", r.cells.get("name")) == fault.rail for r in told):
        return frozenset({fault.rail})
    board = bench.wiring.board
    mine = board.sites_on_rail(fault.rail)
    return frozenset(
        r.name for r in board.rails if r.feeds == "packages" and board.sites_on_rail(r.name) == mine
    )
