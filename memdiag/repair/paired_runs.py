"""Both runs, gathered and matched: what the judges of findings and links ask."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from msgspec import Struct

from memdiag.evidence.measurements import Measurements, measure
from memdiag.model import ENDED, FAILED, Board, Cause, Finding, Place, Result, Run, Verdict
from memdiag.model.comparison import State
from memdiag.model.quantities import Quantity
from memdiag.repair.alignment import Counts, Link, Shared, align, gather, lines_of, shared
from memdiag.repair.eye_change import EyeChange, eye_changes, narrowed
from memdiag.repair.part_swaps import Work, work_between
from memdiag.repair.rate_change import RateChange, rate_change, total
from memdiag.stats import binomial_limits

if TYPE_CHECKING:
    from memdiag.diagnosis.settings import Settings

BAD = FAILED | {Result.MARGINAL}
OWN = frozenset(Cause) - {Cause.SPILLOVER, Cause.CLEAR}
"""Causes that are a fault of the place itself, or may be one."""


class JudgedRun(Struct, frozen=True):
    """A run, grouped by place and judged."""

    measured: Measurements
    verdict: Verdict


def judged(
    run: Run, board: Board, shop: Settings | None, verdict: Verdict | None = None
) -> JudgedRun:
    """A run on its board; the verdict is made where none is given."""
    measured = measure(run, board)
    if verdict is None:
        # Only here: a comparison of two verdicts that are already made needs no inference.
        from memdiag.diagnosis.judge import judge_measured

        verdict = judge_measured(measured, shop)
    return JudgedRun(measured, verdict)


class PairedRuns(Struct, dict=True):
    """The two runs with their verdicts, on one board."""

    one: JudgedRun
    two: JudgedRun
    confidence: float
    between: Sequence[Run] = ()

    def __post_init__(self) -> None:
        self.before, self.after = self.one.measured.run, self.two.measured.run
        self.before_verdict, self.after_verdict = self.one.verdict, self.two.verdict
        self.board = self.two.measured.board

    @cached_property
    def old(self) -> dict[Place, Link]:
        return gather(self.one.measured)

    @cached_property
    def new(self) -> dict[Place, Link]:
        return gather(self.two.measured)

    @cached_property
    def pairs(self) -> list[tuple[Place | None, Place | None]]:
        return align(self.old, self.new)

    @cached_property
    def matched(self) -> list[tuple[Place, Place]]:
        return [(a, b) for a, b in self.pairs if a is not None and b is not None]

    @cached_property
    def shared(self) -> Shared:
        return shared(self.before, self.after)

    @cached_property
    def eyes(self) -> Mapping[Place, EyeChange]:
        return eye_changes(self.old, self.new, self.matched)

    @cached_property
    def narrowed(self) -> tuple[EyeChange, ...]:
        """The eyes that closed by more than a quarter together with most of the board's."""
        return narrowed(self.eyes.values())

    @cached_property
    def work(self) -> Work:
        return work_between(self.before, self.after, self.between)

    def keys_at(self, place: Place, side: Mapping[Place, Link]) -> list[Place]:
        return [link for link in side if place.speaks_of(link, self.board)]

    def counts_at(self, place: Place, side: Mapping[Place, Link]) -> list[Counts]:
        return [side[key].counts(self.shared) for key in self.keys_at(place, side)]

    def rate_at(self, place: Place) -> RateChange | None:
        """The change of rate over the place. Where only one run names lanes, over what both
        name in common: the sums."""
        return rate_change(
            self.counts_at(place, self.old), self.counts_at(place, self.new), self.confidence
        )

    def seconds(self, bits: int | None, keys: Iterable[Place]) -> float | None:
        """How long that many bits take over those links at the full line rate of the after-run."""
        rate = self.after.head.rate or self.before.head.rate
        lines = lines_of(keys, self.board)
        return bits / (rate * lines) if bits and rate and lines else None

    def state(self, place: Place, side: Mapping[Place, Link], finding: Finding | None) -> State:
        """What one run says of a place, in figures."""
        keys = self.keys_at(place, side)
        sums = total([side[key].counts(self.shared) for key in keys])
        low = high = None
        if sums.bits and sums.errors is not None and sums.errors <= sums.bits:
            low, high = binomial_limits(sums.errors, sums.bits, self.confidence)
        return State(
            finding,
            sums.bits,
            sums.errors,
            sums.cells,
            sums.rate,
            low,
            high,
            worst_of(side[key] for key in keys),
            _narrowest(side[key] for key in keys),
        )

    @cached_property
    def measured(self) -> frozenset[str]:
        """The sites the after-run tested: a step that ran, or bits compared."""
        return frozenset(at.site for at, link in self.new.items() if at.site and was_tested(link))

    def touch(self, a: Place, b: Place) -> bool:
        """Do two findings speak of the same place, or one of a part of the other's?"""
        return a == b or a.touches(b, self.board)


def was_tested(link: Link) -> bool:
    ran = any(r is not Result.NOT_RUN for r in link.results.values())
    return ran or any(b for at in link.repeats.values() for b, _ in at.values())


def worst_of(links: Iterable[Link]) -> str | None:
    """The worst training result of links; `not-run` only where nothing ran."""
    results = {r for link in links for r in link.results.values()}
    ran = [r for r in results if r in ENDED]
    if ran:
        return max(ran, key=ENDED.index).value
    return Result.NOT_RUN.value if results else None


def bad_steps(link: Link) -> dict[str, Result]:
    return {step: r for step, r in link.results.items() if r in BAD}


def _narrowest(links: Iterable[Link]) -> str | None:
    widths: list[Quantity] = [w for link in links for w in link.widths.values()]
    units = {w.unit for w in widths}
    if len(units) != 1:
        return None
    least = min(widths, key=lambda w: w.value)
    return f"{least.value:.3g}{least.unit or ''}"
