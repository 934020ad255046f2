"""The `[baseline]` of a profile: what its entries must satisfy together, and what it becomes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator

from msgspec import UNSET

from memdiag.boards.baseline_form import BaselineForm, EyeForm
from memdiag.boards.profile_fill import nearest
from memdiag.boards.profile_form import ProfileForm
from memdiag.boards.whereabouts import Whereabouts
from memdiag.model import STEPS, Baseline, HealthyEye, HealthyRail, HealthySlope, Site
from memdiag.model.problems import Problem, problem
from memdiag.model.toml_places import Path

_UNITS = {"width": ("UI", "s", "%", "tap"), "height": ("V", "%", "tap")}
_MOST = {"UI": 1.0, "%": 100.0}
"""No eye is wider than the unit interval, or higher than what it is a share of."""


def examine(form: ProfileForm, sites: Iterable[Site], names: Whereabouts) -> Iterator[Problem]:
    """All problems of a filled form's baseline."""
    if form.baseline is not UNSET:
        lanes = {link.lane for site in sites for link in site.links}
        for path, what in _wrong(form.baseline, lanes, names.rails):
            at = names.at("baseline", *path)
            yield problem("profile-baseline", at, file=names.file, what=what)


def _wrong(
    baseline: BaselineForm, lanes: Collection[int | None], rails: Collection[str]
) -> Iterator[tuple[Path, str]]:
    for number, eye in enumerate(baseline.eyes):
        for what in _wrong_eye(eye, lanes):
            yield ("eyes", number), f"eye number {number + 1}: {what}"
    for number, slope in enumerate(baseline.slopes):
        if slope.step not in STEPS:
            yield ("slopes", number), f"slope {slope.step}: {_no_step(slope.step)}"
    for number, rail in enumerate(baseline.rails):
        if rail.rail not in rails:
            near = nearest(rail.rail, rails)
            yield ("rails", number), f'rail "{rail.rail}": no [[rail]] has that name{near}'
    yield from _twice(baseline)


def _wrong_eye(eye: EyeForm, lanes: Collection[int | None]) -> Iterator[str]:
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


def _twice(baseline: BaselineForm) -> Iterator[tuple[Path, str]]:
    for what, entries in (
        ("eye", [(e.what, e.unit, e.step, e.lane) for e in baseline.eyes]),
        ("slope", [(s.step,) for s in baseline.slopes]),
        ("rail", [(r.rail,) for r in baseline.rails]),
    ):
        for entry, times in Counter(entries).items():
            if times > 1:
                said = " ".join(str(word) for word in entry if word is not UNSET)
                yield (f"{what}s",), f"{what} {said} stands {times} times"


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
