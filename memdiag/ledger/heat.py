"""Heat, counted: what the work of a ticket put a site and its neighbours through.

A `removed` is one heat cycle at its site, a `reflowed` one, a `replaced` two (the old package off,
the new one on), or one where the site was empty already; a swap is two for each package. The
package's own count begins anew with a new package, and goes along with one that is moved. Whatever
is heated heats what is beside it and behind it.

What a run declares was done since the run before. Two kinds of declaration repeat an older one: a
site that stays `removed`, and a `final` run that says again what the one before it said. Any other
repetition is counted, for a cycle too many in the count hurts nobody.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from memdiag.model import Board
from memdiag.model.ledger import Beside, SiteHeat
from memdiag.model.nearness import nearby

LIMIT = 3
"""Reflows in a package's life (J-STD-020, classification of packages by reflow: three passes)."""

FACTORY = 1
"""Passes that a package which came with the board has had: at least the one that soldered it on
(common practice, no source; two for the side that went through first)."""


class Step(Struct, frozen=True):
    """What one run declares; `key` is whatever tells it from the others."""

    key: int
    stage: str | None = None
    removed: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()
    reflowed: tuple[str, ...] = ()
    swapped: tuple[tuple[str, str], ...] = ()


class Heating(Struct, frozen=True):
    """One work of the step `key` and one site that it heated; `total` are the cycles of the package
    that sits there afterwards, on this ticket; `fresh`: this ticket fitted it; `gap` is in mm."""

    key: int
    action: str
    worked_at: str
    site: str
    own: bool
    cycles: int
    total: int
    fresh: bool
    gap: float | None = None


class _Package(Struct, frozen=True):
    """A package as far as this ticket knows it: its cycles, and whether the ticket fitted it."""

    cycles: int = 0
    fresh: bool = False

    def heated(self, cycles: int) -> _Package:
        return replace(self, cycles=self.cycles + cycles)


class _Work(Struct, frozen=True):
    """`package` is what sits at the site afterwards; `cycles` those of the site."""

    action: str
    site: str
    cycles: int
    package: _Package


def heatings(steps: Sequence[Step], board: Board | None) -> Iterator[Heating]:
    """Every work of the steps, in order, and after each the neighbours that it heated."""
    now: dict[str, _Package] = {}
    empty: frozenset[str] = frozenset()
    before = Step(-1)
    for step in steps:
        for work in _works(step, before, empty, now):
            now[work.site] = work.package
            for ref, apart, _ in ((work.site, 0.0, False), *nearby(board, work.site)):
                there = now.get(ref, _Package())
                yield Heating(
                    step.key,
                    work.action,
                    work.site,
                    ref,
                    ref == work.site,
                    work.cycles,
                    there.cycles,
                    there.fresh,
                    apart,
                )
        empty, before = frozenset(step.removed), step


def _works(
    step: Step, before: Step, empty: frozenset[str], now: dict[str, _Package]
) -> Iterator[_Work]:
    """What was done since the run before. `now` changes as they are taken."""
    again = before if step.stage == "final" else Step(-1)
    unmoved, none = dict(now), _Package()
    for old, new in step.swapped:
        if (old, new) not in again.swapped:
            moved = unmoved.get(old, none).heated(2)
            yield _Work("swapped", new, 1 if new in empty else 2, moved)
    for site in step.removed:
        if site not in empty:
            yield _Work("removed", site, 1, now.get(site, none).heated(1))
    for site in step.replaced:
        if site not in again.replaced:
            yield _Work("replaced", site, 1 if site in empty else 2, _Package(1, fresh=True))
    for site in step.reflowed:
        if site not in again.reflowed:
            yield _Work("reflowed", site, 1, now.get(site, none).heated(1))


def counted(steps: Sequence[Step], board: Board | None) -> tuple[SiteHeat, ...]:
    """Each site that was worked on or heated, those with the most reflows first."""
    own: dict[str, int] = {}
    fresh: set[str] = set()
    beside: dict[str, dict[str, tuple[int, float | None]]] = {}
    for one in heatings(steps, board):
        if one.own:
            own[one.site] = one.total
            beside.setdefault(one.site, {})
            (fresh.add if one.fresh else fresh.discard)(one.site)
            if one.action == "replaced":
                beside[one.site] = {}  # the new package was not there before
            continue
        cycles, _ = beside.setdefault(one.site, {}).get(one.worked_at, (0, None))
        beside[one.site][one.worked_at] = (cycles + one.cycles, one.gap)
    made = [
        SiteHeat(
            site,
            own.get(site, 0),
            0 if site in fresh else FACTORY,
            tuple(
                Beside(by, cycles, gap_, _is_behind(board, site, by))
                for by, (cycles, gap_) in near.items()
            ),
        )
        for site, near in beside.items()
    ]
    return tuple(sorted(made, key=lambda h: (-h.life, -h.own, -h.exposed, h.site)))


def _is_behind(board: Board | None, site: str, other: str) -> bool:
    one, two = (None, None) if board is None else (board.site(site), board.site(other))
    return one is not None and two is not None and one.side != two.side


def warnings(heat: Sequence[SiteHeat], board: Board | None) -> tuple[str, ...]:
    """What is to be said before the next heat: packages whose next reflow is past the limit, with
    what lies near them, and packages that much hot air has passed by."""
    said = []
    for one in heat:
        if one.own and one.life >= LIMIT:
            said.append(_spent(one, board))
        elif one.exposed and one.own + one.exposed >= LIMIT:
            said.append(_near_heat(one))
    return tuple(said)


def _spent(one: SiteHeat, board: Board | None) -> str:
    factory = f" and {one.factory} at least in the factory" if one.factory else ""
    near = [f"{site} {_apart(gap_, back=back)}" for site, gap_, back in nearby(board, one.site)[:3]]
    beside = f"; it heats its neighbours too: {', '.join(near)}" if near else ""
    return (
        f"heat: the package at {one.site} has had {_cycles(one.own)} on this ticket{factory}: "
        f"the next is its {_ordinal(one.life + 1)}, and a package's life has {LIMIT} "
        f"(J-STD-020){beside}"
    )


def _near_heat(one: SiteHeat) -> str:
    near = ", ".join(f"{b.site} {_apart(b.gap, back=b.back)}" for b in one.beside)
    own = f"{_cycles(one.own)} of its own and " if one.own else ""
    return (
        f"heat: the package at {one.site} has had {own}{_cycles(one.exposed)} beside it "
        f"(from {near}): shield it, and keep it at or below 200 C (J-STD-033)"
    )


def _apart(gap_: float | None, *, back: bool) -> str:
    if back and not gap_:
        return "back to back"
    distance = "at a distance the profile does not say" if gap_ is None else f"{gap_:.1f} mm away"
    return f"{distance} on the other side" if back else distance


def _cycles(n: int) -> str:
    return f"{n} heat cycle{'s' * (n != 1)}"


def _ordinal(n: int) -> str:
    word = {1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}.get(n)
    return word or f"number {n}"
