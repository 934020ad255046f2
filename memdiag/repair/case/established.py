"""The faults that the runs of a repair establish together, and what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from memdiag.model import WANTS_WORK, Cause, Finding, Verdict
from memdiag.model.case import Established
from memdiag.repair.case.joint import Joint
from memdiag.repair.case.parts import Step, Whereabouts
from memdiag.repair.case.suspects import Who, now_at, who


def established(
    joint: Joint, verdicts: Sequence[Verdict], done: Sequence[Step], where: Whereabouts
) -> tuple[Established, ...]:
    """`verdicts`: the board as it was in each run, from all runs. In the order in which they were
    first there; what a run declares itself, and what is only disturbed, is none."""
    seen: dict[Who, list[tuple[int, Finding]]] = {}
    for run, verdict in enumerate(verdicts):
        present = _present(joint, run)
        for f in verdict.findings:
            if f.expected or f.cause is Cause.SPILLOVER or f.action not in WANTS_WORK:
                continue
            one = _who(f, run, present, where)
            if one is not None:
                seen.setdefault(one, []).append((run, f))
    out = []
    for one, times in seen.items():
        first, (last, finding) = times[0][0], times[-1]
        cured = _cured_by(now_at(one, last, where).site, last, len(verdicts), where)
        runs = [run for run, _ in times]
        out.append(Established(finding, first, cured, _says(one, runs, cured, done, where)))
    return tuple(sorted(out, key=lambda e: (e.since, -e.finding.probability)))


def _cured_by(site: str | None, last: int, runs: int, where: Whereabouts) -> int | None:
    """The first run after the last that shows it in which a package sits there again; where none
    does, the one it came off for. None where no run came after."""
    later = range(last + 1, runs)
    fitted = (run for run in later if site is None or site in where.packages[run])
    return next(fitted, next(iter(later), None))


def _present(joint: Joint, run: int) -> dict[Who, float]:
    """How probable it is that each suspect is at fault in a run."""
    out: dict[Who, float] = {}
    for key, p in joint.marginals(run).items():
        one = who(joint.keys[key])
        if one is not None:
            out[one] = max(out.get(one, 0.0), p)
    return out


def _who(f: Finding, run: int, present: dict[Who, float], where: Whereabouts) -> Who | None:
    """The suspect that a finding speaks of: the likeliest of its cause at its place."""
    here = [
        one
        for one in present
        if (f.cause in (one.cause, Cause.UNDECIDED))
        and _is_at(f, now_at(one, run, where).site, one)
    ]
    return max(here, key=lambda one: present[one], default=None)


def _is_at(f: Finding, site: str | None, one: Who) -> bool:
    if f.one_of:
        return site in f.one_of
    if f.place.site is not None:
        return site == f.place.site or (site is None and one.place.site is None)
    return site is None


def _says(
    one: Who, runs: Sequence[int], cured: int | None, done: Sequence[Step], where: Whereabouts
) -> str:
    """What became of it, by the work of the steps and where it was in each run."""
    sites = [now_at(one, run, where).site for run in runs]
    parts = []
    if len(set(sites)) > 1:
        parts.append(f"it followed the package from {sites[0]} to {sites[-1]}")
    gaps = [b for a, b in pairwise(runs) if b > a + 1]
    if gaps and not any(_off(sites[0], run, where) for run in range(runs[0], gaps[0])):
        parts.append(f"it came back in run {gaps[0] + 1}")
    site = sites[-1]
    worked = [n for n in range(runs[0] + 1, runs[-1] + 1) if _new_package(site, done[n])]
    if worked and len(set(sites)) == 1:
        parts.append(f"it stayed at {site} with another package: joint, trace or controller")
    if cured is not None:
        parts.append(_cure(site, done[cured]))
    return "; ".join(parts) or "still there"


def _off(site: str | None, run: int, where: Whereabouts) -> bool:
    return site is not None and site not in where.packages[run]


def _new_package(site: str | None, step: Step) -> bool:
    work = step.work
    return (
        site in work.replaced or site in work.fitted or any(site in pair for pair in work.swapped)
    )


def _cure(site: str | None, step: Step) -> str:
    if site is not None and _new_package(site, step):
        return f"gone with the new package at {site}"
    if site in step.taken:
        return f"gone with the package of {site}, which is off"
    if site in step.work.reflowed:
        return f"gone after {site} was only reflowed: a joint, which may open again"
    if step.parts:
        return f"gone with the work on {_named(step)}: it was that part"
    if step.done:
        return "gone, though the work that is told of was elsewhere"
    return "gone, and no head tells of work on it"


def _named(step: Step) -> str:
    return ", ".join(dict.fromkeys(name for _, name in step.parts))
