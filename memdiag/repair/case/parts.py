"""Where each package of a repair was in each run, and how old the joints below it were.

A package is known by the site and the run where it was first seen, as its joints are: a package
that is taken off takes its own faults with it and leaves the site silent, a new one brings new
joints, and one that is swapped carries its faults to its new site and leaves those of the site
behind.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from msgspec import Struct, field

from memdiag.model import Board, Run
from memdiag.repair.part_swaps import Work, work_between


class Part(NamedTuple):
    """A package, or the joints below one: where and in which run it was first there."""

    site: str
    since: int


class Step(Struct, frozen=True):
    """What was done before a run. `taken`: sites whose package came off for this run; `back`: sites
    that were empty before it, where no new package is declared; `parts`: what was done to parts
    that are no packages."""

    work: Work
    taken: frozenset[str] = frozenset()
    back: frozenset[str] = frozenset()
    parts: tuple[tuple[str, str], ...] = ()

    @property
    def heated(self) -> frozenset[str]:
        """The sites that hot air was on."""
        work = self.work
        moved = {site for pair in work.swapped for site in pair}
        return work.replaced | work.reflowed | work.fitted | self.taken | moved

    @property
    def done(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """(action, sites) in the order of the work; of a swap `U3>U5`."""
        fitted = self.work.fitted - self.work.replaced
        each = (
            ("removed", [*sorted(self.taken), *self._parts("removed")]),
            ("replaced", [*sorted(self.work.replaced), *self._parts("replaced")]),
            ("fitted", [*sorted(fitted), *self._parts("fitted")]),
            ("swapped", [f"{a}>{b}" for a, b in self.work.swapped]),
            ("reflowed", [*sorted(self.work.reflowed), *self._parts("reflowed")]),
        )
        return tuple((action, tuple(sites)) for action, sites in each if sites)

    def _parts(self, action: str) -> list[str]:
        return [f"part:{name}" for done, name in self.parts if done == action]


def steps(runs: Sequence[Run]) -> tuple[Step, ...]:
    """What was done before each run, as its head declares it beyond that of the run before it. A
    site that the first one names was worked on before any run was seen."""
    found = [Step(Work())]
    for before, after in pairwise(runs):
        work = work_between(before, after)
        taken = work.off - frozenset(before.head.removed or ())
        parts = tuple(_parts_between(before, after))
        found.append(Step(work, taken, work.fitted - work.replaced, parts))
    return tuple(found)


def _parts_between(before: Run, after: Run) -> Iterator[tuple[str, str]]:
    """(action, part) of what is no package."""
    for action in ("removed", "replaced", "reflowed"):
        was = set(getattr(before.head, f"{action}_parts"))
        now = getattr(after.head, f"{action}_parts")
        yield from ((action, name) for name in now if name not in was)
        if action == "removed":
            yield from (("fitted", name) for name in sorted(was - set(now)))


class Whereabouts(Struct):
    """By run: which package sits at each site, which joints are below it, and where each package
    is. A package that was put back, or another fitted in its place, is told by `returns`."""

    packages: list[dict[str, Part]] = field(default_factory=list)
    joints: list[dict[str, Part]] = field(default_factory=list)
    returns: dict[Part, tuple[int, str]] = field(default_factory=dict)
    """A package that may have been put back: in which run, and where."""
    worked: frozenset[str] = frozenset()
    """Sites that were heated with a package on them, or fitted with one."""

    def site_of(self, part: Part, run: int) -> str | None:
        """Where a package is in a run; None where it is not on the board."""
        return next((ref for ref, p in self.packages[run].items() if p == part), None)


def follow(board: Board, runs: Sequence[Run], done: Sequence[Step]) -> Whereabouts:
    """Where everything is in each run."""
    refs = [site.ref for site in board.sites]
    out = Whereabouts(worked=frozenset[str]().union(*(s.heated - s.taken for s in done)))
    off = frozenset(runs[0].head.removed or ())
    packages = {ref: Part(ref, 0) for ref in refs if ref not in off}
    joints = dict(packages)
    removed: dict[str, Part] = {}
    out.packages.append(packages)
    out.joints.append(joints)
    for run, step in enumerate(done[1:], start=1):
        packages, joints = dict(packages), dict(joints)
        moved = {b: packages[a] for a, b in step.work.swapped if a in packages}
        # A site whose package went elsewhere holds one that nobody told of.
        for a, _ in step.work.swapped:
            packages[a] = Part(a, run)
        packages |= moved
        touched = {site for pair in step.work.swapped for site in pair}
        joints |= {ref: Part(ref, run) for ref in touched}
        for ref in step.taken:
            if ref in packages:
                removed[ref] = packages.pop(ref)
            joints.pop(ref, None)
        for ref in (*step.work.replaced, *step.work.fitted):
            packages[ref] = joints[ref] = Part(ref, run)
            if ref in step.back and ref in removed:
                out.returns[removed[ref]] = (run, ref)
        out.packages.append(packages)
        out.joints.append(joints)
    return out
