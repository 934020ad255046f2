"""Rows that were printed before, word for word: one reading, said once."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TypeVar

from msgspec.structs import replace

from memdiag.model import Row, Run
from memdiag.model.problems import Position, Problem, problem

R = TypeVar("R", bound=Row)


class Repeats:
    """Leaves rows out that are there already, and counts them."""

    def __init__(self) -> None:
        self._n: dict[str, tuple[int, Position]] = {}

    def once(self, table: str, rows: Sequence[R]) -> tuple[R, ...]:
        """The rows without those that say what one before them says."""
        seen: set[Hashable] = set()
        kept = []
        for row in rows:
            said = _said(row)
            if said in seen:
                self.add(table, 1, row.position)
            else:
                seen.add(said)
                kept.append(row)
        return tuple(kept)

    def add(self, table: str, n: int, first: Position) -> None:
        """So many rows of a table were left out."""
        if n:
            before, position = self._n.get(table, (0, first))
            self._n[table] = (before + n, min(position, first))

    def problems(self) -> list[Problem]:
        """One for each table."""
        return [
            problem("rows-repeated", first, n=f"{n:,}", table=table)
            for table, (n, first) in self._n.items()
        ]


_BESIDES = ("position", "extra")


def _said(row: Row) -> Hashable:
    """All that a row says, without where it stands in the text."""
    return (
        *(
            getattr(row, name)
            for name in row.__struct_fields__
            if name not in ("position", "extra")
        ),
        tuple(sorted(row.extra.items())),
    )


def without(run: Run) -> Run:
    """The run with each row once; the repeats of words of memory were left out when it was read."""
    found = Repeats()
    made = replace(
        run,
        training=found.once("training", run.training),
        counts=found.once("counts", run.counts),
        rails=found.once("rails", run.rails),
        heat=found.once("heat", run.heat),
        values=found.once("values", run.values),
    )
    told = found.problems()
    return made.with_problems(tuple(told)) if told else run
