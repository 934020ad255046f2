"""What became of each link: its training results, its error rate, its eye."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from memdiag.model import FAILED, Place, Result
from memdiag.model.comparison import GRAVEST_FIRST, Change, ChangeKind, Outcome, Rate
from memdiag.model.quantities import show_count, show_p, show_rate
from memdiag.repair.eye_change import EyeChange
from memdiag.repair.paired_runs import BAD, PairedRuns, was_tested
from memdiag.repair.rate_change import RateChange, excluded, rate_change
from memdiag.stats import holm

# Several things are seen of one link; the one said first here is what became of it.
_URGENT = (
    ChangeKind.NEW,
    ChangeKind.WORSE,
    ChangeKind.REMAINS,
    ChangeKind.TOO_LITTLE_DATA,
    ChangeKind.BETTER,
    ChangeKind.CLEARED,
    ChangeKind.SAME,
)

_GRADE = {
    Result.PASS: 0,
    Result.MARGINAL: 1,
    Result.FAIL: 2,
    Result.NOT_FOUND: 2,
    Result.NO_RESPONSE: 3,
}


class Said(NamedTuple):
    """One thing seen of a link. `against`: the best outcome it leaves possible, None where
    nothing of it stands against a repair."""

    kind: ChangeKind
    text: str
    against: Outcome | None = None


def gravity(outcome: Outcome | None) -> int:
    """The lower, the graver; None: nothing stands against a repair."""
    return GRAVEST_FIRST.index(outcome or Outcome.REPAIRED)


def link_changes(pair: PairedRuns) -> list[Change]:
    """One change for each link that both runs name, most urgent first."""
    pairs = pair.matched
    tested = [
        rate_change(
            [pair.old[a].counts(pair.shared)], [pair.new[b].counts(pair.shared)], pair.confidence
        )
        for a, b in pairs
    ]
    clean = excluded(tested, pair.confidence)
    adjusted = adjusted_p(tested)
    steady = _steady_p(tested)
    lacking = sum(c is False for c in clean)
    level = 1 - pair.confidence
    changes = []
    for i, ((a, b), rate) in enumerate(zip(pairs, tested, strict=True)):
        said = [
            *_training(pair.old[a].results, pair.new[b].results),
            *_errors(rate, clean[i], adjusted[i], steady[i], level),
            *_uncounted(pair, a, b, rate),
        ]
        needed = None
        if rate is not None and clean[i] is False:
            needed = rate.bits_to_exclude(level / max(1, lacking))
        changes.append(_change(a, b, pair, said, rate_shown(rate, adjusted[i]), needed))
    return sorted(changes, key=lambda c: _URGENT.index(c.kind))


def settled(links: Sequence[Change], findings: Sequence[Change], pair: PairedRuns) -> list[Change]:
    """The links as the findings over them leave them. One that lacks bits by itself is cleared
    with a cleared finding: all links of its place together do exclude the earlier rate, or it was
    another place's. One that a finding speaks for stands no more against a repair than that."""
    cleared = [f for f in findings if f.kind is ChangeKind.CLEARED]
    standing = [f for f in findings if f.against is not None]

    def over(link: Change) -> Change:
        if link.against is not None:
            speaking = [f.against for f in standing if speaks_for(f, link, pair)]
            least = min(speaking, key=gravity, default=link.against)
            return replace(link, against=max(link.against, least, key=gravity))
        here = [f for f in cleared if f.place.speaks_of(link.place, pair.board)]
        if link.needed_bits is None or not here:
            return link
        why = f"{link.because}; it is cleared with {here[0].place} as a whole"
        return replace(
            link, kind=ChangeKind.CLEARED, because=why, needed_bits=None, needed_seconds=None
        )

    return sorted(map(over, links), key=lambda c: _URGENT.index(c.kind))


_SPEAKS_FOR = (ChangeKind.MOVED, ChangeKind.NEW, ChangeKind.REMAINS, ChangeKind.BETTER)
"""A finding that became this explains what its links show, however much worse they got."""


def speaks_for(finding: Change, link: Change, pair: PairedRuns) -> bool:
    """Does what became of a finding tell what the link shows?"""
    if finding.against is None or link.against is None:
        return False
    place = finding.place
    if finding.kind is ChangeKind.MOVED:
        place = Place(site=pair.work.destination(place.site or ""))
    if not (pair.touch(finding.place, link.place) or pair.touch(place, link.place)):
        return False
    return gravity(finding.against) <= gravity(link.against) or finding.kind in _SPEAKS_FOR


def _change(
    a: Place, b: Place, pair: PairedRuns, said: list[Said], rate: Rate | None, needed: int | None
) -> Change:
    said = _with_eye(pair.eyes.get(a), said, pair.narrowed)
    said.sort(key=lambda s: (gravity(s.against), _URGENT.index(s.kind)))
    kind = min((s.kind for s in said), key=_URGENT.index, default=ChangeKind.SAME)
    because = "; ".join(s.text for s in said) or "nothing changed"
    against = said[0].against if said else None
    if b.site in pair.work.off:
        kind, because, against = (ChangeKind.TOO_LITTLE_DATA, f"{b.site} is empty on purpose", None)
    elif not _anything(pair, a, b):
        kind, because, against = ChangeKind.TOO_LITTLE_DATA, "not tested in the later run", None
    return Change(
        "link",
        b if b.site is not None else a,
        kind,
        pair.state(a, {a: pair.old[a]}, None),
        pair.state(b, {b: pair.new[b]}, None),
        because,
        rate,
        needed,
        pair.seconds(needed, [b]),
        against=against,
    )


def _with_eye(
    eye: EyeChange | None, said: list[Said], narrowed: tuple[EyeChange, ...]
) -> list[Said]:
    if eye is None:
        return said
    if eye in narrowed:  # said once, of the whole board
        return [Said(ChangeKind.WORSE, eye.says()), *said]
    if eye.lost:
        return [Said(ChangeKind.WORSE, eye.says(), Outcome.WORSE), *said]
    if eye.direction < 0:
        why = f"{eye.says()}: narrower against its peers, by less than a quarter"
        return [Said(ChangeKind.TOO_LITTLE_DATA, why, Outcome.TOO_LITTLE_DATA), *said]
    if eye.direction > 0:
        # An eye that opened goes with whatever else became of the link.
        first = min((s.kind for s in said), key=_URGENT.index, default=ChangeKind.BETTER)
        return [*said, Said(first, eye.says())]
    return said


def site_changes(pair: PairedRuns, links: Sequence[Change]) -> list[Change]:
    """One change for each site, in the order of the board: the most urgent of its links', with
    the rate over all of them."""
    by_site: dict[str, list[Change]] = {}
    for c in links:
        if c.place.site is not None:
            by_site.setdefault(c.place.site, []).append(c)
    order = {s.ref: i for i, s in enumerate(pair.board.sites)}
    sites = sorted(by_site, key=lambda ref: (order.get(ref, len(order)), ref))
    tested = [pair.rate_at(Place(site=ref)) for ref in sites]
    adjusted = adjusted_p(tested)
    out = []
    for ref, rate, p in zip(sites, tested, adjusted, strict=True):
        here = by_site[ref]
        kind = min((c.kind for c in here), key=_URGENT.index)
        some = Counter(c.kind.value for c in here)
        because = ", ".join(f"{n} of {len(here)} links {k}" for k, n in some.items())
        at = Place(site=ref)
        needing = [c for c in here if c.needed_bits is not None]
        longest = max(needing, key=lambda c: c.needed_seconds or 0, default=None)
        out.append(
            Change(
                "site",
                at,
                kind,
                pair.state(at, pair.old, None),
                pair.state(at, pair.new, None),
                because,
                rate_shown(rate, p),
                longest.needed_bits if longest else None,
                longest.needed_seconds if longest else None,
            )
        )
    return out


def adjusted_p(changes: Sequence[RateChange | None]) -> list[float]:
    """Holm over those that were tested; 1 for the others."""
    at = [i for i, r in enumerate(changes) if r is not None and r.p is not None]
    out = [1.0] * len(changes)
    ps = [r.p for r in changes if r is not None and r.p is not None]
    for i, p in zip(at, holm(ps), strict=True):
        out[i] = p
    return out


def _steady_p(changes: Sequence[RateChange | None]) -> list[float]:
    """The p of a rise if errors never hung together, by Holm; 1 where that was not asked."""
    at = [i for i, r in enumerate(changes) if r is not None and r.p_steady is not None]
    ps = [r.p_steady for r in changes if r is not None and r.p_steady is not None]
    out = [1.0] * len(changes)
    for i, p in zip(at, holm(ps), strict=True):
        out[i] = p
    return out


def rate_shown(rate: RateChange | None, p_adjusted: float) -> Rate | None:
    """The test as the comparison shows it; None where nothing was tested."""
    if rate is None or rate.p is None or rate.low is None or rate.high is None:
        return None
    high = None if rate.high == float("inf") else rate.high
    return Rate(rate.ratio, rate.low, high, rate.p, p_adjusted, rate.basis)


def _anything(pair: PairedRuns, a: Place, b: Place) -> bool:
    """Did the later run test the link at all, where the earlier one had?"""
    return was_tested(pair.new[b]) or not was_tested(pair.old[a])


def _training(before: Mapping[str, Result], after: Mapping[str, Result]) -> list[Said]:
    """The steps whose result changed, and those that stay bad."""
    found: dict[tuple[ChangeKind, Outcome | None], list[str]] = {}
    for step in dict.fromkeys((*before, *after)):
        for kind, text, against in _step(step, before.get(step), after.get(step)):
            found.setdefault((kind, against), []).append(text)
    return [Said(kind, ", ".join(texts), against) for (kind, against), texts in found.items()]


def _step(step: str, was: Result | None, now: Result | None) -> Iterator[Said]:
    """What became of one step; None: the run does not name it."""
    if was in (None, Result.NOT_RUN):
        if now in BAD:
            idle = "not named before" if was is None else "not run before"
            unproven = Outcome.NOT_REPAIRED if now in FAILED else Outcome.TOO_LITTLE_DATA
            yield Said(ChangeKind.NEW, f"{step} {now}, {idle}", unproven)
    elif now in (None, Result.NOT_RUN):
        if was in BAD:
            why = f"{step} {was}, not run now"
            yield Said(ChangeKind.TOO_LITTLE_DATA, why, Outcome.TOO_LITTLE_DATA)
    elif was is not now:
        kind = _step_kind(was, now)
        against = None
        if now in BAD:
            against = Outcome.WORSE if kind is ChangeKind.WORSE else Outcome.NOT_REPAIRED
        yield Said(kind, f"{step} {was} -> {now}", against)
    elif was in BAD:
        # A step that is marginal in both runs is weighed by their verdicts.
        against = Outcome.NOT_REPAIRED if now in FAILED else None
        yield Said(ChangeKind.REMAINS, f"{step} still {was}", against)


def _step_kind(was: Result, now: Result) -> ChangeKind:
    if now not in BAD:
        return ChangeKind.CLEARED
    if was not in BAD:
        return ChangeKind.WORSE
    if _GRADE[was] == _GRADE[now]:
        return ChangeKind.REMAINS
    return ChangeKind.BETTER if _GRADE[now] < _GRADE[was] else ChangeKind.WORSE


def _errors(
    rate: RateChange | None, clean: bool | None, p: float, steady: float, level: float
) -> Sequence[Said]:
    if rate is None or rate.p is None:
        return ()
    was, now = rate.before, rate.after
    figures = f"{show_rate(was.rate)} -> {show_rate(now.rate)}"
    if clean is not None:
        return (_gone(figures, show_count(now.bits or 0), rate.basis, clean=clean),)
    test = f"{figures}, {show_p(p)} two-sided ({rate.basis})"
    if p <= level and (rate.ratio is None or rate.ratio > 1):
        return (Said(ChangeKind.WORSE, test, Outcome.WORSE),)
    if was.errors:
        return (Said(ChangeKind.BETTER if p <= level else ChangeKind.REMAINS, test),)
    if steady <= level:
        why = f"{test}: one burst, or a fault that was not there before"
        return (Said(ChangeKind.TOO_LITTLE_DATA, why, Outcome.TOO_LITTLE_DATA),)
    return (Said(ChangeKind.SAME, f"{test}: may be chance"),)


def _gone(figures: str, bits: str, basis: str, *, clean: bool) -> Said:
    if clean:
        return Said(ChangeKind.CLEARED, f"{figures}, no error in {bits} bits ({basis})")
    why = f"{figures}, but no error in {bits} bits does not exclude it ({basis})"
    return Said(ChangeKind.TOO_LITTLE_DATA, why)


def _uncounted(pair: PairedRuns, a: Place, b: Place, rate: RateChange | None) -> Sequence[Said]:
    """Errors of which one run gives no denominator: no rate, but not nothing either."""
    if rate is not None:
        return ()
    was, now = pair.old[a].counts(pair.shared), pair.new[b].counts(pair.shared)
    if now.errors:
        why = f"{show_count(now.errors)} errors now; no rate, bits were not counted"
        if was.errors:
            return (Said(ChangeKind.REMAINS, why),)
        return (Said(ChangeKind.NEW, why, Outcome.NOT_REPAIRED),)
    if was.errors:
        why = f"{show_count(was.errors)} errors before; the bits to set against them are missing"
        return (Said(ChangeKind.TOO_LITTLE_DATA, why),)
    return ()
