"""Did the error rate of a place change, and how sure is that?

Errors come in bursts, so they are never simply counted as independent: the scatter of the
attempts is used where there are attempts; else distinct failing addresses are compared; else,
where both runs have errors, the scatter of the lanes. Lanes differ by nature, so that their
scatter widens an interval but says nothing of bursts in time: it is no reason to doubt a run
without any error. Where there is one count on each side and no more, errors are taken to come in
bursts as open measurements show (`memdiag.stats.bursts`). Which it was is said in `basis`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from memdiag import stats
from memdiag.model.quantities import show_count
from memdiag.repair.alignment import Counts

SINGLE = "one count each: errors taken to come in bursts as open measurements show"


class RateChange(Struct, frozen=True):
    """`ratio`, `low`, `high`, `p`: the rate after over the rate before, two-sided, None where
    neither run saw an error. `events`: the errors before as independent events, None where one
    count each tells no scatter. `p_none`: the chance (one-sided) that the after-run shows no error
    though the earlier rate still holds; None where nothing is to be excluded or errors were seen
    after. `p_steady`: the p of more errors after than before if no two of them hung together, None
    where the scatter is known."""

    before: Counts
    after: Counts
    ratio: float | None
    low: float | None
    high: float | None
    p: float | None
    p_none: float | None
    events: float | None
    basis: str
    p_steady: float | None = None

    def bits_to_exclude(self, level: float) -> int | None:
        """Bits without an error that would exclude the earlier rate at the one-sided level."""
        if not self.before.errors or not self.before.bits:
            return None
        if self.events is None:
            multiple = stats.multiple_to_exclude(self.before.errors, level)
        else:
            multiple = -math.log(level) / self.events
        return math.ceil(multiple * self.before.bits)


def rate_change(
    before: Sequence[Counts], after: Sequence[Counts], confidence: float
) -> RateChange | None:
    """The change over one link, or over all links of a finding together. None where either run
    lacks bits or errors there."""
    one, two = total(before), total(after)
    if not one.bits or not two.bits or one.errors is None or two.errors is None:
        return None
    if one.errors == two.errors == 0:
        basis = "no error in either run"
        return RateChange(one, two, None, None, None, None, None, 0.0, basis)
    found = _repeats(before, after, one, two)
    if found is None:
        return _single(one, two, one.errors, two.errors, confidence)
    counts1, bits1, counts2, bits2, basis, scatters = found
    seen = stats.effective_events(counts1, bits1, confidence)
    test = stats.compare_replicates(counts2, bits2, counts1, bits1, confidence=confidence)
    if scatters:
        index = max(test.dispersion, seen.dispersion if two.errors == 0 else 1.0)
        basis = f"{basis} scatter {_scatter(index)}"
    p_none = None
    if one.errors and not two.errors:
        p_none = math.exp(-seen.events * two.bits / one.bits)
    return RateChange(one, two, test.ratio, test.low, test.high, test.p, p_none, seen.events, basis)


def _single(one: Counts, two: Counts, was: int, now: int, confidence: float) -> RateChange:
    """The change where each side is one count, and no failing addresses are told apart."""
    bits1, bits2 = float(one.bits or 0), float(two.bits or 0)
    test = stats.compare_single(now, bits2, was, bits1, confidence=confidence)
    steady = stats.conditional_test(now, bits2, was, bits1, confidence=confidence)
    p_none = stats.chance_of_none(was, bits2 / bits1) if was and not now else None
    return RateChange(
        one,
        two,
        test.ratio,
        test.low,
        test.high,
        test.p,
        p_none,
        None,
        SINGLE,
        min(1.0, 2 * steady.p_greater),
    )


def _scatter(index: float) -> str:
    if index <= 1.05:
        return "no more than independent errors would"
    return f"{index:.3g} times as much as independent errors would"


def _repeats(
    before: Sequence[Counts], after: Sequence[Counts], one: Counts, two: Counts
) -> tuple[list[float], list[float], list[float], list[float], str, bool] | None:
    """Counts and exposures of both runs in the best repeats there are, a word on which, and whether
    those repeats tell how errors scatter. None where there is one count each and no more."""
    assert one.bits and two.bits and one.errors is not None and two.errors is not None
    sides = [_attempts(before), _attempts(after)]
    tries = max((len(s) for s in sides if s is not None), default=0)
    scatters = False
    # Errors seen once tell no scatter: the attempts must be those of the side that has errors.
    if any(side and sum(e for _, e in side) for side in sides):
        whole = [
            side or [(t.bits or 0, t.errors or 0)]
            for side, t in zip(sides, (one, two), strict=True)
        ]
        basis, scatters = f"{tries} attempts", True
    elif one.cells is not None and two.cells is not None and (one.cells or two.cells):
        whole = [[(one.bits, one.cells)], [(two.bits, two.cells)]]
        basis = f"distinct failing addresses compared: {_cells(one)} before, {_cells(two)} after"
    elif one.errors and two.errors and (len(before) > 1 or len(after) > 1):
        whole = [[(c.bits, c.errors or 0) for c in side if c.bits] for side in (before, after)]
        basis, scatters = f"{max(map(len, whole))} lanes", True
    else:
        return None
    (first, second) = whole
    return (
        [float(e) for _, e in first],
        [float(b) for b, _ in first],
        [float(e) for _, e in second],
        [float(b) for b, _ in second],
        basis,
        scatters,
    )


def _cells(counts: Counts) -> str:
    return f"{show_count(counts.cells or 0)} for {show_count(counts.errors or 0)} errors"


def _attempts(parts: Sequence[Counts]) -> list[tuple[int, int]] | None:
    """The attempts summed over links; None unless every link has the same number of them."""
    lengths = {len(c.repeats) for c in parts if c.bits}
    if len(lengths) != 1 or (n := lengths.pop()) < 2:
        return None
    rows = [c.repeats for c in parts if c.bits]
    return [(sum(r[i][0] for r in rows), sum(r[i][1] for r in rows)) for i in range(n)]


def total(parts: Sequence[Counts]) -> Counts:
    """The sum over links; a link without bits or errors is no part of it."""
    told = [c for c in parts if c.bits and c.errors is not None]
    if not told:
        return Counts(_sum([c.bits for c in parts]), _sum([c.errors for c in parts]), None)
    cells = None
    if all(c.cells is not None for c in told):
        cells = sum(c.cells or 0 for c in told)
    return Counts(sum(c.bits or 0 for c in told), sum(c.errors or 0 for c in told), cells)


def _sum(values: Sequence[int | None]) -> int | None:
    said = [v for v in values if v is not None]
    return sum(said) if said else None


def excluded(changes: Sequence[RateChange | None], confidence: float) -> list[bool | None]:
    """For each place whether the after-run excludes the earlier rate: one-sided, at that
    confidence for all places together (Holm). None where there is nothing to exclude."""
    at = [i for i, c in enumerate(changes) if c is not None and c.p_none is not None]
    adjusted = stats.holm([changes[i].p_none for i in at])  # type: ignore[union-attr, misc]
    found: list[bool | None] = [None] * len(changes)
    for i, p in zip(at, adjusted, strict=True):
        found[i] = p <= 1 - confidence
    return found
