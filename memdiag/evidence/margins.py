"""Eye widths and heights on the margin scale, against what is healthy.

A fault only ever takes margin away, so among peers the reference is the uppermost cluster that is
no fluke, not the mean: half the board may be sick. Spread within that cluster is the ruler (median
absolute deviation, floored: with few peers it is often far too small by chance). Where everybody
looks alike the reference itself may be down: how far is open, and weighed by what is known of
healthy widths: the board's baseline, else that no healthy eye is a quarter of a unit interval.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from memdiag.evidence.nodes import GRADES, IS_GRADE, LINK, MARGIN, Array, by_state
from memdiag.model.figures import Table

_F = Table("Eyes")

MIN_PEERS = 4
SCALE_FLOOR = _F.practice("repeatability", 0.045, "log width; 4.5 % is a good rig's repeatability")
SCALE_CAP = _F.practice("repeatability at worst", 0.13, "log width; more is no measuring spread")
ABSOLUTE_THIN_UI = _F.practice(
    "absolute limit", 0.10, "UI; below a tenth of a unit interval no memory interface runs clean"
)
HEALTHY_RANGE = _F.practice("healthy range", 0.22, "log; from the best eyes of a run to the least")
FIGURE_PLAY = _F.practice("figure play", 0.07, "log; how unlike the eyes of one lane's steps are")
APART = _F.practice("an eye apart", 0.08, "share of eyes that tell little of their lane's margin")
STRAY = _F.practice("a stray eye", 0.015, "share of healthy eyes that are narrower by chance")
SHUTS_AT = _F.practice("shuts at", -2.4, "log margin at which a width of zero is printed")
SHUTS_PLAY = _F.practice("shut play", 0.45, "the same from rig to rig")
ZERO_BY_CHANCE = _F.practice("zero by chance", 5e-4, "share of eyes printed as zero for no reason")
ZERO = _F.each(
    "no eye,",
    {"stuck": 0.30, "dead": 0.75, "absent": 0.90},
    "share of such lanes whose eye is printed as zero",
)
GIVEN_UP = _F.each(
    "no eye, failed,",
    {"stuck": 0.80, "dead": 0.92, "absent": 0.95},
    "the same where the step failed: what found no setting has no eye to print",
)
WHOLE = _F.each(
    "whole eye,", {"stuck": 0.40, "dead": 0.15}, "share of such lanes that print one as others do"
)
ANY_AT = _F.each(
    "any eye,", {"stuck": -0.7, "dead": -1.2}, "log width about which the rest of their eyes lie"
)
ANY_PLAY = _F.each(
    "any eye's play,", {"stuck": 0.6, "dead": 0.8, "apart": 0.3}, "standard deviation of those"
)

HEALTHY_UI = _F.practice("healthy width", 0.55, "UI; middle of what healthy interfaces print")
HEALTHY_PLAY = _F.practice("healthy play", 0.30, "log; how far healthy interfaces differ")
UNMEASURED = _F.each(
    "reference down by",
    {0.0: 0.55, 0.36: 0.30, 0.80: 0.15},
    "log width; share of runs with unwell boards, where nothing is known of healthy widths",
)
SHIFTS = tuple(UNMEASURED)
"""By how much (log) the healthy width may lie above what the best of the run show."""
NEGLIGIBLE = 0.03


class Peers(Struct, frozen=True):
    """What healthy looks like on this run: the reference width, and the spread of its log."""

    reference: float
    scale: float
    count: int


def reference(widths: Sequence[float], floor: float = 0.0, grain: float = 0.0) -> Peers | None:
    """The healthy reference of positive widths (any unit, all the same).

    `floor` is an absolute limit in that unit below which no width is healthy: a reference under
    it is lifted to it. `grain`: what each edge is rounded to, in that unit; two edges together are
    off by its sixth part's root (the variance of a sum of two even spreads). None with fewer than
    MIN_PEERS widths and no floor.
    """
    logs = sorted(math.log(w) for w in widths if w > 0)
    if len(logs) < MIN_PEERS:
        return Peers(2 * floor, SCALE_CAP, len(logs)) if floor else None
    cluster = _upper_cluster(logs)
    centre = statistics.median(cluster)
    scale = 1.4826 * statistics.median(abs(v - centre) for v in cluster)
    scale = min(max(scale, SCALE_FLOOR), SCALE_CAP)
    scale = math.hypot(scale, grain / math.sqrt(6) / math.exp(centre))
    lifted = max(math.exp(centre), floor)
    return Peers(lifted, scale, len(logs))


def _upper_cluster(logs: Sequence[float]) -> list[float]:
    """The uppermost run of sorted values without a gap that holds a fifth of them (at least 2)."""
    gaps = [b - a for a, b in pairwise(logs)]
    wide = max(0.13, 5 * statistics.median(gaps))
    clusters: list[list[float]] = [[logs[0]]]
    for value, gap in zip(logs[1:], gaps, strict=True):
        if gap > wide:
            clusters.append([])
        clusters[-1].append(value)
    need = max(2, math.ceil(len(logs) / 5))
    for cluster in reversed(clusters):
        if len(cluster) >= need:
            # A tail below without a gap: keep the upper part, where the healthy ones are.
            top = cluster[-max(1, len(cluster) // 20) - (len(cluster) > MIN_PEERS)]
            upper = [v for v in cluster if v >= top - HEALTHY_RANGE]
            return upper if len(upper) >= need else cluster
    return list(logs)


def shifts(ratio: float | None, play: float) -> tuple[tuple[float, float], ...]:
    """How far the reference may be down: (log shift, probability), those that count.

    `ratio`: log of what the best of the run show against the middle of healthy widths, None where
    nothing is known of those; `play`: the standard deviation of that.
    """
    if ratio is None:
        weights = list(UNMEASURED.values())
    else:
        off = [((ratio + shift) / play) ** 2 for shift in SHIFTS]
        if ratio > 0:
            off[0] = 0.0
        weights = [math.exp(-0.5 * (each - min(off))) for each in off]
    total = sum(weights)
    kept = [(s, w) for s, w in zip(SHIFTS, weights, strict=True) if w > NEGLIGIBLE * total]
    total = sum(w for _, w in kept)
    return tuple((s, w / total) for s, w in kept)


_ZERO, _ZERO_FAILED = (
    by_state(
        {**none, "mute": none["absent"]},
        grades=ZERO_BY_CHANCE
        + 1 / (1 + np.exp(1.702 * (MARGIN[IS_GRADE] - SHUTS_AT) / SHUTS_PLAY)),
    )
    for none in (ZERO, GIVEN_UP)
)
# (S,) share of a state's widths that are healthy, that follow its margin, and that are anywhere.
_AT_HEALTHY = by_state(WHOLE, grades=0.0)
_AT_HEALTHY[[LINK.index("array"), LINK.index("astray")]] = 1 - STRAY
_AT_HEALTHY[0] = 1 - STRAY
_AT_MARGIN = by_state({"stuck": 0.0, "dead": 0.0}, grades=1 - APART)
_AT_MARGIN[[0, LINK.index("array"), LINK.index("astray")]] = 0.0
_BROAD_AT = by_state(ANY_AT, grades=MARGIN[IS_GRADE] / 2)
_IS_HEALTHY = _AT_HEALTHY == 1 - STRAY
_BROAD_AT[_IS_HEALTHY] = -0.1
_BROAD = by_state(ANY_PLAY, grades=ANY_PLAY["apart"])


def _steps() -> Array:
    """(S,) standard deviation of the margins that one grade stands for: all as far as half of the
    way to the next, evenly."""
    centres = list(GRADES.values())
    gaps = [a - b for a, b in pairwise(centres)]
    wide = [(a + b) / 2 for a, b in pairwise([gaps[0], *gaps, gaps[-1]])]
    return by_state(grades=np.array(wide) / math.sqrt(12))


_STEPS = _steps()


def width_logliks(
    width: float,
    peers: Peers,
    shifts: Sequence[float],
    *,
    at_least: bool = False,
    failed: bool = False,
) -> Array | None:
    """(shifts, S) log likelihood of a width in each state of a place, where the healthy width lies
    above the reference by each of the shifts (log); of none also where its step `failed`.

    `at_least`: the sweep ended before the eye did, so a narrow figure says nothing (None).
    """
    if width <= 0:
        return np.broadcast_to(np.log(_ZERO_FAILED if failed else _ZERO), (len(shifts), len(LINK)))
    r = math.log(width / peers.reference)
    if at_least and r < -0.05:
        return None
    # Wider than the reference is never worse than equal to it.
    r = min(r, 0.0) if r < 3 * peers.scale else min(r, 0.5) - 3 * peers.scale
    at = r - np.array(shifts)[:, None]
    scale = np.hypot(max(peers.scale, FIGURE_PLAY), _STEPS)
    density = (
        _AT_HEALTHY * _student8(at / peers.scale) / peers.scale
        + _AT_MARGIN * _student8((at - MARGIN) / scale) / scale
        + (1 - _AT_HEALTHY - _AT_MARGIN) * _anywhere((at - _BROAD_AT) / _BROAD) / _BROAD
    )
    return np.asarray(np.log((1 - _ZERO) * density))


def _anywhere(x: Array) -> Array:
    """(S,) density of the eyes that do not follow: of healthy lanes a normal one, for a tap that is
    bad by chance may halve a sweep and no more; of others with the stragglers of `_student8`."""
    return np.where(_IS_HEALTHY, _normal(x), _student8(x))


def _normal(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi))


def _student8(x: Array) -> Array:
    """Student's t density with eight degrees of freedom: healthy widths have a few stragglers."""
    return np.asarray(0.3867 * (1 + x * x / 8) ** -4.5)
