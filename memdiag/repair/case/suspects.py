"""Who is suspected, step by step: each fault that could be, by its cause and what carries it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from memdiag.model import Cause, Place
from memdiag.model.case import Suspect
from memdiag.model.quantities import show_probability
from memdiag.repair.case.joint import Joint
from memdiag.repair.case.lives import Key
from memdiag.repair.case.parts import Part, Whereabouts

SHOWN, MOST = 0.1, 8
"""Suspects that reach this probability at any step are shown, and so many of them at most."""

MOVED = 0.02
"""A probability that changes by less is not told."""

MOST_TOLD = 3


class Who(NamedTuple):
    """One suspect through all steps: the cause, and the package, joints or place that carry it."""

    cause: Cause
    part: Part | None
    place: Place


def who(key: Key) -> Who | None:
    """None for what nothing explains: that is nobody."""
    if key.mechanism.unknown:
        return None
    at = Place(site=key.part.site) if key.part is not None else key.place
    return Who(key.mechanism.cause, key.part, at)


def ever(joint: Joint) -> dict[Who, float]:
    """How probable it is that each was at fault in any of the runs."""
    names = [who(key) for key in joint.keys]
    out: dict[Who, float] = {}
    for members, p in zip(joint.posterior.sets, joint.posterior.probability, strict=True):
        for one in {names[joint.lives[v].key] for v in members}:
            if one is not None:
                out[one] = out.get(one, 0.0) + float(p)
    return out


def now_at(one: Who, run: int, where: Whereabouts) -> Place:
    """Where a suspect is in a run, or was last."""
    if one.part is None or one.part not in where.packages[one.part.since].values():
        return one.place
    for n in range(run, -1, -1):
        ref = where.site_of(one.part, n)
        if ref is not None:
            return Place(site=ref)
    return one.place


def leading(by_step: Sequence[dict[Who, float]]) -> list[Who]:
    """Those that are shown, the likeliest first by what is known at the end."""
    most: dict[Who, float] = {}
    for step in by_step:
        for one, p in step.items():
            most[one] = max(most.get(one, 0.0), p)
    shown = [one for one, p in most.items() if p >= SHOWN]
    last = by_step[-1]
    return sorted(shown, key=lambda one: (-last.get(one, 0.0), -most[one]))[:MOST]


def listed(
    by_step: Sequence[dict[Who, float]], run: int, shown: Sequence[Who], where: Whereabouts
) -> tuple[Suspect, ...]:
    return tuple(
        Suspect(
            now_at(one, run, where),
            one.cause,
            min(by_step[run].get(one, 0.0), 1.0),
            one.part.since if one.part is not None else 0,
        )
        for one in shown
    )


def changed(before: Sequence[Suspect] | None, after: Sequence[Suspect]) -> str:
    """What a run changed in the suspicions, the largest changes first."""
    told = []
    for n, now in enumerate(after):
        was = 0.0 if before is None else before[n].probability
        if abs(now.probability - was) >= MOVED:
            move = show_probability(now.probability)
            if before is not None:
                move = f"{show_probability(was)} -> {move}"
            told.append((abs(now.probability - was), f"{now.name} {move}"))
    told.sort(key=lambda pair: -pair[0])
    if not told:
        return "nobody is suspected" if before is None else "changes nothing"
    return "; ".join(text for _, text in told[:MOST_TOLD])
