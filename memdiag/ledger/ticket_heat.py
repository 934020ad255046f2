"""The heat of a ticket, from what its runs declare: of the rows of the index, or of the folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from memdiag.boards import profiles
from memdiag.ledger.heat import Step, counted, warnings
from memdiag.ledger.records import EntryRows, of_entry
from memdiag.ledger.store import look
from memdiag.model import Board
from memdiag.model.ledger import SiteHeat
from memdiag.reading import header


def heat_warnings(root: Path, ticket: str) -> tuple[str, ...]:
    """What is to be said before the next heat on a ticket, from its folder: the index need not be
    there. Raises TicketError."""
    heat, board = heat_of(root, ticket)
    return warnings(heat, board)


def heat_of(root: Path, ticket: str) -> tuple[tuple[SiteHeat, ...], Board | None]:
    """What each site of a ticket has been through, from its folder, and its board as far as it is
    known. Raises TicketError."""
    filed = [of_entry(entry) for entry in look(root, ticket).entries]
    rows = [one.run | {"id": n} for rows in filed for n, one in enumerate(rows.runs)]
    board = board_of(filed)
    return counted(steps(in_order(rows), board), board), board


def board_of(filed: Sequence[EntryRows]) -> Board | None:
    """The board of a ticket's entries: of the latest that has a profile."""
    texts = [str(rows.profile["text"]) for rows in filed if rows.profile is not None]
    return described(texts[-1]) if texts else None


@lru_cache(maxsize=64)
def described(profile: str) -> Board | None:
    """The board that a filed profile describes: of many tickets it is the same one."""
    return profiles.examine(profile)[0]


def in_order(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Runs in the order they were made: by their dates where every one has one, else as they
    were filed."""
    if all(row["at"] for row in rows):
        return sorted(rows, key=lambda row: str(row["at"]))
    return list(rows)


def steps(rows: Sequence[Mapping[str, Any]], board: Board | None) -> list[Step]:
    """What each run declares; designators as the board spells them."""
    spelt = {} if board is None else {s.ref.casefold(): s.ref for s in board.sites}

    def sites(text: str | None) -> tuple[str, ...]:
        try:
            named = header.worked(text or "-").sites
        except ValueError:
            return ()
        refs = (spelt.get(ref.casefold(), ref) for ref in named)
        return tuple(dict.fromkeys(refs))

    def moves(text: str | None) -> Iterator[tuple[str, str]]:
        try:
            named = header.moves(text or "-")
        except ValueError:
            return
        for old, new in named:
            yield spelt.get(old.casefold(), old), spelt.get(new.casefold(), new)

    return [
        Step(
            row["id"],
            row["stage"],
            sites(row["removed"]),
            sites(row["replaced"]),
            sites(row["reflowed"]),
            tuple(moves(row["swapped"])),
        )
        for row in rows
    ]
