"""What every kind of damage works with: the dump on paper, and the change that it makes."""

from __future__ import annotations

import random
from collections.abc import Iterable
from enum import StrEnum

from msgspec import Struct

from memdiag.model import Board
from tests.simulator.paper import Paper, Table


class Weight(StrEnum):
    """What a damage means for a release."""

    FORBIDS = "forbids"  # something that must be known is gone, or speaks against the board
    OPEN = "open"  # enough is left, but who would rather hold the board is not wrong
    HARMLESS = "harmless"  # nothing is gone: whoever can read it reads the same


class Change(Struct, frozen=True):
    """The damaged lines; `at` (from 0) and `sites`: where a reader should point."""

    lines: tuple[str, ...]
    weight: Weight
    notice: str
    at: tuple[int, ...] = ()
    sites: tuple[str, ...] = ()


class Scrap(Struct, frozen=True):
    """A dump about to be damaged."""

    paper: Paper
    rng: random.Random
    board: Board | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        return self.paper.lines

    def some_table(self, *sections: str, rows: int = 1) -> Table | None:
        """One of the tables that make a verdict, with so many rows at least."""
        wanted = sections or ("training", "counts")
        able = [t for t in self.paper.tables if t.section in wanted and len(t.rows) >= rows]
        return self.rng.choice(able) if able else None

    def with_line(self, at: int, *new: str) -> tuple[str, ...]:
        """The lines with these in the place of one."""
        return (*self.lines[:at], *new, *self.lines[at + 1 :])

    def without(self, gone: Iterable[int], end: str | None = None) -> tuple[str, ...]:
        """The lines without some. `end`: what stands where `[end]` stood."""
        gone = set(gone)
        return tuple(
            end if end is not None and k == self.paper.end else line
            for k, line in enumerate(self.lines)
            if k not in gone
        )

    def ended(self, lines: Iterable[str], more: int) -> tuple[str, ...]:
        """The lines with the number behind `[end]`, where there is one, told anew."""
        told = self.paper.told
        end = f"[end] {0 if told is None else told + more}"
        return tuple(
            end if told is not None and line.startswith("[end]") else line for line in lines
        )

    def unheard(self, lines: tuple[str, ...]) -> tuple[str, ...]:
        """Sites of links that the dump spoke of and these lines do not; none without a profile."""
        if self.board is None:
            return ()
        gone = self.paper.heard(self.board) - Paper(lines).heard(self.board)
        return tuple(sorted({site for site, *_ in gone}))

    def stopped(self, lines: tuple[str, ...]) -> tuple[str, ...]:
        """Sites of links that a step of these lines does not come to, though it did in the dump
        and does for others: a scan that stops."""
        if self.board is None:
            return ()
        full, left = self.paper.scans(self.board), Paper(lines).scans(self.board)
        gone = set().union(*(full[scan] - done for scan, done in left.items()))
        return tuple(sorted({site for site, *_ in gone}))
