"""The ledger as commands use it: after a filing, and for a question.

The folders come first. Whatever goes wrong with the index after a dump is filed is said in one
sentence, and made good at the next chance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from memdiag.ledger import folders
from memdiag.ledger.entries import damaged
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.store import look
from memdiag.model.problems import Problem, problem

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from memdiag.ledger.database import Database

NONE = "none"
"""Instead of a URL: no index at all."""


class Opened(Struct, frozen=True):
    """An index that has caught up, the folders of tickets that are there, and what is to be said
    of them."""

    database: Database
    roots: tuple[Path, ...]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()

    @contextmanager
    def look(self) -> Iterator[Connection]:
        with self.database.reading() as connection:
            yield connection


def after_filing(root: Path, url: str | None = None) -> tuple[str, ...]:
    """Bring the index up to date with a folder that was filed to. Never raises for the index: what
    went wrong is returned as sentences."""
    if url == NONE:
        return ()
    try:
        from memdiag.ledger.database import Database, address
        from memdiag.ledger.index import catch_up

        folders.remember(folders.data_folder(), root)
        return tuple(catch_up(Database(address(url)).open(), [root]).notes)
    except LedgerError as wrong:
        return (f"filed, but not in the ledger yet: {wrong.problem.message}",)
    except ImportError as wrong:
        return (f"filed, but not in the ledger yet: {wrong.name} is not installed",)
    except OSError as wrong:
        reason = (wrong.strerror or str(wrong)).lower()
        return (f"filed, but not in the ledger yet: {wrong.filename}: {reason}",)


def opened(url: str | None = None, named: Sequence[str] = (), *, caught_up: bool = True) -> Opened:
    """The index, after it has caught up with the named folders of tickets, or else with all that
    this user filed to. Raises LedgerError where there is no using it."""
    from memdiag.ledger.database import Database, address
    from memdiag.ledger.index import catch_up

    given = known_roots(named)
    roots = tuple(root for root in given if root.is_dir())
    absent = tuple(problem("ledger-no-folder", folder=root) for root in given if root not in roots)
    if not caught_up:
        return Opened(Database(address(url)), roots, absent)
    database = Database(address(url)).open()
    notes = catch_up(database, roots).notes
    return Opened(database, roots, absent, tuple(notes))


def known_roots(named: Sequence[str] = ()) -> tuple[Path, ...]:
    """The folders of tickets that are named, or else all that this user filed to."""
    return tuple(map(Path, named)) or folders.remembered(folders.data_folder())


def changed(ticket: str, roots: Sequence[Path]) -> Iterator[str]:
    """What was changed in a ticket's folder since it was filed. Raises TicketError where the id
    can be none."""
    for root in roots:
        held = look(root, ticket)
        yield from held.aside
        for one in (*held.folders, *held.kept):
            if spoilt := damaged(one):
                yield f"{one.folder.name}: {', '.join(spoilt)} changed since it was filed"


def root_of(ticket: str, roots: Sequence[Path]) -> Path:
    """The folder of tickets that holds a ticket. Raises LedgerError where none does, TicketError
    where the id can be none."""
    from memdiag.model.spelling import closest

    for root in roots:
        if look(root, ticket).entries:
            return root
    names = sorted({found.ticket for root in roots for found in folders.listed(root)})
    near = closest(ticket, names)
    hint = f"; the nearest is {near}" if near else ""
    raise LedgerError("outcome-no-ticket", ticket=ticket, near=hint)
