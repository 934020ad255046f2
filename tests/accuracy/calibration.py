"""Stated probabilities against outcomes: as often so as they say?"""

from __future__ import annotations

import math
from collections.abc import Sequence

from tests.accuracy.scoring import Claim, Score
from tests.accuracy.tables import share, table

CAUSES = ("missing", "weak", "joint", "bridge", "supply", "controller")
STATED = (*CAUSES, "spillover", "clear")
AIM = 3.0
"""The most that stated and true may differ, in points."""

Bins = list[tuple[float, float, int]]


def calibration(claims: Sequence[Claim], bins: int = 10) -> tuple[float, float, Bins]:
    """Brier score, expected calibration error, and per bin (mean stated, share true, count)."""
    if not claims:
        return math.nan, math.nan, []
    brier = sum((c.probability - c.true) ** 2 for c in claims) / len(claims)
    found = []
    error = 0.0
    for inside in _binned(claims, bins):
        stated = sum(c.probability for c in inside) / len(inside)
        true = sum(c.true for c in inside) / len(inside)
        found.append((stated, true, len(inside)))
        error += len(inside) / len(claims) * abs(stated - true)
    return brier, error, found


def _binned(claims: Sequence[Claim], bins: int) -> list[list[Claim]]:
    """The bins that are not empty, the lowest first."""
    found: dict[int, list[Claim]] = {}
    for claim in claims:
        found.setdefault(min(bins - 1, int(claim.probability * bins)), []).append(claim)
    return [found[k] for k in sorted(found)]


def by_chance(claims: Sequence[Claim], bins: int = 10) -> float:
    """The calibration error to expect of these statements though every one of them be right: so
    few of them happen to be true a little more or less often than was stated.

    In a bin of n the true ones scatter by sqrt(sum p (1 - p)) about those stated, and a normal
    deviate lies sqrt(2 / pi) of its standard deviation from its mean on the average."""
    if not claims:
        return math.nan
    scatter = sum(
        math.sqrt(sum(c.probability * (1 - c.probability) for c in inside))
        for inside in _binned(claims, bins)
    )
    return math.sqrt(2 / math.pi) * scatter / len(claims)


def aims(scores: Sequence[Score]) -> list[tuple[str, float, float, bool]]:
    """(measure, figure in per cent, aim in per cent, True where more is better)."""
    claims = [c for s in scores for c in s.claims]
    plain = [c for c in claims if c.cause != "spillover"]
    groups = {
        "expected calibration error": claims,
        "the same, spillover left out": plain,
        **{f"the same, of {c}": [x for x in claims if x.cause == c] for c in STATED},
        "the same, of places": [c for s in scores for c in s.places],
        "the same, of headlines": _headlines(scores),
    }
    return [(name, 100 * calibration(some)[1], AIM, False) for name, some in groups.items()]


def _headlines(scores: Sequence[Score]) -> list[Claim]:
    return [s.headline for s in scores if s.headline is not None]


def blocks(scores: Sequence[Score]) -> list[tuple[str, str]]:
    """(title, Markdown table) of what was stated of causes, and of places."""
    claims = [c for s in scores for c in s.claims]
    places = [c for s in scores for c in s.places]
    causes = [(c, [x for x in claims if x.cause == c]) for c in STATED]
    words = sorted({c.cause for c in places})
    where = [(c, [x for x in places if x.cause == c]) for c in words]
    return [
        (_title("Stated probability against outcome", claims), _bins(claims)),
        ("The same by cause stated", _by(causes)),
        (_title("Stated probability of the place", places), _bins(places)),
        (
            "The same by cause stated there, and of the headline",
            _by([*where, ("headline", _headlines(scores))]),
        ),
    ]


def _title(words: str, claims: Sequence[Claim]) -> str:
    brier, error, _ = calibration(claims)
    return (
        f"{words} (Brier score {brier:.4f}, expected calibration error {100 * error:.1f} %, "
        f"{len(claims)} statements)"
    )


def _bins(claims: Sequence[Claim]) -> str:
    rows = [(f"{100 * a:.1f} %", f"{100 * b:.1f} %", str(k)) for a, b, k in calibration(claims)[2]]
    return table(("stated", "true", "statements"), rows)


def _by(groups: Sequence[tuple[str, Sequence[Claim]]]) -> str:
    head = ("cause", "statements", "mean stated", "true", "Brier", "calibration error", "by chance")
    return table(head, [_row(*group) for group in groups])


def _row(name: str, claims: Sequence[Claim]) -> tuple[str, ...]:
    if not claims:
        return (name, "0", *("-",) * 5)
    brier, error, _ = calibration(claims)
    n = len(claims)
    stated = 100 * sum(c.probability for c in claims) / n
    true = share(sum(c.true for c in claims), n)
    chance = f"{100 * by_chance(claims):.1f} %"
    return (name, str(n), f"{stated:.1f} %", true, f"{brier:.4f}", f"{100 * error:.1f} %", chance)
