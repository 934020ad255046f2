"""What became of each link: its training results, its error rate, its eye."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from memdiag.model import Place, Result
from memdiag.model.comparison import Change, ChangeKind, Rate
from memdiag.model.quantities import show_count, show_p, show_rate
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

Said = tuple[ChangeKind, str]


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
    lacking = sum(c is False for c in clean)
    changes = [
        _change(a, b, pair, r, clean=clean[i], p_adjusted=adjusted[i], lacking=lacking)
        for i, ((a, b), r) in enumerate(zip(pairs, tested, strict=True))
    ]
    return sorted(changes, key=lambda c: _URGENT.index(c.kind))


def _change(
    a: Place,
    b: Place,
    pair: PairedRuns,
    rate: RateChange | None,
    *,
    clean: bool | None,
    p_adjusted: float,
    lacking: int,
) -> Change:
    level = 1 - pair.confidence
    said = [
        *_training(pair.old[a].results, pair.new[b].results),
        *_errors(rate, clean, p_adjusted, level),
        *_uncounted(pair, a, b, rate),
    ]
    said.sort(key=lambda s: _URGENT.index(s[0]))
    eye = pair.eyes.get(a)
    if eye is not None and eye.direction < 0:
        said.insert(0, (ChangeKind.WORSE, eye.says()))
    elif eye is not None and eye.direction > 0:
        # An eye that opened goes with whatever else became of the link.
        said.append((said[0][0] if said else ChangeKind.BETTER, eye.says()))
    kind = min((k for k, _ in said), key=_URGENT.index, default=ChangeKind.SAME)
    because = "; ".join(text for _, text in said) or "nothing changed"
    if b.site in pair.work.off:
        kind, because = ChangeKind.TOO_LITTLE_DATA, f"{b.site} is empty on purpose"
    elif not _anything(pair, a, b):
        kind, because = ChangeKind.TOO_LITTLE_DATA, "not tested in the later run"
    needed = None
    if rate is not None and clean is False:
        needed = rate.bits_to_exclude(level / max(1, lacking))
    place = b if b.site is not None else a
    shown = rate_shown(rate, p_adjusted)
    return Change(
        "link",
        place,
        kind,
        pair.state(a, {a: pair.old[a]}, None),
        pair.state(b, {b: pair.new[b]}, None),
        because,
        shown,
        needed,
        pair.seconds(needed, [b]),
    )


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
    found: dict[ChangeKind, list[str]] = {}
    for step, was in before.items():
        now = after.get(step)
        ran = now is not None and now is not Result.NOT_RUN
        if was is Result.NOT_RUN:
            if now in BAD:
                found.setdefault(ChangeKind.NEW, []).append(f"{step} {now}, not run before")
        elif not ran:
            if was in BAD:
                found.setdefault(ChangeKind.TOO_LITTLE_DATA, []).append(
                    f"{step} {was}, not run now"
                )
        elif was is not now:
            assert now is not None
            found.setdefault(_step_kind(was, now), []).append(f"{step} {was} -> {now}")
        elif was in BAD:
            found.setdefault(ChangeKind.REMAINS, []).append(f"{step} still {was}")
    for step, now in after.items():
        if step not in before and now in BAD:
            found.setdefault(ChangeKind.NEW, []).append(f"{step} {now}, not named before")
    return [(kind, ", ".join(texts)) for kind, texts in found.items()]


def _step_kind(was: Result, now: Result) -> ChangeKind:
    if was not in BAD:
        return ChangeKind.NEW
    if now not in BAD:
        return ChangeKind.CLEARED
    if _GRADE[was] == _GRADE[now]:
        return ChangeKind.REMAINS
    return ChangeKind.BETTER if _GRADE[now] < _GRADE[was] else ChangeKind.WORSE


def _errors(rate: RateChange | None, clean: bool | None, p: float, level: float) -> Sequence[Said]:
    if rate is None or rate.p is None:
        return ()
    was, now = rate.before, rate.after
    figures = f"{show_rate(was.rate)} -> {show_rate(now.rate)}"
    if clean is not None:
        bits = show_count(now.bits or 0)
        if clean:
            return ((ChangeKind.CLEARED, f"{figures}, no error in {bits} bits ({rate.basis})"),)
        why = f"{figures}, but no error in {bits} bits does not exclude it ({rate.basis})"
        return ((ChangeKind.TOO_LITTLE_DATA, why),)
    test = f"{figures}, {show_p(p)} two-sided ({rate.basis})"
    if not was.errors:
        return (
            (ChangeKind.NEW, test) if p <= level else (ChangeKind.SAME, f"{test}: may be chance"),
        )
    if p > level:
        return ((ChangeKind.REMAINS, test),)
    return ((ChangeKind.WORSE if (rate.ratio or 0) > 1 else ChangeKind.BETTER, test),)


def _uncounted(pair: PairedRuns, a: Place, b: Place, rate: RateChange | None) -> Sequence[Said]:
    """Errors of which one run gives no denominator: no rate, but not nothing either."""
    if rate is not None:
        return ()
    was, now = pair.old[a].counts(pair.shared), pair.new[b].counts(pair.shared)
    if now.errors:
        kind = ChangeKind.REMAINS if was.errors else ChangeKind.NEW
        return ((kind, f"{show_count(now.errors)} errors now; no rate, bits were not counted"),)
    if was.errors:
        why = f"{show_count(was.errors)} errors before; the bits to set against them are missing"
        return ((ChangeKind.TOO_LITTLE_DATA, why),)
    return ()
