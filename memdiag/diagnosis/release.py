"""Whether a board may be released: the one place where that is decided.

A release is a claim about every link of the board, so each needs a measurement, every failing
result an explanation, and every line of the dump a meaning. Each rule yields what stands in the
way, where, and what would settle it; only where none does, and no fault is too probable, a board
is called clear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from msgspec import Struct

from memdiag.diagnosis import wording
from memdiag.diagnosis.basis import Basis
from memdiag.evidence import coverage
from memdiag.evidence.gathered import ThinEye
from memdiag.evidence.measurements import StepOutcome
from memdiag.model import (
    FAILED,
    WANTS_WORK,
    Finding,
    Lost,
    Obstacle,
    ObstacleKind,
    Place,
    Release,
    Result,
)
from memdiag.model.quantities import show_count, show_probability, show_rate
from memdiag.model.table import TableRow

PROVEN = 5
"""Errors that are more than a stray upset or two."""

MOST_NAMED = 4
"""Places or lines that one sentence names."""


class Case(Struct, frozen=True):
    """What the rules are asked about."""

    basis: Basis
    findings: Sequence[Finding]
    rows: Sequence[TableRow]
    unheard: tuple[Place, ...]
    told: tuple[Finding, ...]
    """The findings that want work."""
    unheard_of: Mapping[str | None, Sequence[Place]]
    """The links not measured, by site."""

    def is_told(self, place: Place) -> bool:
        """Whether a finding that wants work speaks of the place, so that it is told already."""
        board = self.basis.board
        return any(f.place.speaks_of(place, board) for f in self.told)

    def is_unheard(self, place: Place) -> bool:
        """Whether a part of the place was not measured at all, so that this is told."""
        near = self.unheard if place.site is None else self.unheard_of.get(place.site, ())
        return any(place.covers(link) for link in near)


Rule = Callable[[Case], Iterator[Obstacle]]


def release(basis: Basis, findings: Sequence[Finding], rows: Sequence[TableRow]) -> Release:
    """What stands in the way of a release, gravest first. What a finding tells is not repeated."""
    unheard = coverage.unheard(basis.measured)
    told = tuple(f for f in findings if f.action in WANTS_WORK)
    by_site: dict[str | None, list[Place]] = {}
    for link in unheard:
        by_site.setdefault(link.site, []).append(link)
    case = Case(basis, findings, rows, unheard, told, by_site)
    return Release(tuple(o for rule in RULES for o in rule(case)), unheard)


# -- the rules ----------------------------------------------------------------------------------


def _failed_steps(case: Case) -> Iterator[Obstacle]:
    """An explicit failure in the last attempt of a step, unless its place is empty on purpose or
    the rig fails that step on every board."""
    measured = case.basis.measured
    off, habits = frozenset(measured.run.head.removed or ()), coverage.habits(measured, proven=True)
    for group in measured:
        bad = [o for o in group.steps if o.step not in habits and _failed(o)]
        owners = set(group.place.sites(measured.board))
        if bad and not (owners and owners <= off) and not case.is_told(group.place):
            yield _of_failed(group.place, bad, case)


def _failed(outcome: StepOutcome) -> bool:
    return not FAILED.isdisjoint((outcome.last, outcome.ran))


def _of_failed(place: Place, bad: Sequence[StepOutcome], case: Case) -> Obstacle:
    first = bad[0]
    word = next(r for r in (first.last, first.ran) if r in FAILED)
    steps = " and ".join(dict.fromkeys(o.step for o in bad))
    says = f"line {first.line} says {word} at {place} ({first.step})"
    if len(bad) > 1:
        says += f", and {len(bad) - 1} more there"
    settle = f"run {steps} of {place} again{_beside(place, case)}"
    return Obstacle(ObstacleKind.FAILED, says, settle, (place,), tuple(o.line for o in bad))


def _beside(place: Place, case: Case) -> str:
    """What speaks against a failure, where bits were compared there without an error."""
    here = [r for r in case.rows if r.place == place and r.bits and r.errors == 0]
    return f": {show_count(here[0].bits or 0)} bits ran clean there" if here else ""


def _not_understood(case: Case) -> Iterator[Obstacle]:
    """Rows, cells and lines that may have held a result, by what they are known to speak of."""
    run = case.basis.run
    by_place: dict[Place | None, list[Lost]] = {}
    for lost in run.lost:
        by_place.setdefault(_known(lost.place, case), []).append(lost)
    off = frozenset(run.head.removed or ())
    told = 0
    for place, found in by_place.items():
        lines = tuple(dict.fromkeys(lost.position.line for lost in found))
        told += len(lines)
        if place is not None and place.site in off:
            continue
        at = wording.lines(lines)
        more = f", and {len(found) - 1} more" if len(found) > 1 else ""
        says = f"{at}{f', {place},' if place else ''} not understood: {found[0].says}{more}"
        settle = f"correct {at}, or run the test {f'of {place} ' if place else ''}again"
        where = () if place is None else (place,)
        yield Obstacle(ObstacleKind.UNREAD, says, settle, where, lines)
    more_lines = run.source.lost - told
    if more_lines > 0:
        says = f"{more_lines:,} more lines were not understood"
        yield Obstacle(ObstacleKind.UNREAD, says, "paste the dump again, whole")


def _uncounted(case: Case) -> Iterator[Obstacle]:
    """Bits that were compared, while nothing says how many of them were wrong."""
    rows = coverage.uncounted(case.basis.measured)
    if not rows:
        return
    first, n = rows[0], len(rows)
    more = f" (and {n - 1:,} more count rows)" if n > 1 else ""
    odd = ", ".join(first.extra)
    column = f"; column {odd} is read by nobody" if odd else ""
    at = first.position.line
    says = f"line {at} says how many bits were compared, and not how many were wrong{more}{column}"
    settle = "name the column of errors in the table's header, or count again"
    lines = tuple(row.position.line for row in rows[:MOST_NAMED])
    places = tuple(dict.fromkeys(row.place for row in rows))
    yield Obstacle(ObstacleKind.UNREAD, says, settle, places, lines)


def _known(place: Place | None, case: Case) -> Place | None:
    """A place as far as the board has it: of a mangled row the first word may be anything."""
    if place is None or place.is_board:
        return None
    board = case.basis.board
    return place if not board.known or place.site is None or board.site(place.site) else None


def _cut_short(case: Case) -> Iterator[Obstacle]:
    """A dump without its end, a scan without its last candidates, a step without its last lane."""
    run, measured = case.basis.run, case.basis.measured
    if not run.source.complete:
        codes = ("end-missing", "end-count")
        why = next((p for p in run.problems if p.code in codes), None)
        says = "the dump is not complete" + (f": {why.message}" if why is not None else "")
        line = why.position.line if why is not None and why.position else run.source.last_line
        yield Obstacle(ObstacleKind.CUT, says, "paste it again, to its end line", (), (line,))
    for group in measured.groups.values():
        for sweep, line in group.unscanned.items():
            at = f"{sweep.step} scan of {group.place}"
            yield Obstacle(
                ObstacleKind.CUT,
                f"the {at} stops at line {line}, before it is done",
                f"run the {at} again, to its end",
                (group.place,),
                (line,),
            )
    for stop in coverage.stopped(measured):
        some = [p for p in stop.lacking if not (case.is_unheard(p) or case.is_told(p))]
        if some:
            at = _places(_gathered(some, case))
            of = "packages" if some[0].lane is None else "links"
            says = f"{stop.what} was printed for {stop.printed} {of} and not for {at}"
            yield Obstacle(ObstacleKind.CUT, says, f"run {stop.step} of {at} again", tuple(some))


def _not_heard(case: Case) -> Iterator[Obstacle]:
    """Links that no measurement speaks of."""
    if not case.basis.board.sites:
        says = "no row names a place of a board"
        yield Obstacle(ObstacleKind.UNHEARD, says, "run a training and a stress test")
        return
    silent = [p for p in case.unheard if not case.is_told(p)]
    if silent:
        at = _places(_gathered(silent, case))
        says = f"no read, write, count or list of errors speaks of {at}"
        yield Obstacle(ObstacleKind.UNHEARD, says, f"run the test of {at}", tuple(silent))


def _gathered(silent: Sequence[Place], case: Case) -> list[Place]:
    """Links as whole sites, where no link of a site was heard."""
    by_site: dict[str | None, list[Place]] = {}
    for place in silent:
        by_site.setdefault(place.site, []).append(place)
    found: list[Place] = []
    for ref, places in by_site.items():
        site = None if ref is None else case.basis.board.site(ref)
        whole = site is not None and len(places) == len(site.links)
        found += [Place(ref)] if whole else places
    return found


def _thin_eyes(case: Case) -> Iterator[Obstacle]:
    """Eyes well below those of healthy peers: clean counts do not make them wide."""
    by_place: dict[Place, list[ThinEye]] = {}
    off = frozenset(case.basis.run.head.removed or ())
    for eye in case.basis.evidence.thin_eyes:
        if not case.is_told(eye.place) and eye.place.site not in off:
            by_place.setdefault(eye.place, []).append(eye)
    for place, eyes in by_place.items():
        worst = min(eyes, key=lambda eye: eye.share)
        says = (
            f"line {worst.line}: the {worst.step} eye of {place} is {worst.shown}, "
            f"{worst.share:.0%} of its peers'"
        )
        settle = f"run {worst.step} of {place} again, warm and cold"
        lines = tuple(dict.fromkeys(eye.line for eye in eyes))
        yield Obstacle(ObstacleKind.THIN, says, settle, (place,), lines)


def _mostly_marginal(case: Case) -> Iterator[Obstacle]:
    """Data steps that are marginal on most links of the board or of a package: one stray marginal
    is weighed, but a board that has hardly any margin anywhere has no healthy peers that would show
    it, and a package that has none is no stray."""
    if any(f.action in WANTS_WORK for f in case.findings):
        return
    of_board = list(_marginal_board(case))
    yield from of_board or _marginal_packages(case)


def _marginal_board(case: Case) -> Iterator[Obstacle]:
    measured = case.basis.measured
    for step in sorted(coverage.DATA_STEPS):
        ended = [(m.place, m.results[step]) for m in measured if step in m.results]
        thin = tuple(place for place, result in ended if result is Result.MARGINAL)
        if len(thin) >= PROVEN and 2 * len(thin) > len(ended):
            says = f"{step} is marginal on {len(thin)} of {len(ended)} links"
            settle = f"read the rails under load, then run {step} again on this rig and on another"
            yield Obstacle(ObstacleKind.MARGINAL, says, settle, thin)


def _marginal_packages(case: Case) -> Iterator[Obstacle]:
    spoken = {f.place.site for f in case.findings}
    ended: dict[str | None, list[tuple[Place, Result]]] = {}
    for m in case.basis.measured:
        found = [r for step, r in m.results.items() if step in coverage.DATA_STEPS]
        ended.setdefault(m.place.site, []).extend((m.place, result) for result in found)
    for ref, results in ended.items():
        thin = [place for place, result in results if result is Result.MARGINAL]
        if ref is None or ref in spoken or len(thin) < 2 or 2 * len(thin) <= len(results):
            continue
        says = f"{ref} is marginal in {len(thin)} of its {len(results)} data steps"
        settle = f"run read and write of {ref} again, warm and cold"
        yield Obstacle(ObstacleKind.MARGINAL, says, settle, tuple(dict.fromkeys(thin)))


def _link_checks(case: Case) -> Iterator[Obstacle]:
    """Links whose checks failed more than a stray time or two, and that no finding speaks of:
    right data do not make a check right that was wrong."""
    spoken = {f.place.site for f in case.findings}
    failed = [
        row
        for row in case.rows
        if (row.edc_bad or 0) >= PROVEN
        and (row.site is None or row.site not in spoken)
        and not case.is_told(row.place)
    ]
    if failed:
        at = _places([row.place for row in failed])
        count = sum(row.edc_bad or 0 for row in failed)
        says = f"{show_count(count)} link checks failed at {at}"
        places = tuple(row.place for row in failed)
        settle = f"test {at} again; look at the check ball there"
        yield Obstacle(ObstacleKind.ABOVE_TARGET, says, settle, places)


def _above_target(case: Case) -> Iterator[Obstacle]:
    """Places whose counted rate is proven above the shop's target and that no finding speaks of:
    whatever they are, they are not clear."""
    most = case.basis.settings.limits.target_rate
    spoken = {f.place.site for f in case.findings}
    above = [
        row.place
        for row in case.rows
        if row.ber_low is not None
        and row.errors is not None
        and row.ber_low > most
        and row.errors >= PROVEN
        and (row.site is None or row.site not in spoken)
        and not case.is_told(row.place)
    ]
    if above:
        at = _places(above)
        says = f"{at} err more often than {show_rate(most)} of the bits"
        yield Obstacle(ObstacleKind.ABOVE_TARGET, says, f"test {at} again", tuple(above))


def _too_probable(case: Case) -> Iterator[Obstacle]:
    """A fault that is likelier than the shop releases boards with."""
    basis = case.basis
    if any(f.action in WANTS_WORK for f in case.findings):
        return
    fault = 1 - min(basis.beliefs.clear, 1.0)
    if fault > basis.settings.limits.release_below:
        says = f"a fault somewhere on the board is {show_probability(fault)} likely"
        settle = "run the whole training and a stress test that counts the bits of every lane"
        yield Obstacle(ObstacleKind.ODDS, says, settle)


RULES: tuple[Rule, ...] = (
    _failed_steps,
    _not_understood,
    _uncounted,
    _cut_short,
    _not_heard,
    _thin_eyes,
    _mostly_marginal,
    _above_target,
    _link_checks,
    _too_probable,
)
"""Every rule, in the order in which what they find is told."""


# -- words --------------------------------------------------------------------------------------


def _places(places: Iterable[Place]) -> str:
    return _list([str(place) for place in places])


def _list(words: Sequence[str]) -> str:
    if len(words) > MOST_NAMED:
        return f"{', '.join(words[:MOST_NAMED])} and {len(words) - MOST_NAMED} more"
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
