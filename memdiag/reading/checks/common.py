"""What several checks share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from memdiag.model import CountRow, Run, TrainingRow
from memdiag.model.problems import Position, Problem, problem
from memdiag.model.spelling import closest

MOST_TOLD = 10
"""Problems of one check that are told one by one; of the others only the number is told."""


class Seen(Struct):
    """How many rows show a thing, and where the first of them stands."""

    first: Position
    rows: int = 0


class Sightings:
    """Things seen in rows, in the order of first sight, each to be told once."""

    def __init__(self) -> None:
        self.items: dict[tuple[object, ...], Seen] = {}

    def add(self, position: Position, *thing: object, rows: int = 1) -> None:
        self.items.setdefault(thing, Seen(position)).rows += rows

    def __iter__(self) -> Iterator[tuple[tuple[object, ...], Seen]]:
        return iter(self.items.items())


def few(code: str, found: Sequence[Problem]) -> Iterator[Problem]:
    """The first of many problems of one code, and how many more there are."""
    yield from found[:MOST_TOLD]
    if len(found) > MOST_TOLD:
        last = found[-1].position
        yield problem(
            "more-alike",
            None,
            n=f"{len(found) - MOST_TOLD:,}",
            what=code,
            last=last.line if last else "?",
        )


def rows_text(n: int) -> str:
    return f"{n:,} row{'s' if n != 1 else ''}"


def nearest(name: object, known: Iterable[object]) -> str:
    """`did you mean U7?`, else the names there are: for the end of a hint."""
    shown = list(map(str, known))
    near = closest(str(name), shown)
    if near is not None:
        return f"did you mean {near}?"
    more = f" and {len(shown) - 12} more" if len(shown) > 12 else ""
    return f"there are {', '.join(shown[:12])}{more}" if shown else "it has none"


def head_line(run: Run, key: str) -> Position | None:
    """Where the head says `key`; the last where it says it twice, as that one counts."""
    found = [line.position for line in run.head.lines if line.key == key]
    return found[-1] if found else None


def measured(run: Run) -> Iterator[TrainingRow | CountRow]:
    yield from run.training
    yield from run.counts
