"""Did an eye open or close, beyond what all eyes of the board did together?

From boot to boot all eyes move a little, with temperature and supply. A link's eye has changed
where its ratio stands apart from its peers' ratios (modified z score on the logarithm, with the
repeatability of a good rig as the finest step), so that half a dozen peers are enough and a
board that got warmer is no news.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

from msgspec import Struct

from memdiag import stats
from memdiag.evidence.margins import MIN_PEERS, SCALE_FLOOR
from memdiag.model import Place
from memdiag.model.quantities import Quantity
from memdiag.repair.alignment import Link
from memdiag.stats.outliers import FLAG

ALONE = math.log(1.25)
"""An eye that changed by more than a quarter changed by itself, whatever its peers did: more than
a good rig's repeatability explains; common practice, no source."""

ONE_TAP = 1.0
"""An eye in taps is cut off to whole ones: one tap more or less is no change."""


class EyeChange(Struct, frozen=True):
    """The step whose eye changed most. `direction` is +1 where it opened, -1 where it closed, 0
    where it moved with its peers; `peers` the median of all links in the after-run; `score` the
    modified z, None with too few peers. `lost`: it closed by more than a quarter, whatever its
    peers did."""

    step: str
    before: float
    after: float
    unit: str
    peers: float
    score: float | None
    direction: int
    lost: bool = False

    def says(self) -> str:
        end = "" if self.unit in ("", "x") else f" {self.unit}"
        return (
            f"{self.step} eye {self.before:.3g} -> {self.after:.3g}{end}, "
            f"all links' median now {self.peers:.3g}"
        )


def eye_changes(
    before: Mapping[Place, Link], after: Mapping[Place, Link], pairs: Sequence[tuple[Place, Place]]
) -> dict[Place, EyeChange]:
    """The change of each pair that has an eye in both runs, under the key of the before-run."""
    found: dict[Place, EyeChange] = {}
    steps = {at for a, _ in pairs for at in before[a].widths}
    for at in sorted(steps, key=str):
        for key, change in _of_step(before, after, pairs, at).items():
            have = found.get(key)
            if have is None or _size(change) > _size(have):
                found[key] = change
    return found


def narrowed(eyes: Collection[EyeChange]) -> tuple[EyeChange, ...]:
    """The eyes that closed by more than a quarter together: more than half of the board's, less
    those that stand apart even so. Empty where the board as a whole did not."""
    lost = [eye for eye in eyes if eye.lost]
    if len(lost) < 2 or 2 * len(lost) <= len(eyes):
        return ()
    return tuple(eye for eye in lost if eye.direction >= 0 or eye.score is None)


def _size(change: EyeChange) -> tuple[bool, int, float]:
    return change.lost, abs(change.direction), abs(change.score or 0.0)


def _of_step(
    before: Mapping[Place, Link],
    after: Mapping[Place, Link],
    pairs: Sequence[tuple[Place, Place]],
    at: tuple[str, str | None],
) -> dict[Place, EyeChange]:
    both = [
        (a, one, two)
        for a, b in pairs
        if (one := before[a].widths.get(at))
        and (two := after[b].widths.get(at))
        and one.unit == two.unit
    ]
    if not both:
        return {}
    moved = {
        a: math.log(two.value / one.value)
        for a, one, two in both
        if one.value > 0 and two.value > 0
    }
    enough = len(moved) >= MIN_PEERS
    scores = dict(zip(moved, stats.modified_z(list(moved.values()), SCALE_FLOOR), strict=True))
    peers = stats.median([two.value for _, _, two in both])
    found = {}
    for a, one, two in both:
        if a not in moved:  # shut in one run or both
            direction = (two.value > 0) - (one.value > 0)
        elif enough:
            direction = _sign(scores[a]) if abs(scores[a]) > FLAG else 0
        else:
            direction = _sign(moved[a]) if abs(moved[a]) > ALONE else 0
        score = scores.get(a) if enough else None
        lost = _lost(one, two)
        found[a] = EyeChange(
            at[0], one.value, two.value, one.unit or "", peers, score, direction, lost
        )
    return found


def _lost(before: Quantity, after: Quantity) -> bool:
    """Did an eye close by more than a quarter, and by more than one tap?"""
    if before.value <= 0 or after.value * math.exp(ALONE) >= before.value:
        return False
    return before.unit not in (None, "tap", "taps") or before.value - after.value > ONE_TAP


def _sign(value: float) -> int:
    return (value > 0) - (value < 0)
