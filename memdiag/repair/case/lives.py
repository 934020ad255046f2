"""Faults over the runs of a repair: where each sits in every run, and what may have ended it.

A fault of a package goes where the package goes and is gone with it; one of the joints stays below
the site until they are made anew, and heat may cure it or only seem to; one of the board persists.
Each way a fault may go is a life of it, with its share.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import Enum, auto

from msgspec import Struct
from msgspec.structs import replace

from memdiag.diagnosis import history
from memdiag.diagnosis.candidate import Candidate
from memdiag.diagnosis.faults.mechanism import Mechanism
from memdiag.diagnosis.faults.missing import UNDRIVEN
from memdiag.diagnosis.settings import Settings
from memdiag.model import Cause, Place
from memdiag.model.figures import Table
from memdiag.repair.case.parts import Part, Step, Whereabouts

_F = Table("Over the runs of a repair")
CURED = _F.practice("reflow cures", 0.6, "share of bad joints that a reflow mends")
SILENT_JOINTS, SILENT_SITE = (
    _F.practice(name, share, f"share of silent packages where {what}")
    for name, share, what in (
        ("silent joints", 0.4, "it is their joints"),
        ("silent site", 0.02, "it is the trace to the site, or what drives it"),
    )
)
NOT_TAKEN = _F.practice("not taken", 0.03, "share of new packages that the solder did not take")
RETURNS = _F.practice("comes back", 0.12, "share of joints mended by heat alone that open again")
PUT_BACK = _F.practice(
    "put back", 0.3, "share of packages fitted without a word of a new one that are the old one"
)
BY_ITSELF = _F.practice(
    "by itself", 0.02, "how much of a prior comes between two runs where nothing was done"
)
HEATED = _F.practice("heated", 0.25, "the same of a joint or package that was heated in between")


UNSAID, UNSAID_BESIDE = (
    _F.practice(name, share, f"share of faults that were mended before a run {says}")
    for name, share, says in (
        ("unsaid work", 0.5, "whose head says nothing of any work"),
        ("unsaid work beside", 0.02, "though its head tells of other work only"),
    )
)
PART = _F.practice("part", 0.5, "share of bad rails that work on a part named by the bench mends")
PASSES = _F.practice("passes", 0.5, "share of what nothing explains that one run alone shows")


class Carrier(Enum):
    """What a fault goes with."""

    PACKAGE = auto()
    JOINT = auto()
    BOARD = auto()


_CARRIER: dict[history.Factors, Carrier] = {
    history.of_package: Carrier.PACKAGE,
    history.of_joint: Carrier.JOINT,
}


def ways(mechanism: Mechanism, worked: bool) -> Iterator[tuple[Carrier, float, Mechanism]]:
    """What a fault may go with, each with its share of the odds and as what it is known then. No
    answer of a package looks alike whether it is dead, not soldered down or not driven: what was
    done to it tells, where its site was `worked` on."""
    if mechanism.cause is not Cause.MISSING:
        yield _CARRIER.get(mechanism.history, Carrier.BOARD), 1.0, mechanism
        return
    site = SILENT_SITE if worked else 0.0
    yield Carrier.PACKAGE, 1 - SILENT_JOINTS - site, mechanism
    yield Carrier.JOINT, SILENT_JOINTS, mechanism
    if site:
        yield Carrier.BOARD, site, UNDRIVEN


class Key(Struct, frozen=True):
    """One fault that could be. `part`: the package or joints that carry it, None where that is the
    board; `place` without its site where a package carries it, for that moves."""

    mechanism: Mechanism
    carrier: Carrier
    part: Part | None
    place: Place
    sites: frozenset[str]
    along: tuple[str, ...] = ()


class Life(Struct, frozen=True):
    """One way a fault may go: the runs in which it is there, and its odds before any was read."""

    key: int
    born: int
    there: tuple[bool, ...]
    odds: float


def keys_of(candidate: Candidate, run: int, where: Whereabouts) -> Iterator[tuple[Key, float]]:
    """The faults that a candidate of a run may be, each with its share of the odds; none where it
    sits on a package that is not there."""
    place = candidate.place
    worked = not where.worked.isdisjoint(candidate.sites)
    for kind, share, m in ways(candidate.mechanism, worked):
        if kind is Carrier.BOARD:
            yield Key(m, kind, None, place, candidate.sites, candidate.along), share
            continue
        (ref,) = candidate.sites
        parts = where.packages if kind is Carrier.PACKAGE else where.joints
        part = parts[run].get(ref)
        if part is None:
            continue
        if kind is Carrier.PACKAGE:
            named = place.site is not None
            at = replace(place, site="" if named else None)
            yield Key(m, kind, part, at, frozenset(), ()), share
        else:
            yield Key(m, kind, part, place, candidate.sites, candidate.along), share


def placed(key: Key, run: int, where: Whereabouts) -> Candidate | None:
    """The fault as a candidate of a run; None where what carries it is not there."""
    place, sites = key.place, key.sites
    if key.part is not None and key.carrier is Carrier.PACKAGE:
        ref = where.site_of(key.part, run) or _returned(key.part, run, where)
        if ref is None:
            return None
        sites = frozenset({ref})
        place = replace(place, site=ref if place.site is not None else None)
    elif key.part is not None and where.joints[run].get(key.part.site) != key.part:
        return None
    return Candidate(key.mechanism, place, sites, 1.0, along=key.along)


def _returned(part: Part, run: int, where: Whereabouts) -> str | None:
    back = where.returns.get(part)
    return back[1] if back is not None and run >= back[0] else None


class Lives(Struct, frozen=True):
    """Lists the lives of faults over the runs of a repair."""

    done: Sequence[Step]
    where: Whereabouts
    settings: Settings

    def of(self, number: int, key: Key, odds: float, seen: Sequence[bool]) -> Iterator[Life]:
        """Every life of a fault. `odds`: those of a board of which nothing is known; `seen`: the
        runs in which something speaks for it, and nothing makes it hopeless."""
        first = key.part.since if key.part is not None else 0
        for born in range(first, len(self.done)):
            if born > first and not (seen[born] and not all(seen[first:born])):
                continue  # nothing speaks for its coming just then
            begun = self._begun(key, born, odds, born == first)
            for there, share in self._ways(key, born).items():
                if any(there) and begun * share > 0:
                    yield Life(number, born, there, begun * share)

    def _begun(self, key: Key, born: int, odds: float, at_first: bool) -> float:
        """Its odds by when it came."""
        stages = self.settings.stages
        if at_first:
            new = key.part is not None and key.part.since > 0
            if not new:
                return odds
            if key.carrier is Carrier.PACKAGE:
                return odds * stages.replaced_package
            silent = key.mechanism.cause is Cause.MISSING
            return NOT_TAKEN if silent else odds * stages.replaced_joint
        site = None if key.part is None else self.where.site_of(key.part, born) or key.part.site
        if site in self.done[born].heated:
            return odds * HEATED
        if key.part is not None and not self.done[born].done:
            return odds * UNSAID * HEATED
        return odds * BY_ITSELF

    def _ways(self, key: Key, born: int) -> Mapping[tuple[bool, ...], float]:
        """In which runs it is there, each way with its share."""
        runs = len(self.done)
        if key.mechanism.unknown:
            stays = tuple(r >= born for r in range(runs))
            return {stays: 1 - PASSES} | {tuple(r == born for r in range(runs)): PASSES}
        ways = {(False,) * born + (True,): (1.0, False)}  # there so far -> (share, asleep)
        for run in range(born + 1, runs):
            more: dict[tuple[bool, ...], tuple[float, bool]] = {}
            for there, (share, asleep) in ways.items():
                for now, sleeps, part in self._next(key, run, asleep, there[-1]):
                    if part > 0:
                        more[(*there, now)] = (
                            more.get((*there, now), (0.0, False))[0] + share * part,
                            sleeps,
                        )
            ways = more
        return {there: share for there, (share, _) in ways.items()}

    def _next(
        self, key: Key, run: int, asleep: bool, there: bool
    ) -> Iterator[tuple[bool, bool, float]]:
        """(whether it is there, whether it may come back, share) after the work before a run."""
        on_board, share = self._carried(key, run)
        if not on_board:
            yield False, False, 1.0
            return
        if share < 1:
            yield False, False, 1 - share
        if asleep:
            yield True, False, RETURNS * share
            yield False, False, (1 - RETURNS) * share
        elif there or share < 1:
            cured = self._cured(key, run)
            yield False, cured == CURED, cured * share
            yield True, False, (1 - cured) * share
        else:
            yield False, False, share

    def _carried(self, key: Key, run: int) -> tuple[bool, float]:
        """Whether what carries it is on the board, and how surely."""
        if key.part is None:
            return True, 1.0
        if key.carrier is Carrier.JOINT:
            return self.where.joints[run].get(key.part.site) == key.part, 1.0
        if self.where.site_of(key.part, run) is not None:
            return True, 1.0
        back = self.where.returns.get(key.part)
        if back is None or run < back[0]:
            return False, 1.0
        return True, PUT_BACK if run == back[0] else 1.0

    def _cured(self, key: Key, run: int) -> float:
        """How probably the work before a run mended it, said or not."""
        unsaid = UNSAID_BESIDE if self.done[run].done else UNSAID
        if key.part is None:
            worked = key.mechanism.cause is Cause.SUPPLY and self.done[run].parts
            return PART if worked else unsaid
        site = self.where.site_of(key.part, run) or key.part.site
        if site not in self.done[run].work.reflowed:
            return unsaid
        return CURED if key.carrier is Carrier.JOINT else unsaid
