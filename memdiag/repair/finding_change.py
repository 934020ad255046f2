"""What became of each finding of the earlier run, and which findings of the later one are new."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from memdiag.model import WANTS_WORK, WHOLE_BOARD, Cause, Finding, Result
from memdiag.model.comparison import Change, ChangeKind, Outcome
from memdiag.model.quantities import show_p, show_rate
from memdiag.repair.clearing import Case, gone, needed_bits, symptoms
from memdiag.repair.link_change import adjusted_p, gravity, rate_shown
from memdiag.repair.paired_runs import OWN, PairedRuns, was_tested
from memdiag.repair.part_swaps import Follow, follow
from memdiag.repair.rate_change import RateChange, excluded

_GRAVE = {Cause.MISSING: 2, Cause.SUPPLY: 2}
"""A package that does not answer, or a dead rail, is worse than anything that does answer."""


_AGAINST = {
    ChangeKind.WORSE: Outcome.WORSE,
    ChangeKind.NEW: Outcome.NOT_REPAIRED,
    ChangeKind.MOVED: Outcome.NOT_REPAIRED,
    ChangeKind.REMAINS: Outcome.NOT_REPAIRED,
    ChangeKind.BETTER: Outcome.NOT_REPAIRED,
    ChangeKind.TOO_LITTLE_DATA: Outcome.TOO_LITTLE_DATA,
}
"""The best outcome that what became of a finding leaves possible."""

_BY_LINK = {
    Outcome.WORSE: ChangeKind.WORSE,
    Outcome.NOT_REPAIRED: ChangeKind.BETTER,
    Outcome.TOO_LITTLE_DATA: ChangeKind.TOO_LITTLE_DATA,
}
"""What becomes of a finding that is gone while one of its links is not right."""


def finding_changes(pair: PairedRuns, links: Sequence[Change]) -> list[Change]:
    """A change for each earlier finding, in the verdict's order, then one for each new finding.
    A finding is not cleared where something stands against one of its `links`."""
    old, new = pair.before_verdict.findings, pair.after_verdict.findings
    cases = [
        Case(f, [g for g in new if pair.touch(f.place, g.place)], pair.rate_at(f.place))
        for f in old
    ]
    own = [case for case in cases if not case.spilled]
    for case, clean in zip(own, excluded([c.rate for c in own], pair.confidence), strict=True):
        case.clean = clean
    for case, p in zip(cases, adjusted_p([c.rate for c in cases]), strict=True):
        case.p_adjusted = p
    lacking = sum(c.clean is False for c in own)
    changes, used = [], []
    for case in cases:
        change, taken = _judge(case, pair, lacking)
        changes.append(change)
        used += taken
    changes = _confirmed([_held_to(c, links, pair) for c in changes])
    changes += [_new(g, pair) for g in new if g not in used]
    return [_weighed(c, pair) for c in changes]


def _held_to(change: Change, links: Sequence[Change], pair: PairedRuns) -> Change:
    """A finding that the later verdict no longer has, with what stands against one of its own
    links, where that is graver."""
    place = change.place
    if change.after.finding is not None or (place.site is None and place.channel is None):
        return change
    bad = [c for c in links if c.against in _BY_LINK and place.speaks_of(c.place, pair.board)]
    if not bad:
        return _held_by_obstacle(change, pair)
    worst = min(bad, key=lambda c: gravity(c.against))
    if gravity(worst.against) >= gravity(_AGAINST.get(change.kind)):
        return change
    assert worst.against is not None
    because = f"{worst.place}: {worst.because}; otherwise {change.because}"
    return replace(change, kind=_BY_LINK[worst.against], because=because, points_to=None)


def _held_by_obstacle(change: Change, pair: PairedRuns) -> Change:
    """A finding that is gone from a place of which the later run itself says that something there
    is not as it should be."""
    if change.kind is not ChangeKind.CLEARED:
        return change
    for obstacle in pair.after_verdict.release.obstacles:
        places = obstacle.places or (WHOLE_BOARD,)
        if any(change.place.covers(at) or at == change.place for at in places):
            because = f"{obstacle.says}; otherwise {change.because}"
            return replace(change, kind=ChangeKind.BETTER, because=because, points_to=None)
    return change


def _weighed(change: Change, pair: PairedRuns) -> Change:
    """With what it stands against."""
    against = _AGAINST.get(change.kind)
    if change.place.site in pair.work.off:
        against = Outcome.NOT_REPAIRED
    elif _is_harm(change):
        against = Outcome.WORSE
    return replace(change, against=against)


def _is_harm(change: Change) -> bool:
    """A fault where the earlier run had tested and found none: not one that was merely hidden."""
    found = change.after.finding
    if change.kind is not ChangeKind.NEW or found is None or found.expected:
        return False
    tested = change.before.bits or change.before.worst not in (None, Result.NOT_RUN.value)
    return found.cause in OWN and found.cause is not Cause.UNDECIDED and bool(tested)


def _judge(case: Case, pair: PairedRuns, lacking: int) -> tuple[Change, list[Finding]]:
    f = case.finding
    site = f.place.site
    later = [g for g in case.later if not g.expected]
    own = [g for g in later if g.cause in OWN]
    told = None
    if site is not None and f.cause is not Cause.SPILLOVER and not f.expected:
        told = _follow(site, pair, faulty=bool(own))
    kind, because, needed = _kind(case, pair, later, lacking)
    used = list(case.later)
    points = None
    if told is not None and told.kind == "followed":
        kind, because, points, needed = ChangeKind.MOVED, told.says, told.points_to, None
        dest = pair.work.destination(site or "")
        used += [g for g in pair.after_verdict.findings if g.place.site == dest]
    elif told is not None and kind is not ChangeKind.TOO_LITTLE_DATA:
        because, points = f"{told.says}; {because}", told.points_to
        if told.comes_back:
            because += "; a joint made anew by chance can open again"
    elif told is not None and told.kind == "stayed":
        because = f"{because} ({told.says})"
    if f.expected and site in pair.work.fitted:
        ends = "answers" if kind is ChangeKind.CLEARED else "is not right yet"
        because = f"{site} was empty on purpose; the package fitted there {ends}; {because}"
    source = next((a for a, b in pair.work.swapped if b == site and a != site), None)
    if f.cause is Cause.SPILLOVER and source is not None and own:
        because = f"{site} now holds the package of {source}; {because}"
    keys = pair.keys_at(f.place, pair.new) or pair.keys_at(f.place, pair.old)
    change = Change(
        "finding",
        f.place,
        kind,
        pair.state(f.place, pair.old, f),
        pair.state(f.place, pair.new, _main(later)),
        because,
        rate_shown(case.rate, case.p_adjusted),
        needed,
        pair.seconds(needed, keys),
        points,
    )
    return change, used


def _main(later: Sequence[Finding]) -> Finding | None:
    return later[0] if later else None


def _follow(site: str, pair: PairedRuns, *, faulty: bool) -> Follow | None:
    def faults(findings: Sequence[Finding]) -> frozenset[str]:
        return frozenset(
            g.place.site for g in findings if g.place.site and g.cause in OWN and not g.expected
        )

    return follow(
        site,
        pair.work,
        faulty=faulty,
        faulty_before=faults(pair.before_verdict.findings),
        faulty_after=faults(pair.after_verdict.findings),
        measured=pair.measured,
    )


def _kind(
    case: Case, pair: PairedRuns, later: Sequence[Finding], lacking: int
) -> tuple[ChangeKind, str, int | None]:
    """`(what became of it, why, bits needed)`, before the part is followed."""
    f = case.finding
    own = [g for g in later if g.cause in OWN]
    if f.place.site in pair.work.off:
        return (
            ChangeKind.TOO_LITTLE_DATA,
            f"{f.place.site} is empty on purpose: nothing to test",
            None,
        )
    if own:
        return _still_there(case, pair, own)
    if later and f.cause is not Cause.SPILLOVER:
        source = later[0].because_of or "a fault elsewhere"
        why = f"disturbed by {source}: it cannot be judged until that is mended"
        return ChangeKind.TOO_LITTLE_DATA, why, None
    if later:
        return ChangeKind.REMAINS, _spilling(later[0]), None
    return gone(case, pair, lacking)


def _spilling(now: Finding) -> str:
    if now.because_of:
        return f"still disturbed, by {now.because_of}"
    return "still disturbed"


def _still_there(
    case: Case, pair: PairedRuns, own: Sequence[Finding]
) -> tuple[ChangeKind, str, int | None]:
    sure = [g for g in own if g.cause is not Cause.UNDECIDED]
    f, now = case.finding, (sure or own)[0]
    if not sure and not symptoms(f.place, pair):
        why = "not decided in the later run, which shows no error and no failed step there"
        return ChangeKind.TOO_LITTLE_DATA, why, needed_bits(case, pair, 1)
    if f.cause is Cause.SPILLOVER:
        source = f.because_of or "the first fault"
        return ChangeKind.REMAINS, f"did not go with {source}: now a finding of its own", None
    grave = _GRAVE.get(now.cause, 1) - _GRAVE.get(f.cause, 1)
    if (
        f.cause in OWN
        and now.cause in OWN
        and grave
        and Cause.UNDECIDED not in (f.cause, now.cause)
    ):
        why = f"{f.cause} before, {now.cause} now"
        return (ChangeKind.WORSE if grave > 0 else ChangeKind.BETTER), why, None
    changed = "" if f.cause is now.cause else f"; now it looks like {now.cause}"
    r = case.rate
    if r is not None and r.p is not None and case.p_adjusted <= 1 - pair.confidence:
        higher = r.ratio is None or r.ratio > 1
        word = "higher" if higher else "lower"
        why = f"{_rates(r)}: {word} ({show_p(case.p_adjusted)}, two-sided); {r.basis}{changed}"
        return (ChangeKind.WORSE if higher else ChangeKind.BETTER), why, None
    if r is not None and r.p is not None:
        why = f"{_rates(r)}: no difference shown ({show_p(case.p_adjusted)}, two-sided); {r.basis}"
        return ChangeKind.REMAINS, why + changed, None
    return ChangeKind.REMAINS, (symptoms(f.place, pair) or "still found") + changed, None


def _rates(r: RateChange) -> str:
    return f"error rate {show_rate(r.before.rate)} -> {show_rate(r.after.rate)}"


def _confirmed(changes: list[Change]) -> list[Change]:
    """Spillover that vanished with its cause is that cause's confirmation, and said there."""
    vanished: dict[str, list[str]] = {}
    for c in changes:
        f = c.before.finding
        if (
            f is not None
            and f.cause is Cause.SPILLOVER
            and f.because_of
            and c.kind is ChangeKind.CLEARED
        ):
            vanished.setdefault(f.because_of, []).append(str(c.place))
    return [_confirm(c, vanished) for c in changes]


def _confirm(change: Change, vanished: Mapping[str, Sequence[str]]) -> Change:
    f = change.before.finding
    if f is None or change.kind is not ChangeKind.CLEARED:
        return change
    if f.cause is Cause.SPILLOVER:
        if not f.because_of:
            return change
        return replace(change, because=f"was spillover from {f.because_of}; {change.because}")
    places = vanished.get(change.place.site or change.place.rail or change.place.partition or "")
    if not places:
        return change
    said = f"; the disturbance of {_list(places)} went with it, which confirms it"
    return replace(change, because=change.because + said)


def _list(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _new(g: Finding, pair: PairedRuns) -> Change:
    """A finding of the later run where the earlier one had none."""
    old = [pair.old[k] for k in pair.keys_at(g.place, pair.old)]
    before = pair.state(g.place, pair.old, None)
    after = pair.state(g.place, pair.new, g)
    if g.expected:
        why = f"{g.place.site} is now empty on purpose"
        return Change("finding", g.place, ChangeKind.TOO_LITTLE_DATA, before, after, why)
    done = pair.work.at(g.place.site) if g.place.site else ""
    why = "tested without a finding before"
    if not any(was_tested(link) for link in old):
        why = "the earlier run did not test it: it may have been there already"
    if done:
        why += f"; {g.place.site} was {done} in between"
    if g.cause is Cause.SPILLOVER and g.because_of:
        why += f"; disturbed by {g.because_of}"
    elif g.action not in WANTS_WORK:
        why += "; nothing to do about it now"
    return Change("finding", g.place, ChangeKind.NEW, before, after, why)
