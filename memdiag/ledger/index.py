"""The index catches up with the folders: whatever they hold and it does not is read and added.

So nothing depends on when it was there: an entry that was filed while the database was down, or by
a bench that was killed between filing and indexing, is found by its name at the next chance. An
entry is known by its ticket and its hash, so that a folder that two benches see under two paths is
indexed once.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from msgspec import Struct, field
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import Connection

from memdiag.ledger import folders, heat, outcomes, records, ticket_heat
from memdiag.ledger.database import Database
from memdiag.ledger.entries import Entry, Noted, survey
from memdiag.ledger.tables import entry, finding, heating, outcome, profile, run
from memdiag.model import Board

BATCH = 50
"""Tickets that are added in one transaction."""


class CaughtUp(Struct):
    """What a catching up came to: how much was added, and what was set aside, in sentences."""

    entries: int = 0
    outcomes: int = 0
    notes: list[str] = field(default_factory=list)


class _Folder(Struct, frozen=True):
    """What is missing of one ticket, read from the disk."""

    ticket: str
    entries: tuple[records.EntryRows, ...]
    outcomes: tuple[records.Values, ...]


def catch_up(
    database: Database, roots: Sequence[Path], watch: Callable[[int], None] | None = None
) -> CaughtUp:
    """Add what these folders of tickets hold and the index does not. `watch` is told how many
    tickets more are done.

    Raises LedgerError where the database fails; what was added before stays.
    """
    done = CaughtUp()
    with database.reading() as connection:
        known = _known(connection)
    for root in roots:
        missing: dict[str, set[str]] = {}
        try:
            for found in folders.listed(root):
                if (found.ticket, found.begins) not in known:
                    missing.setdefault(found.ticket, set()).add(found.begins)
        except OSError as wrong:
            done.notes.append(f"{root} cannot be listed: {(wrong.strerror or '').lower()}")
            continue
        tickets = sorted(missing)
        for at in range(0, len(tickets), BATCH):
            batch = [_read(root, t, missing[t], done) for t in tickets[at : at + BATCH]]
            with database.writing() as connection:
                for one in batch:
                    _add(connection, root, one, done)
            known |= {(t, begins) for t in tickets[at : at + BATCH] for begins in missing[t]}
            if watch is not None:
                watch(len(batch))
    return done


def _known(connection: Connection) -> set[tuple[str, str]]:
    """The ticket and the first twelve digits of the hash of all that is there."""
    found: set[tuple[str, str]] = set()
    for table in (entry, outcome):
        columns = sa.select(table.c.ticket, sa.func.substr(table.c.sha256, 1, 12))
        found.update((ticket, begins) for ticket, begins in connection.execute(columns))
    return found


def _read(root: Path, ticket: str, wanted: set[str], done: CaughtUp) -> _Folder:
    """The rows of what is wanted of a ticket; what cannot be used is noted."""
    try:
        held = survey(root / ticket)
    except OSError as wrong:
        done.notes.append(f"{ticket}: {(wrong.strerror or str(wrong)).lower()}")
        return _Folder(ticket, (), ())
    done.notes += [f"{ticket}/{said}" for said in held.aside]

    def is_wanted(one: Entry | Noted) -> bool:
        return one.sha256[:12] in wanted

    read = tuple(records.of_entry(e) for e in filter(is_wanted, held.entries))
    done.notes += [f"{ticket}/{said}" for rows in read for said in rows.notes]
    noted = []
    for one in filter(is_wanted, held.outcomes):
        try:
            noted.append(outcomes.row(one))
        except ValueError as wrong:
            done.notes.append(f"{ticket}/{one.folder.name} is set aside: {wrong}")
    return _Folder(ticket, read, tuple(noted))


def _add(connection: Connection, root: Path, folder: _Folder, done: CaughtUp) -> None:
    """Insert what is not there yet, and count the ticket's heat anew."""
    where = {"ticket": folder.ticket, "root": str(root.resolve()), "bench": platform.node()}
    where = {name: records.clean(text) or "" for name, text in where.items()}
    fresh = False
    for rows in folder.entries:
        if rows.profile is not None:
            _insert(connection, profile, rows.profile)
        added = _insert(connection, entry, rows.entry | where)
        if added is None:
            continue
        fresh = True
        done.entries += 1
        for one in rows.runs:
            run_id = _insert(connection, run, one.run | {"entry_id": added})
            many = [f | {"run_id": run_id} for f in one.findings]
            if many:
                connection.execute(sa.insert(finding), many)
    for values in folder.outcomes:
        done.outcomes += _insert(connection, outcome, values | where) is not None
    if fresh:
        _count_heat(connection, folder.ticket)


def _insert(connection: Connection, table: sa.Table, values: Mapping[str, object]) -> Any:
    """The key of the new row; None where it was there."""
    kind = postgresql if connection.dialect.name == "postgresql" else sqlite
    new = kind.insert(table).values(dict(values)).on_conflict_do_nothing()
    return connection.execute(new.returning(*table.primary_key)).scalar()


# --- heat ---------------------------------------------------------------------------------------


def _count_heat(connection: Connection, ticket: str) -> None:
    """The heat of a ticket, over all its runs in the order they were made."""
    found, board = runs_of(connection, ticket)
    ids = [row["id"] for row in found]
    connection.execute(sa.delete(heating).where(heating.c.run_id.in_(ids)))
    numbers: dict[int, int] = {}
    many = []
    for one in heat.heatings(ticket_heat.steps(found, board), board):
        number = numbers[one.key] = numbers.get(one.key, -1) + 1
        many.append(
            {
                "run_id": one.key,
                "number": number,
                "action": one.action,
                "worked_at": one.worked_at,
                "site": one.site,
                "own": one.own,
                "cycles": one.cycles,
                "total": one.total,
                "gap_mm": one.gap,
            }
        )
    if many:
        connection.execute(sa.insert(heating), many)


def runs_of(connection: Connection, ticket: str) -> tuple[list[dict[str, Any]], Board | None]:
    """The runs of a ticket in the order they were made (as they were filed, where one has no date),
    and the board of the latest that has a profile."""
    query = (
        sa.select(run, profile.c.text.label("profile_text"))
        .join_from(run, entry, run.c.entry_id == entry.c.id)
        .outerjoin(profile, run.c.profile == profile.c.sha256)
        .where(entry.c.ticket == ticket)
        .order_by(entry.c.number, entry.c.sha256, run.c.position)
    )
    found = [dict(row) for row in connection.execute(query).mappings()]
    found = ticket_heat.in_order(found)
    text = next((row["profile_text"] for row in reversed(found) if row["profile_text"]), None)
    return found, None if text is None else ticket_heat.described(text)
