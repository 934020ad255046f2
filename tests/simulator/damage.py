"""One damage to the text of a dump, as pastes go wrong, and whether a release is still right.

Each kind is judged from the text and the damage alone (the rule of release says what must be known
of a board before it may leave), never from what an analyser makes of it.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from msgspec import Struct

from memdiag.model import Board
from tests.simulator import damage_blocks, damage_rows
from tests.simulator.damaging import Change, Scrap, Weight
from tests.simulator.paper import Paper

Kind = Callable[[Scrap], Change | None]

KINDS: dict[str, Kind] = {**damage_rows.KINDS, **damage_blocks.KINDS}
"""Every kind by its name."""


class Damaged(Struct, frozen=True):
    """A damaged dump. `lines` are those (from 1, of the damaged text) that a reader should point
    at, `sites` the packages it should name; either will do."""

    kind: str
    text: str
    weight: Weight
    notice: str
    lines: tuple[int, ...]
    sites: tuple[str, ...]

    @property
    def forbids(self) -> bool:
        return self.weight is Weight.FORBIDS


def damage(
    text: str, rng: random.Random, board: Board | None = None, kinds: Sequence[str] = tuple(KINDS)
) -> Damaged | None:
    """The text with one damage of one of these kinds, chosen at random among those that can befall
    it; None where none can. `board`: whose links must have been heard, where that is known."""
    paper = Paper(tuple(text.splitlines()))
    for kind in rng.sample(kinds, len(kinds)):
        change = KINDS[kind](Scrap(paper, rng, board))
        if change is not None:
            damaged = "\n".join(change.lines) + "\n"
            at = tuple(k + 1 for k in change.at)
            return Damaged(kind, damaged, change.weight, change.notice, at, change.sites)
    return None
