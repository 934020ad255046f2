"""Settings and readings that memdiag gives no meaning to: what of them makes two runs unlike?

A head key, or a reading of `[values]`, that differs may be the very thing that made the errors go
away: a timing, a voltage, a firmware. Unless it is known to be harmless it forbids the comparison,
and what is physics rather than a setting is named beside the answer.
"""

from __future__ import annotations

import statistics
from collections.abc import Collection, Iterator, Mapping

from msgspec import Struct

from memdiag.model import Place, Run, ValueRow
from memdiag.model.problems import Problem, problem
from memdiag.model.quantities import Quantity, parse, scale

_WHEN = frozenset({"at", "time", "date", "timestamp", "started", "finished"})
_WHICH = frozenset({"id", "run", "ticket", "job", "stage", "note", "notes", "comment", "remark"})
_WHO = frozenset({"operator", "tech", "technician"})
_RIG = frozenset({"rig", "rigserial", "rigno", "rignumber", "rigid", "bench", "station"})
_DONE = frozenset({"removed", "swapped", "replaced", "reflowed"})
HARMLESS = _WHEN | _WHICH | _WHO | _RIG | _DONE | {"ambient"}
"""Head keys that may differ: who, when, what was done, and what has a rule of its own; in lower
case, without blanks, dashes and underscores. A shop adds its own (`[compare] harmless`)."""

SAME_SETTING = 0.005
"""Two figures of a head that are closer are one setting, printed with more or fewer digits."""

SAME_READING = 0.05
"""Two readings that are closer are alike; common practice, no source."""

_SETTINGS = frozenset({"", "s", "Hz", "bit/s", "V", "tap"})
"""Units of what somebody sets: a bare number, a time, frequency, rate, voltage or taps. All others
are read off the board: temperatures, currents, powers, resistances, shares."""

_AGAIN = (
    "run AFTER again under the settings of BEFORE; what was set otherwise may be what the errors "
    "went with; if {name} has no effect on the memory, name it under [compare] harmless in the "
    "shop's settings"
)


class Unlike(Struct, frozen=True):
    """One thing the runs differ in. `setting` where it forbids the comparison, else None; `beside`
    what is named beside the answer, empty where the problem is enough."""

    setting: str | None
    problem: Problem
    beside: str = ""


def plain(key: str) -> str:
    """A key without case, blanks, dashes and underscores."""
    return "".join(c for c in key.casefold() if c.isalnum())


def other_settings(
    before: Run, after: Run, rails: Collection[str], harmless: Collection[str] = ()
) -> Iterator[Unlike]:
    """`rails`: the board's, whose voltage is read and not set; `harmless`: the shop's own keys and
    names of readings that may differ."""
    spared = HARMLESS | {plain(key) for key in harmless}
    yield from _head(before, after, spared)
    yield from _readings(before, after, {plain(r) for r in rails}, spared)


def refused(name: str, before: str, after: str) -> Unlike:
    """A setting that memdiag gives no meaning to and that forbids the comparison."""
    hint = _AGAIN.format(name=name)
    return Unlike(
        name, problem("compare-differs", setting=name, before=before, after=after, hint=hint)
    )


# --- the head -----------------------------------------------------------------------------------


def _head(before: Run, after: Run, spared: Collection[str]) -> Iterator[Unlike]:
    old, new = _lines(before), _lines(after)
    for key in dict.fromkeys((*old, *new)):
        name = plain(key)
        if name in spared or _understood(before, name) or _understood(after, name):
            continue
        was, now = old.get(key), new.get(key)
        if was is None or now is None:
            which = "BEFORE does not say" if was is None else "AFTER does not say"
            found = problem("compare-unsaid", which=which, setting=key)
            yield Unlike(None, found, f"{key} ({was or now}) is said by one run only")
        elif not _same(was, now):
            yield refused(key, was, now)


def _lines(run: Run) -> Mapping[str, str]:
    said = {line.key.casefold(): " ".join(line.value.split()) for line in run.head.lines}
    return {key: value for key, value in said.items() if value not in ("", "-")}


def _understood(run: Run, name: str) -> bool:
    """A key whose value memdiag read: it has a rule of its own."""
    return getattr(run.head, name, None) is not None


def _same(was: str, now: str) -> bool:
    if was.casefold() == now.casefold():
        return True
    try:
        one, two = parse(was), parse(now)
    except ValueError:
        return False
    if _base(one) != _base(two):
        return False
    return not _apart(_in_base(one), _in_base(two), SAME_SETTING)


# --- readings -----------------------------------------------------------------------------------

_Key = tuple[str, Place, str | None]


def _readings(
    before: Run, after: Run, rails: Collection[str], spared: Collection[str]
) -> Iterator[Unlike]:
    """One thing a name: of many places that differ the first is shown."""
    old, new = _by_key(before), _by_key(after)
    names: dict[str, list[tuple[bool, str, str, str]]] = {}
    for key in (k for k in old if k in new and plain(k[0]) not in spared):
        read = plain(key[0]) in rails
        pair = _differing(old[key], new[key])
        if pair is not None:
            was, now, setting = pair
            name = old[key][0].name
            at = "" if key[1] == Place() else f" at {key[1]}"
            names.setdefault(name, []).append((setting and not read, at, was, now))
    for name, found in names.items():
        # One place where it forbids the comparison is enough; that one is shown.
        setting, at, was, now = max(found, key=lambda f: f[0])
        more = f" and at {len(found) - 1} more" if len(found) > 1 else ""
        if setting:
            yield refused(f"{name}{at}{more}", was, now)
        else:
            yield _named(f"{name}{at}{more}", was, now)
    yield from _one_sided(old, new, spared)


def _named(name: str, was: str, now: str) -> Unlike:
    hint = (
        "a reading this far off may hide a fault or make one: run AFTER under the same conditions"
    )
    found = problem("compare-drifted", setting=name, before=was, after=now, hint=hint)
    return Unlike(None, found, f"{name}: {was} before, {now} after")


def _one_sided(
    old: Mapping[_Key, object], new: Mapping[_Key, object], spared: Collection[str]
) -> Iterator[Unlike]:
    names = [dict.fromkeys(k[0] for k in side if plain(k[0]) not in spared) for side in (old, new)]
    for mine, theirs, which in (
        (names[0], names[1], "AFTER does not say"),
        (names[1], names[0], "BEFORE does not say"),
    ):
        alone = [name for name in mine if name not in theirs]
        if alone:
            some = ", ".join(alone[:4]) + (f" and {len(alone) - 4} more" if alone[4:] else "")
            yield Unlike(None, problem("compare-unsaid", which=which, setting=some))


def _by_key(run: Run) -> dict[_Key, list[ValueRow]]:
    found: dict[_Key, list[ValueRow]] = {}
    for row in run.values:
        if row.text not in ("", "-"):
            found.setdefault((row.name.casefold(), row.place, row.point), []).append(row)
    return found


def _differing(old: list[ValueRow], new: list[ValueRow]) -> tuple[str, str, bool] | None:
    """`(before, after, whether it is a setting)` where they differ by more than repeats do."""
    one, two = _middle(old), _middle(new)
    if one is None or two is None or _base(one) != _base(two):
        texts = [sorted({" ".join(row.text.casefold().split()) for row in r}) for r in (old, new)]
        return None if texts[0] == texts[1] else (old[0].text, new[0].text, True)
    if not _apart(_in_base(one), _in_base(two), SAME_READING):
        return None
    return str(one), str(two), _base(one) in _SETTINGS


def _middle(rows: list[ValueRow]) -> Quantity | None:
    """The median of repeats, in the unit of the first; None where one of them is no number."""
    values = [row.value for row in rows if row.value is not None]
    if len(values) < len(rows) or len({_base(v) for v in values}) > 1:
        return None
    unit = values[0].unit
    factor = _factor(values[0])
    return Quantity(statistics.median(_in_base(v) for v in values) / factor, unit)


def _base(value: Quantity) -> str:
    return "" if value.unit is None else scale(value.unit)[1]


def _factor(value: Quantity) -> float:
    return 1.0 if value.unit is None else scale(value.unit)[0]


def _in_base(value: Quantity) -> float:
    return value.value * _factor(value)


def _apart(a: float, b: float, share: float) -> bool:
    return abs(a - b) > share * max(abs(a), abs(b))
