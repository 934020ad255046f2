"""The accuracy page: every measure in words, its figure, and how far it is from the aim."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from tests.accuracy.scoring import Claim, Found, Score
from tests.accuracy.tables import aim_row, share, table

CAUSES = ("missing", "weak", "joint", "bridge", "supply", "controller")
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


def calibration(
    claims: Sequence[Claim], bins: int = 10
) -> tuple[float, float, list[tuple[float, float, int]]]:
    """Brier score, expected calibration error, and per bin (mean stated, share true, count)."""
    if not claims:
        return math.nan, math.nan, []
    brier = sum((c.probability - c.true) ** 2 for c in claims) / len(claims)
    table = []
    error = 0.0
    for k in range(bins):
        inside = [c for c in claims if k == min(bins - 1, int(c.probability * bins))]
        if inside:
            stated = sum(c.probability for c in inside) / len(inside)
            true = sum(c.true for c in inside) / len(inside)
            table.append((stated, true, len(inside)))
            error += len(inside) / len(claims) * abs(stated - true)
    return brier, error, table


def aims(scores: Sequence[Score]) -> list[tuple[str, float, float, bool]]:
    """(measure, figure in per cent, aim in per cent, True where more is better)."""
    found = counted(scores)
    n, place, cause, action, _ = _rates(found)
    plain = [f for f in found if f.told_apart]
    healthy = [s for s in scores if s.healthy]
    replaces = sum(s.replaces for s in scores)
    wrong = sum(len(s.wrong_replace) for s in scores)
    claims = [c for s in scores for c in s.claims]
    _, ece, _ = calibration(claims)
    causes = [c for c in claims if c.cause != "spillover"]

    def pc(hits: float, of: float) -> float:
        return 100 * hits / of if of else math.nan

    return [
        ("place", pc(place, n), 98, True),
        ("place with channel, lane and line", pc(sum(f.exact for f in found), n), math.nan, True),
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
        ("expected calibration error", 100 * ece, 3, False),
        ("the same, spillover left out", 100 * calibration(causes)[1], 3, False),
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
    claims = [c for s in scores for c in s.claims]
    brier, ece, bins = calibration(claims)
    out = [
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
        (
            f"Stated probability against outcome (Brier score {brier:.4f}, expected calibration "
            f"error {100 * ece:.1f} %, {len(claims)} statements)",
            table(
                ("stated", "true", "statements"),
                [(f"{100 * a:.1f} %", f"{100 * b:.1f} %", str(k)) for a, b, k in bins],
            ),
        ),
        (
            "The same by cause stated",
            table(
                ("cause", "statements", "mean stated", "true", "Brier", "calibration error"),
                [
                    _claim_row(c, [x for x in claims if x.cause == c])
                    for c in (*CAUSES, "spillover", "clear")
                ],
            ),
        ),
    ]
    return out


def _claim_row(cause: str, claims: Sequence[Claim]) -> tuple[str, ...]:
    if not claims:
        return (cause, "0", "-", "-", "-", "-")
    brier, ece, _ = calibration(claims)
    n = len(claims)
    stated = 100 * sum(c.probability for c in claims) / n
    true = share(sum(c.true for c in claims), n)
    return (cause, str(n), f"{stated:.1f} %", true, f"{brier:.4f}", f"{100 * ece:.1f} %")


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
- **wrong replace**: of all findings that say `replace`, those at a site whose package is good.
- **expected calibration error**: stated probabilities in ten bins; the mean distance between what
  was stated and how often it was so (cause, place, and every channel, lane and line named),
  weighted by the number of statements. A spillover is so where the site has no visible fault of
  its own and the board has one. Declared removals and `undecided` are left out."""

LIMITS = """\
## What these figures do not say

The faults come in a mix that is common practice and has no source; another bench sees another
mix. A simulated rig knows every habit in `tests/simulator/rig.py` and no other. A right verdict
on a simulated board is no promise for a real one."""
