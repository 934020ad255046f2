"""Did the fault follow the part? What was done between two runs, and what its effect points to.

A fault that moved with the package is in the package. One that stayed with the site is in its
joints, its traces or the controller. One that went away when only the joints were made anew was
in a joint, and may come back: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from memdiag.model import Run

PACKAGE, JOINT, SITE = "package", "joint", "joint, trace or controller"


class Work(Struct, frozen=True):
    """What was done between the two runs, as the heads of the later ones declare it.
    `off`: sites empty on purpose in the after-run; `fitted`: sites that were so before."""

    swapped: tuple[tuple[str, str], ...] = ()
    replaced: frozenset[str] = frozenset()
    reflowed: frozenset[str] = frozenset()
    off: frozenset[str] = frozenset()
    fitted: frozenset[str] = frozenset()

    def destination(self, site: str) -> str | None:
        """Where the package that sat at `site` went; None where it was not swapped."""
        return dict(self.swapped).get(site)

    def at(self, site: str) -> str:
        """What was done at a site, in a word or two; empty where nothing was declared."""
        done = []
        if site in self.fitted:
            done.append("fitted")
        if site in self.replaced:
            done.append("replaced")
        if any(site in pair for pair in self.swapped):
            done.append("swapped")
        if site in self.reflowed:
            done.append("reflowed")
        if site in self.off:
            done.append("taken off")
        return " and ".join(done)


def work_between(before: Run, after: Run, between: Sequence[Run] = ()) -> Work:
    """The work declared by the runs after the first, less what the first declared itself."""
    old = before.head
    heads = [run.head for run in (*between, after)]

    def sites(name: str) -> frozenset[str]:
        done = {s for head in heads for s in getattr(head, name) or ()}
        return frozenset(done - set(getattr(old, name) or ()))

    moves = [move for head in heads for move in head.swapped or ()]
    swapped = tuple(dict.fromkeys(m for m in moves if m not in (old.swapped or ())))
    off = frozenset(after.head.removed or ())
    return Work(
        swapped, sites("replaced"), sites("reflowed"), off, frozenset(old.removed or ()) - off
    )


class Follow(Struct, frozen=True):
    """What following the part says. `kind`: followed, stayed, gone, spread (both places now) or
    unclear. `comes_back`: a joint made anew may open again."""

    kind: str
    says: str
    points_to: str | None = None
    comes_back: bool = False


def follow(
    site: str,
    work: Work,
    *,
    faulty: bool,
    faulty_before: frozenset[str],
    faulty_after: frozenset[str],
    measured: frozenset[str],
) -> Follow | None:
    """What became of the fault that was at `site`. `faulty`: it is still there; the sets hold
    the sites with a fault of their own; `measured` those the after-run tested. None where
    nothing was done there that would tell."""
    dest = work.destination(site)
    if dest is not None and dest != site:
        return _swapped(
            site, dest, faulty, before=faulty_before, after=faulty_after, measured=measured
        )
    if site in work.replaced:
        if faulty:
            return Follow("stayed", f"{site} fails with a new package too", SITE)
        return Follow("gone", f"gone with the new package at {site}", PACKAGE)
    if site in work.reflowed:
        if faulty:
            return Follow("stayed", f"reflowing {site} did not help: no joint that heat mends")
        return Follow(
            "gone", f"gone after {site} was only reflowed: a joint", JOINT, comes_back=True
        )
    return None


def _swapped(
    site: str,
    dest: str,
    faulty: bool,
    *,
    before: frozenset[str],
    after: frozenset[str],
    measured: frozenset[str],
) -> Follow:
    there, tested = dest in after, dest in measured
    outcomes = (
        (
            dest in before and (faulty or there),
            Follow("unclear", f"{site} and {dest} both failed before the swap: it says little"),
        ),
        (
            there and not faulty,
            Follow("followed", f"the fault followed the package from {site} to {dest}", PACKAGE),
        ),
        (
            there,
            Follow(
                "spread",
                f"{site} still fails, and now {dest} too: the swap itself may have done harm",
            ),
        ),
        (
            faulty and not tested,
            Follow("unclear", f"{site} still fails, but {dest} was not tested after the swap"),
        ),
        (
            faulty,
            Follow("stayed", f"the fault stayed at {site}; its old package works at {dest}", SITE),
        ),
        (not tested, Follow("unclear", f"the package of {site} was not tested at {dest}")),
        (
            True,
            Follow(
                "gone",
                f"gone at {site} and not at {dest}: making the joints anew mended it",
                JOINT,
                comes_back=True,
            ),
        ),
    )
    return next(told for holds, told in outcomes if holds)
