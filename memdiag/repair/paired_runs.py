"""Both runs, gathered and matched: what the judges of findings and links ask."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from memdiag.evidence.table import FAILED
from memdiag.model.board import Board
from memdiag.model.comparison import State
from memdiag.model.quantities import Quantity
from memdiag.model.records import Result, Run
from memdiag.model.verdict import Cause, Finding, Locus, Verdict
from memdiag.repair.alignment import (
    Counts,
    Key,
    Link,
    Shared,
    align,
    covers,
    gather,
    lines_of,
    shared,
)
from memdiag.repair.eye_change import EyeChange, eye_changes
from memdiag.repair.part_swaps import Work, work_between
from memdiag.repair.rate_change import RateChange, rate_change, total
from memdiag.stats import binomial_limits

BAD = FAILED | {Result.MARGINAL}
OWN = frozenset(Cause) - {Cause.SPILLOVER, Cause.CLEAR}
"""Causes that are a fault of the place itself, or may be one."""

_ORDER = (Result.PASS, Result.MARGINAL, Result.FAIL, Result.NOT_FOUND, Result.NO_RESPONSE)


@dataclass
class Sides:
    """The two runs with their verdicts, on one board."""

    before: Run
    after: Run
    board: Board
    before_verdict: Verdict
    after_verdict: Verdict
    confidence: float
    between: Sequence[Run] = ()

    @cached_property
    def old(self) -> dict[Key, Link]:
        return gather(self.before, self.board)

    @cached_property
    def new(self) -> dict[Key, Link]:
        return gather(self.after, self.board)

    @cached_property
    def pairs(self) -> list[tuple[Key | None, Key | None]]:
        return align(self.old, self.new)

    @cached_property
    def matched(self) -> list[tuple[Key, Key]]:
        return [(a, b) for a, b in self.pairs if a is not None and b is not None]

    @cached_property
    def shared(self) -> Shared:
        return shared(self.before, self.after)

    @cached_property
    def eyes(self) -> Mapping[Key, EyeChange]:
        return eye_changes(self.old, self.new, self.matched)

    @cached_property
    def work(self) -> Work:
        return work_between(self.before, self.after, self.between)

    def keys_at(self, locus: Locus, side: Mapping[Key, Link]) -> list[Key]:
        return [key for key in side if covers(locus, key, self.board)]

    def counts_at(self, locus: Locus, side: Mapping[Key, Link]) -> list[Counts]:
        return [side[key].counts(self.shared) for key in self.keys_at(locus, side)]

    def rate_at(self, locus: Locus) -> RateChange | None:
        """The change of rate over the place. Where only one run names lanes, over what both
        name in common: the sums."""
        return rate_change(
            self.counts_at(locus, self.old), self.counts_at(locus, self.new), self.confidence
        )

    def seconds(self, bits: int | None, keys: Iterable[Key]) -> float | None:
        """How long that many bits take over those links at the full line rate of the after-run."""
        rate = self.after.head.rate or self.before.head.rate
        lines = lines_of(keys, self.board)
        return bits / (rate * lines) if bits and rate and lines else None

    def state(self, locus: Locus, side: Mapping[Key, Link], finding: Finding | None) -> State:
        """What one run says of a place, in figures."""
        keys = self.keys_at(locus, side)
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
        return frozenset(k[0] for k, link in self.new.items() if k[0] and was_tested(link))

    def sites_of(self, locus: Locus) -> frozenset[str]:
        """The sites a place touches, of those the board or either run knows."""
        known = {s.ref for s in self.board.sites if s.named}
        keys = [(ref, None, None, None) for ref in known] + list(self.old) + list(self.new)
        if locus.site is not None:
            return frozenset({locus.site})
        if locus == Locus():
            return frozenset(known)
        owners = {
            key[0]
            for key in keys
            if key[0] is not None
            and covers(locus, key, self.board)
            and (locus.channel is None or self._owns(key[0], locus))
        }
        return frozenset(owners)

    def _owns(self, ref: str, locus: Locus) -> bool:
        site = self.board.site(ref)
        return site is None or not site.links or locus.channel in site.channels

    def touch(self, a: Locus, b: Locus) -> bool:
        """Do two findings speak of the same place, or one of a part of the other's?"""
        if a == b:
            return True
        for name in ("channel", "rank", "lane"):
            x, y = getattr(a, name), getattr(b, name)
            if x is not None and y is not None and x != y:
                return False
        if a.dq is not None and b.dq is not None and not _lines(a) & _lines(b):
            return False
        if a.site is not None and b.site is not None:
            return a.site == b.site
        return bool(self.sites_of(a) & self.sites_of(b))


def _lines(locus: Locus) -> set[int]:
    return set(locus.dq) if isinstance(locus.dq, tuple) else {locus.dq or 0}


def was_tested(link: Link) -> bool:
    ran = any(r is not Result.NOT_RUN for r in link.results.values())
    return ran or any(b for at in link.repeats.values() for b, _ in at.values())


def worst_of(links: Iterable[Link]) -> str | None:
    """The worst training result of links; `not-run` only where nothing ran."""
    results = {r for link in links for r in link.results.values()}
    ran = [r for r in results if r in _ORDER]
    if ran:
        return max(ran, key=_ORDER.index).value
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
