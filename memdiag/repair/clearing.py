"""Is a finding cleared? Only by steps that ran, and by bits enough to exclude the earlier rate."""

from __future__ import annotations

import math

from msgspec import Struct

from memdiag.model import Cause, Finding, Place, Result
from memdiag.model.comparison import ChangeKind
from memdiag.model.quantities import show_count, show_rate
from memdiag.repair.paired_runs import PairedRuns, bad_steps, was_tested, worst_of
from memdiag.repair.rate_change import RateChange
from memdiag.stats import multiple_to_exclude, proven_rate


class Case(Struct):
    """One earlier finding on its way to a change."""

    finding: Finding
    later: list[Finding]
    rate: RateChange | None
    clean: bool | None = None  # the after-run excludes the earlier rate; None: nothing to exclude
    p_adjusted: float = 1.0

    @property
    def spilled(self) -> bool:
        """Errors that another place's fault made need no bits to exclude them: they are no rate
        of this place. That fault is a finding of its own, which is held to its bits."""
        return self.finding.cause is Cause.SPILLOVER and bool(self.finding.because_of)


def gone(case: Case, pair: PairedRuns, lacking: int) -> tuple[ChangeKind, str, int | None]:
    """The later verdict finds nothing there: is that because it is cleared?"""
    f, r = case.finding, case.rate
    still = _still_there(case, pair, lacking)
    if still is not None:
        return still
    untested = _untested(f, pair)
    if untested:
        return ChangeKind.TOO_LITTLE_DATA, f"{untested}; what did not run is not cleared", None
    old = pair.state(f.place, pair.old, f)
    if old.errors and case.clean is not True and not case.spilled:
        if r is None:
            which = "BEFORE" if not old.bits else "AFTER"
            why = f"{show_count(old.errors)} errors before, but {which} counts no bits there"
            return ChangeKind.TOO_LITTLE_DATA, why, _rough_need(old.bits, old.errors, pair)
        needed = needed_bits(case, pair, lacking)
        why = (
            f"no error in {show_count(r.after.bits or 0)} bits, but that does not exclude the "
            f"earlier {show_rate(r.before.rate)} ({_conf(pair)}, one-sided); {r.basis}"
        )
        return ChangeKind.TOO_LITTLE_DATA, why, needed
    return ChangeKind.CLEARED, _why_clear(case, pair), None


def _still_there(
    case: Case, pair: PairedRuns, lacking: int
) -> tuple[ChangeKind, str, int | None] | None:
    """What the after-run still shows there, None where that is nothing, or so little that a place
    which was only disturbed may show it without a fault."""
    r, shown = case.rate, symptoms(case.finding.place, pair)
    if not shown:
        return None
    if is_stray(case.finding.place, pair):
        if case.spilled:
            return None
        why = f"{shown} there now, no more than a sound package may show: it proves neither"
        return ChangeKind.TOO_LITTLE_DATA, why, needed_bits(case, pair, lacking)
    low = r is not None and r.p is not None and r.ratio is not None and r.ratio < 1
    if low and case.p_adjusted <= 1 - pair.confidence:
        return ChangeKind.BETTER, f"still {shown} there, though fewer than before", None
    return ChangeKind.REMAINS, f"still {shown} there", None


def symptoms(place: Place, pair: PairedRuns) -> str:
    """What the after-run shows there that a healthy place does not; empty where nothing."""
    links = [pair.new[k] for k in pair.keys_at(place, pair.new)]
    worst = worst_of(links)
    failing = sorted({s for link in links for s in bad_steps(link)})
    if failing:
        return f"{', '.join(failing)} {worst}"
    errors = sum(link.counts(pair.shared).errors or 0 for link in links)
    return f"{show_count(errors)} error{'s' * (errors > 1)}" if errors else ""


STRAY = 3
"""Wrong bits that a sound package may show: of 600 tested ones 44 showed one to three stray words
in about 1e9 bits (CMU-SAFARI, DIVA-DRAM, SIGMETRICS 2017: open measurements of 103 modules)."""


def is_stray(place: Place, pair: PairedRuns) -> bool:
    """Whether all that the after-run shows there is an error or two."""
    links = [pair.new[k] for k in pair.keys_at(place, pair.new)]
    errors = sum(link.counts(pair.shared).errors or 0 for link in links)
    return 0 < errors <= STRAY and not any(bad_steps(link) for link in links)


def _conf(pair: PairedRuns) -> str:
    return f"{pair.confidence * 100:g} %"


def needed_bits(case: Case, pair: PairedRuns, lacking: int) -> int | None:
    return (
        None
        if case.rate is None
        else case.rate.bits_to_exclude((1 - pair.confidence) / max(1, lacking))
    )


def _rough_need(bits: int | None, errors: int, pair: PairedRuns) -> int | None:
    """Where the after-run counted nothing: the rate before, its errors taken to come in bursts."""
    if not bits:
        return None
    return math.ceil(multiple_to_exclude(errors, 1 - pair.confidence) * bits)


def _why_clear(case: Case, pair: PairedRuns) -> str:
    f, r = case.finding, case.rate
    parts = []
    ran = sorted({s for k in pair.keys_at(f.place, pair.old) for s in bad_steps(pair.old[k])})
    if ran:
        parts.append(f"{', '.join(ran)} now pass{'es' if len(ran) == 1 else ''}")
    if r is not None and r.p_none is not None and r.after.bits and not case.spilled:
        limit = proven_rate(r.after.bits, 0, pair.confidence)
        parts.append(
            f"no error in {show_count(r.after.bits)} bits: below {show_rate(limit)}, was "
            f"{show_rate(r.before.rate)} ({_conf(pair)}, one-sided); {r.basis}"
        )
    elif r is not None and r.after.bits:
        as_before = "" if r.before.errors else ", as before"
        parts.append(f"no error in {show_count(r.after.bits)} bits{as_before}")
    moved = [pair.eyes[k] for k in pair.keys_at(f.place, pair.old) if k in pair.eyes]
    opened = [e for e in moved if e.direction > 0]
    if opened:
        parts.append(max(opened, key=lambda e: e.score or 0.0).says())
    if is_stray(f.place, pair):
        parts.append(f"{symptoms(f.place, pair)} there now, as a sound package may show")
    return "; ".join(parts) or "found nothing there any more"


def _untested(f: Finding, pair: PairedRuns) -> str:
    """What the later run did not do that would be needed to clear the finding; empty if all."""
    keys = pair.keys_at(f.place, pair.new)
    if not any(was_tested(pair.new[k]) for k in keys):
        return "the later run says nothing of it"
    if f.place.rail is not None:
        read = [{row.rail for row in run.rails} for run in (pair.before, pair.after)]
        if f.place.rail in read[0] - read[1]:
            return f"the ohms of {f.place.rail} were not read again"
    partner = {a: b for a, b in pair.pairs if a is not None}
    for key in pair.keys_at(f.place, pair.old):
        bad = bad_steps(pair.old[key])
        other = partner.get(key)
        ran = _results_at(key, other, pair)
        lost = [s for s in bad if ran.get(s, Result.NOT_RUN) is Result.NOT_RUN]
        if lost:
            return f"{', '.join(lost)} did not run at {key}"
        eye = pair.eyes.get(key)
        thin = f.cause is Cause.WEAK and not bad and pair.old[key].widths
        if thin and eye is None and not pair.old[key].counts(pair.shared).errors:
            return f"no eye was printed at {key}"
    return ""


def _results_at(key: Place, other: Place | None, pair: PairedRuns) -> dict[str, Result]:
    """The later results at a place: its own link's, and those given for its whole channel or
    site, which speak of each of their lanes."""
    found: dict[str, Result] = {}
    for k, link in pair.new.items():
        wide, narrow = k == other or k.covers(key), key.covers(k)
        if wide or narrow:
            for step, result in link.results.items():
                # Of several lanes of a channel, one that did not run leaves the channel open.
                if narrow and found.get(step) is Result.NOT_RUN:
                    continue
                found[step] = result
    return found
