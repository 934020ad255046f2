"""Eye widths and heights -> how likely they are in each state, against peers of the same run.

A fault only ever takes margin away, so the reference is the uppermost cluster of peers that is
no fluke, not the mean: half the board may be sick. Spread within that cluster is the ruler
(median absolute deviation, floored: with few peers it is often far too small by chance).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from memdiag.evidence.nodes import PLACE

MIN_PEERS = 4
SCALE_FLOOR, SCALE_CAP = 0.045, 0.13  # natural log of width; 4.5 % is a good rig's repeatability
ABSOLUTE_THIN_UI = 0.10
"""Below a tenth of a unit interval no memory interface runs clean, whatever its peers do."""

# Probability that a width of zero is printed.
_ZERO = {
    "sound": 5e-4,
    "stray": 1e-3,
    "disturbed": 4e-3,
    "array": 5e-4,
    "astray": 5e-4,
    "thin": 0.05,
    "line": 0.30,
    "joined": 0.30,
    "dead": 0.75,
    "mute": 0.85,
    "absent": 0.90,
}

# Mixtures of (weight, centre, scale) in log width against the reference; scale None: the peers'.
_SHAPE: dict[str, tuple[tuple[float, float, float | None], ...]] = {
    "sound": ((0.985, 0.0, None), (0.015, -0.1, 0.25)),
    "stray": ((0.6, 0.0, None), (0.4, -0.08, 0.07)),
    "disturbed": ((0.45, 0.0, None), (0.55, -0.13, 0.13)),
    "array": ((0.97, 0.0, None), (0.03, -0.1, 0.25)),
    "astray": ((0.97, 0.0, None), (0.03, -0.1, 0.25)),
    "thin": ((0.10, 0.0, None), (0.45, -0.35, 0.20), (0.38, -0.9, 0.45), (0.07, -2.2, 0.8)),
    "line": ((0.40, 0.0, None), (0.60, -0.7, 0.6)),
    "joined": ((0.40, 0.0, None), (0.60, -0.7, 0.6)),
    "dead": ((0.15, 0.0, None), (0.85, -1.2, 0.8)),
    "mute": ((0.15, 0.0, None), (0.85, -1.2, 0.9)),
    "absent": ((0.10, 0.0, None), (0.90, -1.2, 0.9)),
}


_SHARED = {
    **_SHAPE,
    **dict.fromkeys(
        ("sound", "array", "astray", "line", "joined"), ((0.9999, 0.0, None), (0.0001, -0.1, 0.25))
    ),
    "stray": ((0.80, 0.0, None), (0.20, -0.08, 0.07)),
    "disturbed": ((0.40, 0.0, None), (0.45, -0.13, 0.13), (0.15, -0.40, 0.22)),
    "dead": ((0.70, 0.0, None), (0.30, -1.2, 0.8)),
}
"""The same for the factor that all lines of a place share: a strong disturbance is rare, but it
takes from all lines alike."""


@dataclass(frozen=True, slots=True)
class Peers:
    """What healthy looks like on this run: the reference width, and the spread of its log."""

    reference: float
    scale: float
    count: int


def reference(widths: Sequence[float], floor: float = 0.0) -> Peers | None:
    """The healthy reference of positive widths (any unit, all the same).

    `floor` is an absolute limit in that unit below which no width is healthy: a reference under
    it is lifted to it. None with fewer than MIN_PEERS widths and no floor.
    """
    logs = sorted(math.log(w) for w in widths if w > 0)
    if len(logs) < MIN_PEERS:
        return Peers(2 * floor, SCALE_CAP, len(logs)) if floor else None
    cluster = _upper_cluster(logs)
    centre = statistics.median(cluster)
    scale = 1.4826 * statistics.median(abs(v - centre) for v in cluster)
    scale = min(max(scale, SCALE_FLOOR), SCALE_CAP)
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
            # A long tail below without a gap: keep the upper part, where the healthy ones are.
            if cluster[-1] - cluster[0] > 0.5:
                top = statistics.quantiles(cluster, n=4)[2]
                return [v for v in cluster if v >= top - 0.25] or cluster
            return cluster
    return list(logs)


def width_loglik(
    width: float, peers: Peers, *, at_least: bool = False, shared: bool = False
) -> dict[str, float] | None:
    """Log likelihood of a width in each state of a place.

    `at_least`: the sweep ended before the eye did, so a narrow figure says nothing (None).
    `shared`: it is the middle of many lines that are narrower by the same factor.
    """
    if width <= 0:
        return {state: math.log(_ZERO[state]) for state in PLACE}
    r = math.log(width / peers.reference)
    if at_least and r < -0.05:
        return None
    # Wider than the reference is never worse than equal to it.
    r = min(r, 0.0) if r < 3 * peers.scale else min(r, 0.5) - 3 * peers.scale
    out = {}
    for state in PLACE:
        density = sum(
            weight * _student8((r - centre) / (scale or peers.scale)) / (scale or peers.scale)
            for weight, centre, scale in (_SHARED if shared else _SHAPE)[state]
        )
        out[state] = math.log((1 - _ZERO[state]) * density)
    return out


def beside_shift(width: float, peers: Peers) -> dict[str, float] | None:
    """Log likelihood of a width from which a factor shared with its fellows was taken out: what
    is narrower only together with them is told by the factor, and not by each line again."""
    table = width_loglik(width, peers)
    if table is not None:
        for state in ("stray", "disturbed", "thin"):
            table[state] = max(table[state], table["sound"])
    return table


def _student8(x: float) -> float:
    """Density of Student's t with 8 degrees of freedom: tails that a stray lane does not scare."""
    return 0.386699 * math.pow(1 + x * x / 8, -4.5)
