"""The section of the accuracy page on release, and where it stands on the page."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from tests.accuracy.release import Tried, wrongly_let_go
from tests.accuracy.tables import aim_row, share, table
from tests.simulator.damaging import Weight

TITLE = "Release"
BEFORE = "## "
"""It is the first section: a board that is let go with its fault is the dearest mistake."""


def section(tried: Sequence[Tried], first: int, last: int) -> str:
    """The whole section in Markdown, its title with it."""
    parts = [
        f"## {TITLE}",
        WORDS.format(first=first, last=last),
        table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(tried)]),
        MEASURES,
        *(f"### {title}\n\n{body}" for title, body in _blocks(tried)),
    ]
    return "\n\n".join(parts) + "\n"


def _of(tried: Iterable[Tried], group: str, weight: Weight | None = None) -> list[Tried]:
    return [t for t in tried if t.group == group and weight in (None, t.weight)]


def forbidden(tried: Iterable[Tried]) -> list[Tried]:
    """Damaged dumps that forbid a release, of boards that were released without the damage."""
    return [t for t in _of(tried, "damaged", Weight.FORBIDS) if t.before]


def aims(tried: Sequence[Tried]) -> list[tuple[str, float, float, bool]]:
    """(measure, figure in per cent, aim in per cent, True where more is better)."""
    harmless = [t for t in _of(tried, "damaged", Weight.HARMLESS) if t.before]
    whole = [t for t in _of(tried, "sound") if t.kind == "fully measured"]
    hurt = forbidden(tried)
    pairs = [*_of(tried, "not mended"), *_of(tried, "mended, damaged")]
    mended = _of(tried, "mended")
    kinds = len({t.kind for t in hurt})
    return [
        (f"false clear, {len(hurt)} damaged dumps of {kinds} kinds", _passed(hurt), 0, False),
        ("false clear, boards with a fault that shows", _passed(_of(tried, "faulty")), 0, False),
        ("false hold, sound and fully measured boards", _held(whole), 2, False),
        ("false hold, dumps with a harmless damage", _held(harmless), 2, False),
        ("false repaired", _passed(pairs), 0, False),
        ("repairs called repaired", _passed(mended), math.nan, True),
    ]


def _passed(tried: Sequence[Tried]) -> float:
    return 100 * sum(t.passed for t in tried) / len(tried) if tried else math.nan


def _held(tried: Sequence[Tried]) -> float:
    return 100 - _passed(tried)


def _blocks(tried: Sequence[Tried]) -> list[tuple[str, str]]:
    damaged = [t for t in _of(tried, "damaged") if t.before]
    repairs = [*_of(tried, "mended, damaged"), *_of(tried, "not mended")]
    return [
        ("Sound boards by what their dumps hold", _table(_of(tried, "sound"), "dump", _kind)),
        ("Dumps with one damage", _weighed(damaged)),
        ("Boards with a fault that shows", _table(_of(tried, "faulty"), "fault", _kind)),
        ("The same by how it shows", _table(_of(tried, "faulty"), "shows as", _shows)),
        (
            "Pairs that are no repair",
            _table(repairs, "pair", lambda t: f"{t.group}: {t.kind}", "called repaired"),
        ),
        ("Pairs that are one", _table(_of(tried, "mended"), "fault", _kind, "called repaired")),
    ]


def _kind(tried: Tried) -> str:
    return tried.kind


def _shows(tried: Tried) -> str:
    return tried.shows


def _table(
    tried: Sequence[Tried], head: str, by: Callable[[Tried], str], word: str = "released"
) -> str:
    groups: dict[str, list[Tried]] = {}
    for one in tried:
        groups.setdefault(by(one), []).append(one)
    rows = [
        (name, str(len(group)), share(sum(t.passed for t in group), len(group)))
        for name, group in sorted(groups.items())
    ]
    return table((head, "tried", word), rows)


def _weighed(tried: Sequence[Tried]) -> str:
    """By kind of damage: released, of those that forbid it, leave it open, and do no harm."""
    rows = []
    for kind in sorted({t.kind for t in tried}):
        row = [kind]
        for weight in Weight:
            group = [t for t in tried if t.kind == kind and t.weight is weight]
            passed = sum(t.passed for t in group)
            row.append(f"{passed} of {len(group)}" if group else ".")
        rows.append(row)
    return table(("damage", "forbids: released", "open: released", "harmless: released"), rows)


def figures(tried: Sequence[Tried]) -> str:
    """The account for a terminal: aims, tables, and each that was wrongly let go."""
    parts = [table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(tried)])]
    parts += [f"{title}\n{body}" for title, body in _blocks(tried)]
    crashes = [t.line for t in tried if t.crash]
    parts.append("\n".join(["let go:", *(t.line for t in wrongly_let_go(tried))]))
    parts.append("\n".join(["crashed:", *crashes]))
    return "\n\n".join(parts)


WORDS = """\
Whether boards are let go that must not be. Sound boards (seeds {first} to {last}) are judged as
they are and with one damage to their dump; boards with one fault are judged, and compared with
the same board after a repair, after none, and after one whose dump is damaged."""

MEASURES = """\
- **false clear**: a release where the rule of release forbids it. Of damaged dumps those of sound
  boards that are released without the damage count. Whether a damage forbids a release is judged
  from the text and the damage (`tests/simulator/damage.py`): something that must be known is gone,
  or speaks against the board. A fault shows where the same board, rig and noise without it print
  a step that does not fail, three or more wrong bits less in a row, links that are not heard with
  it, or an eye that is not under 70 % of the median of its step.
- **false hold**: a sound board that is not released. Fully measured is one with a `read` or `write`
  step and a count for every lane and nothing printed against it. A sound board may have a stray
  wrong bit or a warning, and is then listed apart; so is one without a profile, of which nobody
  can know that every lane was measured. A harmless damage leaves all there is to know: capitals,
  a decimal comma, another word for `pass`.
- **false repaired**: a comparison that says `repaired` where the fault is not mended, or where the
  dump after the repair has a damage that forbids a release."""
