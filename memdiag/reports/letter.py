"""What a customer is told of a repair: what was wrong, what was done, how it was proved, and what
is not promised. Everyday words, no chances and no figures of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec.structs import replace

from memdiag.model import WANTS_WORK, Action, Cause, Finding, Head, Place, Run, Verdict
from memdiag.model.case import CaseReport, Deed
from memdiag.model.comparison import Comparison
from memdiag.model.comparison import Outcome as Came
from memdiag.model.in_short import sites_in_short
from memdiag.reports.repair_page import Letter

WRONG, DONE, PROVED = "What was wrong", "What was done", "How it was proved"
NEXT, UNPROMISED = "What comes next", "What is not promised"

REPAIRED = "The board is repaired."
SOUND = "No fault was found in the memory of the board."
NOT_YET = "The board is not repaired yet."

_FAULTS = {
    Cause.MISSING: "{at} did not answer.",
    Cause.WEAK: "{at} made errors.",
    Cause.JOINT: "{at} had a bad solder joint.",
    Cause.BRIDGE: "{at} had two solder joints that touched each other.",
    Cause.SUPPLY: "{at} did not get its power as it should.",
    Cause.CONTROLLER: "The main chip did not work as it should towards {at}.",
    Cause.UNDECIDED: "Something is wrong at {at}; what it is, further tests will show.",
}
_PLANS = {
    Action.REPLACE: "A new memory chip is to be fitted in place of {at}.",
    Action.REFLOW: "The solder joints of {at} are to be melted anew.",
    Action.FIT: "A memory chip is to be fitted: {at}.",
    Action.RETEST: "The board is to be tested again before anything is soldered.",
    Action.CHECK_SUPPLY: "The power supply of the memory is to be looked at first.",
    Action.STOP: "Work on the memory would not help: the fault lies elsewhere on the board.",
}
_DEEDS = {
    "removed": "The memory chip {at} was taken off.",
    "fitted": "A memory chip was fitted {at}.",
    "replaced": "A new memory chip was fitted {at}.",
    "reflowed": "The solder joints of the memory chip {at} were melted anew.",
}
_HOT = frozenset({"removed", "fitted", "replaced", "reflowed", "swapped"})


# --- of what the letter is ----------------------------------------------------------------------


def of_case(report: CaseReport) -> Letter:
    """Of a whole repair."""
    deeds = [deed for step in report.steps for deed in step.did]
    found = [e.finding for e in report.established]
    last = report.steps[-1]
    named = replace(last.run, head=_head(step.run.head for step in report.steps))
    wrong = found or list(_wanting(report.verdict))
    return _letter(named, wrong, deeds, report.verdict, free=report.release.allowed)


def of_comparison(c: Comparison) -> Letter:
    """Of the run before a repair and the one after it."""
    before = () if c.before_verdict is None else tuple(_wanting(c.before_verdict))
    named = replace(c.after, head=_head((c.before.head, c.after.head)))
    free = c.outcome is Came.REPAIRED
    return _letter(named, before, _declared(c.after.head), c.after_verdict, free=free)


def of_verdict(verdict: Verdict) -> Letter:
    """Of one run by itself."""
    wrong = tuple(_wanting(verdict))
    deeds = _declared(verdict.run.head)
    return _letter(verdict.run, wrong, deeds, verdict, free=verdict.released)


def _wanting(verdict: Verdict) -> Iterator[Finding]:
    """What wants work and was not declared as done on purpose."""
    return (f for f in verdict.findings if f.action in WANTS_WORK and not f.expected)


def _head(heads: Iterable[Head]) -> Head:
    """The last head, with what only an earlier one says of the board."""
    told = list(heads)

    def said(key: str) -> str | None:
        return next((words for head in reversed(told) if (words := getattr(head, key))), None)

    return replace(told[-1], board=said("board"), serial=said("serial"), ticket=said("ticket"))


def _declared(head: Head) -> list[Deed]:
    """What a run's head says was done before it."""
    deeds = [
        Deed(name, tuple(sites) + tuple(f"part:{part}" for part in parts))
        for name, sites, parts in (
            ("removed", head.removed or (), head.removed_parts),
            ("replaced", head.replaced or (), head.replaced_parts),
            ("reflowed", head.reflowed or (), head.reflowed_parts),
        )
        if sites or parts
    ]
    if head.swapped:
        deeds.append(Deed("swapped", tuple(f"{old}>{new}" for old, new in head.swapped)))
    return deeds


# --- its words ----------------------------------------------------------------------------------


def _letter(
    run: Run, wrong: Sequence[Finding], deeds: Sequence[Deed], last: Verdict | None, *, free: bool
) -> Letter:
    state = NOT_YET if not free else REPAIRED if wrong or deeds else SOUND
    chapters = [
        (WRONG, tuple(dict.fromkeys(map(_fault, wrong))) or ("No fault was found.",)),
        (DONE, tuple(dict.fromkeys(_done(deeds)))),
        (PROVED, tuple(_proof(last, free=free))),
        (NEXT, () if free else tuple(_plans(last))),
        (UNPROMISED, tuple(_unpromised(run, deeds, free=free))),
    ]
    return Letter(state, _about(run.head), tuple(c for c in chapters if c[1]))


def _about(head: Head) -> str:
    said = (("Board", head.board), ("serial number", head.serial), ("ticket", head.ticket))
    return ", ".join(f"{what} {name}" for what, name in said if name)


def _fault(f: Finding) -> str:
    return _begin(_FAULTS.get(f.cause, _FAULTS[Cause.UNDECIDED]).format(at=_at(f.place, f.one_of)))


def _at(place: Place, one_of: Sequence[str] = ()) -> str:
    if one_of:
        return f"one of the memory chips {sites_in_short(one_of)}"
    if place.site is not None:
        return f"the memory chip {place.site}"
    return "the memory" if place.rail is None else "a group of memory chips"


def _done(deeds: Sequence[Deed]) -> Iterator[str]:
    if not deeds:
        yield "Nothing was changed on the board: it was measured and tested."
    for deed in deeds:
        if deed.action == "swapped":
            moved = sites_in_short(site for pair in deed.sites for site in pair.split(">"))
            yield f"The memory chips {moved} changed places, to see whether the fault follows."
            continue
        parts = [name.removeprefix("part:") for name in deed.sites if name.startswith("part:")]
        sites = [name for name in deed.sites if not name.startswith("part:")]
        if sites and deed.action in _DEEDS:
            at = f"at {sites_in_short(sites)}"
            yield _DEEDS[deed.action].format(at=at)
        if parts:
            yield f"The part {', '.join(parts)} was {deed.action}."


def _proof(last: Verdict | None, *, free: bool) -> Iterator[str]:
    if last is None or not free:
        yield "It is not proved yet that the board works: the tests so far do not show it."
        return
    run = last.run
    if run.training:
        yield (
            "The board was started, and every connection to its memory was set up and measured "
            "anew: all of them work."
        )
    bits = sum(row.bits or 0 for row in last.table)
    wrong = sum(row.errors or 0 for row in last.table)
    if bits:
        came = "all of it came back right" if not wrong else "what came back wrong is within limits"
        yield f"{_amount(bits)} of data were written to the memory and read back: {came}."
    if not (bits or run.training):
        yield "The measurements on the board show no fault."


def _amount(bits: int) -> str:
    """`about 3,600 gigabytes`: 8 bits are a byte."""
    size = bits / 8e9
    if size >= 1:
        return f"About {float(f'{size:.2g}'):,.0f} gigabytes"
    return f"About {float(f'{bits / 8e6:.2g}'):,.0f} megabytes" if bits >= 8e6 else "Some"


def _plans(last: Verdict | None) -> Iterator[str]:
    if last is None:
        yield _PLANS[Action.RETEST]
        return
    plans = dict.fromkeys(
        _begin(_PLANS[f.action].format(at=_at(f.place, f.one_of)))
        for f in _wanting(last)
        if f.action in _PLANS
    )
    yield from plans or (_PLANS[Action.RETEST],)


def _unpromised(run: Run, deeds: Sequence[Deed], *, free: bool) -> Iterator[str]:
    yield "Only the memory and its connections were examined, no other part of the board."
    if not free:
        yield "Whether the board can be saved is known when the work is done and tested."
        return
    yield "A test shows how the memory works today. It cannot show how long it will."
    if run.head.ambient is not None:
        warm = f"{run.head.ambient:.0f} degrees Celsius"
        yield f"It was tested at {warm}; other temperatures were not tried."
    if any(deed.action in _HOT for deed in deeds):
        yield (
            "Where something was soldered, the parts around it were warmed too: that may shorten "
            "their life."
        )


def _begin(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
