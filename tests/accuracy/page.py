"""The accuracy page: every measure in words, its figure, and how far it is from the aim."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from tests.accuracy import calibration
from tests.accuracy.calibration import CAUSES
from tests.accuracy.scoring import Found, GroupWas, Score
from tests.accuracy.tables import aim_row, share, table

SAID = (*CAUSES, "spillover", "undecided", "clear", "nothing")


def counted(scores: Iterable[Score]) -> list[Found]:
    return [f for s in scores for f in s.found if f.counts and not f.expected]


def _rates(found: Sequence[Found]) -> tuple[int, int, int, int, int]:
    n = len(found)
    return (
        n,
        sum(f.place for f in found),
        sum(f.right_cause for f in found),
        sum(f.right_action for f in found),
        sum(f.open_ for f in found),
    )


def aims(scores: Sequence[Score]) -> list[tuple[str, float, float, bool]]:
    """(measure, figure in per cent, aim in per cent, True where more is better)."""
    found = counted(scores)
    n, place, cause, action, _ = _rates(found)
    plain = [f for f in found if f.told_apart]
    healthy = [s for s in scores if s.healthy]
    replaces = sum(s.replaces for s in scores)
    wrong = sum(len(s.wrong_replace) for s in scores)
    headed = [s.headed for s in scores if s.headed is not None]

    def pc(hits: float, of: float) -> float:
        return 100 * hits / of if of else math.nan

    return [
        ("place", pc(place, n), 98, True),
        ("place with channel, lane and line", pc(sum(f.exact for f in found), n), math.nan, True),
        ("place of the headline", pc(sum(headed), len(headed)), math.nan, True),
        ("cause", pc(cause, n), 95, True),
        (
            "cause, look-alikes that print the same left out",
            pc(sum(f.right_cause for f in plain), len(plain)),
            95,
            True,
        ),
        ("action", pc(action, n), math.nan, True),
        (
            "false alarms on healthy boards",
            pc(sum(s.alarm for s in healthy), len(healthy)),
            0.5,
            False,
        ),
        ("wrong replace", pc(wrong, replaces), 1, False),
        *calibration.aims(scores),
    ]


def _split(scores: Sequence[Score], by: Callable[[Score], object]) -> dict[object, list[Score]]:
    groups: dict[object, list[Score]] = {}
    for s in scores:
        groups.setdefault(by(s), []).append(s)
    return dict(sorted(groups.items(), key=lambda p: str(p[0])))


def _rows(groups: dict[object, list[Found]]) -> list[list[str]]:
    rows = []
    for name, found in groups.items():
        n, place, cause, action, still = _rates(found)
        rows.append(
            [str(name), str(n), share(place, n), share(cause, n), share(action, n), share(still, n)]
        )
    return rows


def _kept(known: bool, dirty: bool) -> str:
    return f"{'profile' if known else 'no profile'}, {'dirty' if dirty else 'tidy'}"


def _misses(found: Sequence[Found]) -> list[list[str]]:
    """Where wrong causes come from: the kinds that lose most, and what is said of them instead."""
    lost: dict[str, list[Found]] = {}
    for f in found:
        if not f.right_cause:
            lost.setdefault(f.kind, []).append(f)
    total = sum(map(len, lost.values()))
    rows = []
    for kind, missed in sorted(lost.items(), key=lambda p: -len(p[1])):
        words = Counter(f.said for f in missed).most_common(3)
        alike = sum(not f.told_apart for f in missed)
        rows.append(
            [
                kind,
                str(len(missed)),
                share(len(missed), total),
                str(alike or "."),
                ", ".join(f"{word} {n}" for word, n in words),
            ]
        )
    return rows


def _by_kind(scores: Sequence[Score]) -> dict[object, list[Found]]:
    groups: dict[object, list[Found]] = {}
    for f in counted(scores):
        groups.setdefault(f.kind, []).append(f)
    return dict(sorted(groups.items(), key=lambda p: -len(p[1])))


HEAD = ("faults", "place", "cause", "action", "still open")


def blocks(scores: Sequence[Score]) -> list[tuple[str, str]]:
    """(title, Markdown table) for every breakdown."""
    found = counted(scores)
    confusion: Counter[tuple[str, str]] = Counter((f.cause, f.said) for f in found)
    return [
        ("By fault", table(("fault", *HEAD), _rows(_by_kind(scores)))),
        (
            "Where wrong causes come from",
            table(
                ("fault", "missed", "of all missed", "look-alikes", "said instead"), _misses(found)
            ),
        ),
        (
            "By number of faults",
            table(
                ("at once", *HEAD),
                _rows({k: counted(g) for k, g in _split(scores, lambda s: s.faults).items() if k}),
            ),
        ),
        (
            "By memory family",
            table(
                ("family", *HEAD),
                _rows({k: counted(g) for k, g in _split(scores, lambda s: s.family).items()}),
            ),
        ),
        (
            "By what the dump prints",
            table(
                ("sections", *HEAD),
                _rows({k: counted(g) for k, g in _split(scores, lambda s: s.sections).items()}),
            ),
        ),
        (
            "With and without profile, tidy and dirty",
            table(
                ("dump", *HEAD),
                _rows(
                    {
                        _kept(*k): counted(g)
                        for k, g in _split(scores, lambda s: (s.known, s.dirty)).items()
                    }
                ),
            ),
        ),  # type: ignore[index]
        (
            "Cause by cause (rows: what it is; columns: what was said)",
            table(
                ("is", *SAID), [[c, *(str(confusion[c, w] or ".") for w in SAID)] for c in CAUSES]
            ),
        ),
        ("Groups of suspects by size", _groups(scores)),
        *calibration.blocks(scores),
    ]


def _groups(scores: Sequence[Score]) -> str:
    """How many groups of each size were named, and what became of them."""
    was = Counter((g.size, g.was) for s in scores for g in s.groups)
    rows = [
        [str(size), *(str(was[size, word] or ".") for word in GroupWas)]
        for size in sorted({size for size, _ in was})
    ]
    return table(("packages", *GroupWas), rows)


def figures(scores: Sequence[Score]) -> str:
    """The whole account for a terminal."""
    parts = [table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(scores)])]
    parts += [f"{title}\n{body}" for title, body in blocks(scores)]
    parts.append(_rest(scores))
    return "\n\n".join(parts)


def _rest(scores: Sequence[Score]) -> str:
    healthy = [s for s in scores if s.healthy]
    sick = [s for s in scores if s.found and not s.healthy]
    dirty = [s for s in scores if s.dirty]
    tidy = [s for s in scores if not s.dirty]
    hidden = [f for s in scores for f in s.found if not f.expected]
    off = [f for s in scores for f in s.found if f.expected]
    unplaced = [f for f in hidden if f.visible and not f.located]
    crashes = Counter(s.crash.split(":")[0] for s in scores if s.crash)
    wrong = [s for s in scores if s.wrong_replace]
    said = {
        "Scenes": f"{len(scores)}, of them healthy {len(healthy)}",
        "Healthy boards for which a retest was asked": _part(healthy, lambda s: s.retest),
        "Sick boards on which a healthy place was told to be worked on": _part(
            sick, lambda s: bool(s.accused)
        ),
        "Disturbed healthy sites nobody is told to work on": share(
            sum(s.spared for s in scores), sum(s.disturbed for s in scores)
        ),
        "Scenes with a wrong `replace`": f"{share(len(wrong), len(scores))} "
        f"({sum(len(s.wrong_replace) for s in wrong)} of {sum(s.replaces for s in scores)} said)",
        "Faults that left no trace in the dump": _part(hidden, lambda f: not f.visible),
        "Faults with a trace but without a place": share(len(unplaced), len(hidden)),
        "Packages off on purpose": f"{len(off)}, found {_part(off, lambda f: f.place)}, "
        f"right action {_part(off, lambda f: f.right_action)}",
        "Tidy dumps with an error-severity problem": _part(tidy, lambda s: bool(s.problems)),
        "Dirty dumps with an error-severity problem": _part(dirty, lambda s: bool(s.problems)),
        "No verdict at all": f"{sum(crashes.values())} {dict(crashes) or ''}".strip(),
    }
    return "\n".join(f"- {what}: {value}." for what, value in said.items())


def _part(items: Sequence[Any], test: Callable[[Any], bool]) -> str:
    return share(sum(map(test, items)), len(items))


def page(scores: Sequence[Score], first: int, filters: dict[str, object]) -> str:
    """docs/accuracy.md."""
    parts = [
        "# How right the verdicts are",
        "Written by `python -m tests.accuracy`; do not edit.",
        INTRODUCTION.format(count=len(scores), first=first, last=first + len(scores) - 1),
        "## Against the aims",
        table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(scores)]),
        MEASURES,
    ]
    if filters:
        parts.insert(2, f"**Only scenes with {filters}: not the figures to quote.**")
    for title, body in blocks(scores):
        parts += [f"## {title}", body]
    parts += ["## The rest", _rest(scores), LIMITS]
    return "\n\n".join(parts) + "\n"


INTRODUCTION = """\
{count} boards, most of which nobody built, were simulated from the physics (lines, eyes, buses,
boot sequences, rails, arrays), with none to three faults each, on rigs of different habits, and
their dumps judged. Seeds {first} to {last}: seeds from 1,000,000 on are for measuring only; work
on the analyser looks at seeds below 100,000. The simulator lives in `tests/simulator` and shares
with the analyser the types of a dump, the board profile, and nothing else."""

MEASURES = """\
What the measures mean. A fault counts where the dump holds a trace of it (the same board, rig
and noise run again without the fault gives other rows, by more than three natural standard
deviations) and where some row of that trace can only mean the fault's place.

- **place**: among the findings that want action, taken from the most urgent as many as there are
  visible faults, one names the right site (rail for a supply fault; partition or channel for a
  controller fault).
- **place with channel, lane and line**: the first finding there names no channel, lane or line
  that is wrong.
  A group of packages of which one is meant is the right place of any of them where the same fault
  at each would have printed the same dump, and where it is no more than half of the board.
- **place of the headline**: on boards with a fault that counts, the place that the summary names
  is that of one.
- **cause**: the first finding at the right place gives the right cause.
- **look-alikes left out**: the same without the faults for which another kind of fault at the
  same place (two open lines for a bridge, a dead controller channel for an open command ball, and
  the like) was simulated too and printed the very same dump, and without those where the counts
  or widths of one lane are all there is, which a sick array, a soft package and a high-ohmic ball
  can each print: there no reader can tell.
- **action**: that finding asks for a right action.
- **still open**: that finding is `undecided` or asks for a retest.
- **false alarms on healthy boards**: boards without any fault for which something is to be done
  to the board; asking for a retest is counted apart.
- **wrong replace**: of all findings that say `replace`, those at a site whose package is good, or
  at a group of which one is.
- **expected calibration error**: stated probabilities in ten bins; the mean distance between what
  was stated and how often it was so (cause, place, and every channel, lane and line named),
  weighted by the number of statements. A spillover is so where the site has no visible fault of
  its own and the board has one. Declared removals and `undecided` are left out. A **place** is
  stated rightly where a fault lies in it, however wide it is; `undecided` states one too. A
  **headline** that clears the board states how probable it is that something is wrong with it.
  Beside each stands how much would be expected **by chance** of so few statements, were they all
  as probable as stated."""

LIMITS = """\
## What these figures do not say

The faults come in a mix that is common practice and has no source; another bench sees another
mix. A simulated rig knows every habit in `tests/simulator/rig.py` and no other. A right verdict
on a simulated board is no promise for a real one."""
