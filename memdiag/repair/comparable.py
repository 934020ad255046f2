"""May these two runs be compared at all? What differs is named; what is not said is a warning."""

from __future__ import annotations

import statistics
from collections.abc import Collection, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from msgspec import Struct

from memdiag.model import Run
from memdiag.model.problems import Problem, problem
from memdiag.repair.other_settings import Unlike, other_settings

RATE_TOLERANCE = 0.005
"""Line rates closer than this are one setting, printed with more or fewer digits."""

WARM = 10.0
"""Kelvin: beyond this a fault that comes with warmth may hide in the cooler run."""

# How far a repair has come at each stage. A package may be taken off before or after the run
# that is called `before-swap`, so that those two have no order.
_STAGE = {"intake": 0, "bare": 1, "before-swap": 1, "after-swap": 2, "final": 3}

_HINTS = {
    "board": "compare runs of one board only",
    "serial": "these are two boards of one kind: compare each with its own earlier run",
    "memory": "one of the heads is wrong, or these are two boards: run again with the right one",
    "rate": "a slower run forgives more: run AFTER again at the rate of BEFORE",
    "test": "run the tests of BEFORE again",
    "point": "run AFTER again at the set points of BEFORE",
}


class Differences(Struct, frozen=True):
    """What two runs differ in. `forbid`: the settings that forbid a comparison; `problems`:
    everything to be said about the pair; `beside`: what is named beside the answer."""

    forbid: tuple[str, ...]
    problems: tuple[Problem, ...]
    beside: tuple[str, ...] = ()


def differences(
    before: Run,
    after: Run,
    rails: Collection[str] = (),
    *,
    any_order: bool = False,
    harmless: Collection[str] = (),
) -> Differences:
    """`rails`: those of the board; `harmless`: keys and readings that the shop lets differ."""
    if same_text(before, after):
        found = problem("compare-same-dump", sha256=after.source.sha256[:16])
        return Differences(("dump",), (found,))
    said = [
        *_settings(before, after),
        *other_settings(before, after, rails, harmless),
        *_drift(before, after),
    ]
    if not any_order:
        said += _order(before, after)
    said += _cuts(before, after)
    return Differences(
        tuple(dict.fromkeys(one.setting for one in said if one.setting)),
        tuple(one.problem for one in said),
        tuple(one.beside for one in said if one.beside),
    )


def same_text(before: Run, after: Run) -> bool:
    """Whether two runs are one text, pasted twice."""
    a, b = before.source, after.source
    if a.sha256 == b.sha256 and a.first_line == b.first_line:
        return True
    texts = [[line.strip() for line in run.text if line.strip()] for run in (before, after)]
    return bool(texts[0]) and texts[0] == texts[1]


def _settings(before: Run, after: Run) -> Iterator[Unlike]:
    for setting in ("board", "serial", "memory", "rate"):
        a, b = getattr(before.head, setting), getattr(after.head, setting)
        if a is not None and b is not None:
            if not _alike(a, b):
                yield _refuse(setting, _show(a), _show(b))
        elif setting != "serial" or a is not None or b is not None:
            yield Unlike(None, problem("compare-unsaid", which=_which(a, b), setting=setting))
    yield from _tests(before, after)


def _refuse(setting: str, a: str, b: str) -> Unlike:
    hint = _HINTS[setting]
    return Unlike(
        setting, problem("compare-differs", setting=setting, before=a, after=b, hint=hint)
    )


def _alike(a: Any, b: Any) -> bool:
    if isinstance(a, float):
        return abs(a - float(b)) <= RATE_TOLERANCE * max(abs(a), abs(float(b)))
    return str(a).casefold() == str(b).casefold()


def _show(value: Any) -> str:
    return f"{value / 1e9:g} Gbit/s" if isinstance(value, float) else str(value)


def _which(a: object, b: object) -> str:
    if a is None and b is None:
        return "neither run says"
    return "BEFORE does not say" if a is None else "AFTER does not say"


def _tests(before: Run, after: Run) -> Iterator[Unlike]:
    if not before.counts or not after.counts:
        return
    for setting in ("test", "point"):
        mine = {getattr(row, setting) for row in before.counts}
        theirs = {getattr(row, setting) for row in after.counts}
        if setting == "test" and (None in mine or None in theirs):
            which = _which(*(None if None in s else s for s in (mine, theirs)))
            yield Unlike(None, problem("compare-unsaid", which=which, setting=setting))
        if None in mine or None in theirs or mine == theirs:
            continue
        a, b = ", ".join(sorted(mine)), ", ".join(sorted(theirs))
        if not mine & theirs:
            yield _refuse(setting, a, b)
        else:
            shared = ", ".join(sorted(mine & theirs))
            hint = f"only {shared} is compared: what the others would show is not known"
            yield Unlike(
                None, problem("compare-drifted", setting=setting, before=a, after=b, hint=hint)
            )


def _drift(before: Run, after: Run) -> Iterator[Unlike]:
    warm = [_temperature(run) for run in (before, after)]
    if warm[0] is not None and warm[1] is not None and abs(warm[0] - warm[1]) > WARM:
        yield Unlike(
            None,
            problem(
                "compare-drifted",
                setting="temperature",
                before=f"{warm[0]:g} C",
                after=f"{warm[1]:g} C",
                hint="a fault that comes with warmth or cold may hide: run AFTER at the same one",
            ),
        )
    a, b = before.head.rig, after.head.rig
    if a and b and a.casefold() != b.casefold():
        hint = "eyes and error rates of two rigs differ by themselves: use one rig where you can"
        yield Unlike(None, problem("compare-drifted", setting="rig", before=a, after=b, hint=hint))


def _temperature(run: Run) -> float | None:
    """The median of the rows' temperatures, else the ambient one."""
    rows: Sequence[Any] = (*run.training, *run.counts)
    said = [row.temp for row in rows if row.temp is not None]
    return statistics.median(said) if said else run.head.ambient


def _order(before: Run, after: Run) -> Iterator[Unlike]:
    dated = [_instant(run.head.at) for run in (before, after)]
    by_date: int | None = None
    if dated[0] is not None and dated[1] is not None and dated[0] != dated[1]:
        by_date = 1 if dated[1] > dated[0] else -1
    staged = [_STAGE.get(run.head.stage or "") for run in (before, after)]
    by_stage: int | None = None
    if staged[0] is not None and staged[1] is not None and staged[0] != staged[1]:
        by_stage = 1 if staged[1] > staged[0] else -1
    clues = {clue for clue in (by_date, by_stage) if clue is not None}
    if clues == {-1}:
        setting = "at" if by_date else "stage"
        a, b = (getattr(run.head, setting) for run in (before, after))
        yield Unlike(setting, problem("compare-wrong-order", setting=setting, before=a, after=b))
    elif len(clues) == 2:
        a, b = (f"{run.head.stage} at {run.head.at}" for run in (before, after))
        yield Unlike(None, problem("compare-order-unclear", before=a, after=b))


def _instant(text: str | None) -> float | None:
    """Seconds since 1970; a time without a zone is taken as UTC. None where it is no time."""
    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        return None


def _cuts(before: Run, after: Run) -> Iterator[Unlike]:
    if not before.source.complete:
        hint = "faults in the missing part are not known: paste BEFORE again if you still have it"
        yield Unlike(None, problem("compare-cut", which="BEFORE", hint=hint))
    if not after.source.complete:
        hint = "no repair is confirmed by a cut dump: paste AFTER again, to its [end] line"
        yield Unlike(None, problem("compare-cut", which="AFTER", hint=hint))
