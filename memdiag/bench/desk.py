"""The pastes on the desk: held in memory, the oldest put away where there are too many.

A request names a paste by a number that nobody can guess; no name that comes from outside is ever
a file's.
"""

from __future__ import annotations

import secrets
from collections import OrderedDict
from typing import TYPE_CHECKING

from msgspec import Struct, field

from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from memdiag.bench.paste_view import Seen
    from memdiag.ledger.captured import Captured

MOST_VISITORS = 1000


class Paste(Struct):
    """`raw` as it came, `board` as it was picked, `ticket` whose page it came from, `fixes` what
    was put in place of lines, by their numbers. `seen` is what came of it as it stands, None where
    it is to be judged anew. `captured` is how it came from a console, None for what was pasted."""

    number: str
    raw: bytes
    board: str | None = None
    ticket: str = ""
    fixes: dict[int, str] = field(default_factory=dict)
    seen: Seen | None = None
    captured: Captured | None = None


class Desk:
    """Up to `most` bytes of pastes, and the one that came last whatever its size."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._held: OrderedDict[str, Paste] = OrderedDict()
        self._said: OrderedDict[str, tuple[str, ...]] = OrderedDict()

    def say(self, visitor: str, texts: tuple[str, ...]) -> None:
        """Keep what there is to say of what a visitor did, for the next page."""
        self._said[visitor] = texts
        while len(self._said) > MOST_VISITORS:
            self._said.popitem(last=False)

    def heard(self, visitor: str) -> tuple[str, ...]:
        """What there was to say to a visitor, once."""
        return self._said.pop(visitor, ())

    def put(self, raw: bytes, board: str | None, ticket: str = "") -> Paste:
        paste = Paste(secrets.token_hex(16), raw, board, ticket)
        self._held[paste.number] = paste
        while len(self._held) > 1 and self._size() > self._most:
            self._held.popitem(last=False)
        return paste

    def take(self, number: str) -> Paste:
        """Raises Refusal where it is not held."""
        found = self._held.get(number)
        if found is None:
            raise Refusal.of(404, "bench-gone")
        self._held.move_to_end(number)
        return found

    def _size(self) -> int:
        """Of the pastes and of what was made of them."""
        return sum(
            len(p.raw) + (0 if p.seen is None else len(p.seen.html)) for p in self._held.values()
        )
