"""The section of the accuracy page on headroom: what the dumps hold that the analyser misses."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct

from tests.accuracy.headroom.answers import Answer
from tests.accuracy.scoring import Found, Score
from tests.accuracy.tables import aim_row, share, table

TITLE = "Headroom"
BELOW = 2.0
"""How many points the analyser may lie below the meter in any group."""


class Pair(Struct, frozen=True):
    """One fault that counts: what the analyser made of it and what the meter did."""

    found: Found
    meter: Answer
    sections: str
    faults: int

    @property
    def right(self) -> bool:
        """Whether the analyser names place and cause."""
        return self.found.place and self.found.right_cause

    @property
    def meter_right(self) -> bool:
        return self.meter.place and self.meter.cause


def paired(scores: Iterable[Score], answers: Iterable[Sequence[Answer]]) -> list[Pair]:
    """The faults that count, each with both answers. A scene that crashed the analyser has none."""
    return [
        Pair(found, meter, score.sections, score.faults)
        for score, of_scene in zip(scores, answers, strict=True)
        for found, meter in zip(score.found, of_scene, strict=bool(score.found))
        if found.counts and not found.expected
    ]


def section(pairs: Sequence[Pair], learnt: int) -> str:
    """The whole section in Markdown, its title with it."""
    parts = [
        f"## {TITLE}",
        WORDS.format(learnt=learnt),
        table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(pairs)]),
        MEASURES,
        *(f"### {title}\n\n{body}" for title, body in _blocks(pairs)),
    ]
    return "\n\n".join(parts) + "\n"


def figures(pairs: Sequence[Pair]) -> str:
    """The account for a terminal."""
    parts = [table(("measure", "figure", "aim", ""), [aim_row(*a) for a in aims(pairs)])]
    return "\n\n".join([*parts, *(f"{title}\n{body}" for title, body in _blocks(pairs))])


def aims(pairs: Sequence[Pair]) -> list[tuple[str, float, float, bool]]:
    """(measure, figure in per cent, aim in per cent, True where more is better)."""
    place = [p for p in pairs if p.found.place or p.meter.place]
    cause = [p for p in pairs if p.found.right_cause or p.meter.cause]
    return [
        ("place, of faults that can be placed", _pc(place, lambda p: p.found.place), 98, True),
        ("cause, of faults that can be named", _pc(cause, lambda p: p.found.right_cause), 95, True),
        ("faults that can be placed", _share_of(place, pairs), math.nan, True),
        ("faults that can be named", _share_of(cause, pairs), math.nan, True),
    ]


def _pc(pairs: Sequence[Pair], test: Callable[[Pair], bool]) -> float:
    return 100 * sum(map(test, pairs)) / len(pairs) if pairs else math.nan


def _share_of(some: Sequence[Pair], every: Sequence[Pair]) -> float:
    return 100 * len(some) / len(every) if every else math.nan


Groups = dict[str, list[Pair]]


def _by(pairs: Iterable[Pair], key: Callable[[Pair], str]) -> Groups:
    groups: Groups = {}
    for pair in pairs:
        groups.setdefault(key(pair), []).append(pair)
    return dict(sorted(groups.items(), key=lambda g: (-len(g[1]), g[0])))


def _kinds(pairs: Iterable[Pair]) -> Groups:
    return _by(pairs, lambda p: p.found.kind)


def _sections(pairs: Iterable[Pair]) -> Groups:
    return _by(pairs, lambda p: p.sections)


def _blocks(pairs: Sequence[Pair]) -> list[tuple[str, str]]:
    both = _by(pairs, lambda p: f"{p.found.kind}, {p.sections}")
    return [
        ("All faults", _table("which", {"all": list(pairs)})),
        ("By fault, both readers", _table("fault", _kinds(pairs))),
        ("By what the dump prints, both readers", _table("sections", _sections(pairs))),
        (
            "By number of faults, both readers",
            _table("at once", _by(pairs, lambda p: str(p.faults))),
        ),
        ("By fault and what the dump prints", _table("fault and sections", both)),
        (
            f"Where the analyser is more than {BELOW:g} points below the meter",
            _below({**_kinds(pairs), **_sections(pairs)}),
        ),
    ]


HEAD = (
    *("faults", "place", "meter's place", "cause", "meter's cause", "both right"),
    *("the model is short", "only the analyser", "the dump does not say"),
)


def _table(head: str, groups: Groups) -> str:
    return table((head, *HEAD), [[name, *_row(group)] for name, group in groups.items()])


def _row(pairs: Sequence[Pair]) -> list[str]:
    n = len(pairs)
    tests: tuple[Callable[[Pair], bool], ...] = (
        lambda p: p.found.place,
        lambda p: p.meter.place,
        lambda p: p.found.right_cause,
        lambda p: p.meter.cause,
        lambda p: p.right and p.meter_right,
        lambda p: p.meter_right and not p.right,
        lambda p: p.right and not p.meter_right,
        lambda p: not (p.right or p.meter_right),
    )
    return [str(n), *(share(sum(map(test, pairs)), n) for test in tests)]


def _below(groups: Groups) -> str:
    """The groups and measures in which the meter is ahead by more than the aim allows."""
    rows = []
    for name, group in groups.items():
        for word, ours, theirs in (
            ("place", _pc(group, lambda p: p.found.place), _pc(group, lambda p: p.meter.place)),
            (
                "cause",
                _pc(group, lambda p: p.found.right_cause),
                _pc(group, lambda p: p.meter.cause),
            ),
        ):
            if theirs - ours > BELOW:
                size = str(len(group))
                said = (f"{ours:.1f} %", f"{theirs:.1f} %", f"{theirs - ours:.1f}")
                rows.append((theirs - ours, (name, word, size, *said)))
    ordered = [row for _, row in sorted(rows, key=lambda r: -r[0])]
    return table(("group", "measure", "faults", "analyser", "meter", "points"), ordered)


WORDS = """\
How much the dumps hold that the analyser does not read. The meter is an off-the-shelf classifier
(scikit-learn's gradient boosted trees) that knows nothing of memory: it was shown the same rows,
put into numbers, of {learnt} simulated boards with what was so of each site, rail and channel
(tuning seeds only), and is asked here about the boards of this page. Where it is right and the
analyser is not, the dump says it and the model is short of something. Where neither is right, the
dump does not say, and the aim is an honest answer."""

MEASURES = """\
The meter is held to the words of the tables above. Of the places it finds more probably at fault
than not, the most probable ones count, as many as there are visible faults; its cause is the most
probable one at the first that is right. It names no groups. A fault **can be placed**, or
**named**, where the analyser or the meter gives its place, or its cause. **Right** is place and
cause together."""
