"""The `[baseline]` of a profile: what its entries must satisfy together, and what it becomes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from msgspec import UNSET

from memdiag.boards.baseline_form import BaselineForm, EyeForm
from memdiag.boards.profile_form import ProfileForm, nearest
from memdiag.model import STEPS, Baseline, HealthyEye, HealthyRail, HealthySlope
from memdiag.model.problems import Problem, problem

_UNITS = {"width": ("UI", "s", "%", "tap"), "height": ("V", "%", "tap")}
_MOST = {"UI": 1.0, "%": 100.0}
"""No eye is wider than the unit interval, or higher than what it is a share of."""


def examine(form: ProfileForm, file: str, rails: frozenset[str]) -> Iterator[Problem]:
    """All problems of a filled form's baseline. `rails`: every rail that the file mentions."""
    if form.baseline is not UNSET:
        for what in _wrong(form.baseline, form, rails):
            yield problem("profile-baseline", file=file, what=what)


def _wrong(baseline: BaselineForm, form: ProfileForm, rails: frozenset[str]) -> Iterator[str]:
    lanes = {lane for site in form.site for link in site.links for lane in link.lanes}
    for number, eye in enumerate(baseline.eyes, 1):
        yield from (f"eye number {number}: {what}" for what in _wrong_eye(eye, lanes))
    for slope in baseline.slopes:
        if slope.step not in STEPS:
            yield f"slope {slope.step}: {_no_step(slope.step)}"
    for rail in baseline.rails:
        if rail.rail not in rails:
            yield f'rail "{rail.rail}": no [[rail]] has that name{nearest(rail.rail, rails)}'
    yield from _twice(baseline)


def _wrong_eye(eye: EyeForm, lanes: set[int]) -> Iterator[str]:
    if eye.step not in STEPS:
        yield _no_step(eye.step)
    if eye.unit not in _UNITS[eye.what]:
        yield f"a {eye.what} is not in {eye.unit} (one of {', '.join(_UNITS[eye.what])})"
    elif eye.centre > _MOST.get(eye.unit, eye.centre):
        yield f"centre {eye.centre:g} {eye.unit} is more than the {_MOST[eye.unit]:g} there are"
    if eye.lane is not UNSET and eye.lane not in lanes:
        yield f"no link of the profile has lane {eye.lane}"


def _no_step(step: str) -> str:
    return f'there is no step "{step}"{nearest(step, STEPS)}'


def _twice(baseline: BaselineForm) -> Iterator[str]:
    for what, entries in (
        ("eye", [(e.what, e.unit, e.step, e.lane) for e in baseline.eyes]),
        ("slope", [(s.step,) for s in baseline.slopes]),
        ("rail", [(r.rail,) for r in baseline.rails]),
    ):
        for entry, times in Counter(entries).items():
            if times > 1:
                said = " ".join(str(word) for word in entry if word is not UNSET)
                yield f"{what} {said} stands {times} times"


def baseline(form: BaselineForm) -> Baseline:
    """The plain `Baseline` of a form that passed its checks."""
    return Baseline(
        form.boards,
        tuple(
            HealthyEye(
                e.what, e.unit, e.step, None if e.lane is UNSET else e.lane, e.centre, e.spread
            )
            for e in form.eyes
        ),
        tuple(HealthySlope(s.step, s.taps, s.spread) for s in form.slopes),
        tuple(HealthyRail(r.rail, r.ohms, r.spread) for r in form.rails),
        None if form.error_floor is UNSET else form.error_floor,
    )
