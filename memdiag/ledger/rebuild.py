"""The index made anew from the folders, beside the old one, and put in its place at one stroke.

SQLite: a new file beside the old one, whose pages are then copied over the old one's in a single
transaction of SQLite's own backup: who reads meanwhile sees the old index or the new one, a kill
leaves the old one, and no file is ever renamed under a program that has it open. PostgreSQL: a
schema beside the old one, which is dropped and replaced in one transaction. Two rebuilds at once
take turns at that last step.
"""

from __future__ import annotations

import platform
import secrets
import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from pathlib import Path

import sqlalchemy as sa
from msgspec import Struct

from memdiag.ledger.database import Database
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.index import CaughtUp, catch_up
from memdiag.ledger.tables import entry, outcome

STALE = 3600.0
"""Seconds after which what a killed rebuild left beside the index is swept."""
_REBUILDS = 0x6D656D64696168  # the lock of rebuilds on PostgreSQL, next to that of writers
_BESIDE = "_rebuild_"

_Row = tuple[str, str, str, str]
"""Ticket, hash, folder of tickets and computer of what is filed."""


class Rebuilt(Struct, frozen=True):
    """What was found in the folders, and how many the old index had that are gone from them."""

    found: CaughtUp
    gone: int


def rebuild(
    database: Database,
    roots: Sequence[Path],
    *,
    anyway: bool = False,
    watch: Callable[[int], None] | None = None,
) -> Rebuilt:
    """Make the index anew. `watch` is told how many tickets more are done. Raises LedgerError; then
    the old one stays as it was."""
    database.refuse_others()
    gone, found = (_file if database.is_file else _server)(database, roots, anyway, watch)
    # What was filed while it was made is in the folders too.
    late = catch_up(database.open(), roots)
    found.entries += late.entries
    found.outcomes += late.outcomes
    return Rebuilt(found, gone)


def _file(
    database: Database, roots: Sequence[Path], anyway: bool, watch: Callable[[int], None] | None
) -> tuple[int, CaughtUp]:
    target = Path(database.url.database or "")
    database.make_room()
    beside = target.with_name(f".{target.name}{_BESIDE}{secrets.token_hex(6)}")
    _sweep(target)
    try:
        new = Database(database.url.set(database=str(beside))).open()
        found = catch_up(new, roots, watch)
        gone = _compare(database, new, roots, anyway=anyway)
        try:
            _copy(beside, target)
        except (sqlite3.Error, OSError) as wrong:
            raise LedgerError("ledger-down", url=database.name, reason=wrong) from wrong
    finally:
        for path in (beside, Path(f"{beside}-journal")):
            path.unlink(missing_ok=True)
    return gone, found


def _sweep(target: Path) -> None:
    for path in target.parent.glob(f".{target.name}{_BESIDE}*"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > STALE:
                path.unlink()


def _copy(beside: Path, target: Path) -> None:
    """Over the old pages, in one transaction. A file that is no database at all makes way: nobody
    can have it open to any use."""
    try:
        _back_up(beside, target)
    except sqlite3.DatabaseError as wrong:
        if wrong.sqlite_errorcode not in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
            raise
        for path in (target, Path(f"{target}-journal")):
            path.unlink(missing_ok=True)
        _back_up(beside, target)


def _back_up(beside: Path, target: Path) -> None:
    with closing(sqlite3.connect(beside)) as new, closing(sqlite3.connect(target)) as old:
        new.backup(old)


def _server(
    database: Database, roots: Sequence[Path], anyway: bool, watch: Callable[[int], None] | None
) -> tuple[int, CaughtUp]:
    with database.session() as holder:
        holder.execute(sa.select(sa.func.pg_advisory_lock(_REBUILDS)))
        prefix = f"{database.schema}{_BESIDE}"
        with database.writing() as connection:
            for left in sa.inspect(connection).get_schema_names():
                if left.startswith(prefix):  # of a rebuild that was killed: the lock is ours
                    connection.exec_driver_sql(f'DROP SCHEMA "{left}" CASCADE')
        new = Database(database.url, f"{prefix}{secrets.token_hex(6)}").open()
        found = catch_up(new, roots, watch)
        gone = _compare(database, new, roots, anyway=anyway)
        with database.writing() as connection:
            connection.exec_driver_sql(f"DROP SCHEMA {database.schema} CASCADE")
            connection.exec_driver_sql(f"ALTER SCHEMA {new.schema} RENAME TO {database.schema}")
    return gone, found


def _compare(old: Database, new: Database, roots: Sequence[Path], *, anyway: bool) -> int:
    """How many entries and outcomes of the old index are gone from these folders. Raises
    LedgerError where it knows of some in other folders, which a rebuild from here would forget."""
    try:
        was = _filed(old)
    except LedgerError:
        return 0  # damaged, newer or not there: it knows nothing that could be held against it
    kept = {(ticket, sha256) for ticket, sha256, _, _ in _filed(new)}
    here = {(str(root.resolve()), platform.node()) for root in roots}
    missing = [row for row in was if row[:2] not in kept]
    elsewhere = [row for row in missing if row[2:] not in here]
    if elsewhere and not anyway:
        places = sorted({f"{root} on {bench}" for _, _, root, bench in elsewhere})
        shown = ", ".join(places[:3]) + (f" and {len(places) - 3} more" if places[3:] else "")
        many = f"{len(elsewhere)} {'entry' if len(elsewhere) == 1 else 'entries'}"
        raise LedgerError("ledger-elsewhere", entries=many, where=shown)
    return len(missing)


def _filed(database: Database) -> list[_Row]:
    found: list[_Row] = []
    with database.reading() as connection:
        for table in (entry, outcome):
            columns = (table.c.ticket, table.c.sha256, table.c.root, table.c.bench)
            rows = connection.execute(sa.select(*columns))
            found += [(ticket, sha256, root, bench) for ticket, sha256, root, bench in rows]
    return found
