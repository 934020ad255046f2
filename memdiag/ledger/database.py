"""The index's database: SQLite in the user's data folder, or PostgreSQL by URL.

A database is opened once for a command and migrated on the way, under the lock that every writer
takes: SQLite's own (`BEGIN IMMEDIATE`), and on PostgreSQL one advisory lock, so that writers take
turns and no two ever wait for each other. On PostgreSQL everything stands in a schema of its own.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from memdiag.ledger.errors import LedgerError
from memdiag.ledger.folders import data_folder
from memdiag.ledger.tables import REVISION

VARIABLE = "MEMDIAG_LEDGER"
SCHEMA = "memdiag"
PATIENCE = 30
"""Seconds to wait for other writers."""
CONNECT = 5
"""Seconds to wait for a server that does not answer; a bench waits for its ledger no longer."""

_LOCK = 0x6D656D64696167  # "memdiag": any number that nobody else locks
_READS = "memdiag_reads"
_BROKEN = ("not a database", "malformed", "disk image")
_VERSION = sa.table("alembic_version", sa.column("version_num"))


def address(text: str | None) -> URL:
    """The database of a URL or a file's name; of None the one that MEMDIAG_LEDGER names, else the
    file in the user's data folder. Raises LedgerError for any other kind."""
    said = text or os.environ.get(VARIABLE) or str(data_folder() / "ledger.sqlite")
    if "://" not in said:
        return URL.create("sqlite", database=said)
    try:
        url = make_url(said)
    except (ArgumentError, ValueError):
        raise LedgerError("ledger-url", url=said.split("://")[0], reason="it is no URL") from None
    kind = url.get_backend_name()
    if kind == "sqlite" and url.database:
        return URL.create("sqlite", database=url.database)
    if kind in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    reason = "it names no file" if kind == "sqlite" else f"{kind} is not known"
    raise LedgerError("ledger-url", url=url.render_as_string(), reason=reason)


class Database:
    """An open index, of this memdiag's revision. `schema` is where it stands on PostgreSQL."""

    def __init__(self, url: URL, schema: str = SCHEMA) -> None:
        self.url, self.schema = url, schema
        self._engine = self._make()

    @property
    def name(self) -> str:
        """The URL without its password."""
        plain = self.url.set(drivername=self.url.get_backend_name())
        return plain.render_as_string(hide_password=True)

    @property
    def is_file(self) -> bool:
        return self.url.get_backend_name() == "sqlite"

    def _make(self) -> Engine:
        if self.is_file:
            engine = sa.create_engine(
                self.url, poolclass=NullPool, connect_args={"timeout": PATIENCE}
            )
            event.listen(engine, "connect", _our_transactions)
            event.listen(engine, "begin", _begin)
            return engine
        # What the driver says of a lost connection is said here, in one sentence.
        logging.getLogger("psycopg").addHandler(logging.NullHandler())
        options = f"-csearch_path={self.schema} -clock_timeout={PATIENCE}s"
        given = {"connect_timeout": CONNECT, "options": options, "application_name": "memdiag"}
        try:
            return sa.create_engine(self.url, poolclass=NullPool, connect_args=given)
        except ImportError:
            raise LedgerError("ledger-lacks") from None

    # --- opening ----------------------------------------------------------------------------

    def open(self) -> Database:
        """Make it ready: made where it is not there, migrated where it is older.

        Raises LedgerError where it is newer, damaged, no ledger, or cannot be reached.
        """
        if self.is_file:
            self.make_room()
        with self.reading() as connection:
            ready = self._revision(connection) == REVISION
        if not ready:
            with self.writing() as connection:
                self._migrate(connection)
        return self

    def make_room(self) -> None:
        """A folder for the file; and what stands there must be a file, for a pipe would wait."""
        file = Path(self.url.database or "")
        reason = ""
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            if file.exists() and not file.is_file():
                reason = "it is no plain file"
        except OSError as wrong:
            reason = (wrong.strerror or str(wrong)).lower()
        if reason:
            raise LedgerError("ledger-down", url=self.name, reason=reason)

    def refuse_others(self) -> None:
        """Raises LedgerError where tables of something else stand there. An index that is newer,
        damaged or not there is let pass: it may be made anew."""
        if self.is_file:
            self.make_room()
        try:
            with self.reading() as connection:
                self._revision(connection)
        except LedgerError as wrong:
            if wrong.problem.code != "ledger-broken":
                raise

    def _revision(self, connection: Connection) -> str | None:
        """The revision found, None where nothing is there. Raises LedgerError where something
        else is."""
        inspector = sa.inspect(connection)
        names = inspector.get_table_names()
        if _VERSION.name not in names:
            if names:
                raise LedgerError("ledger-other", url=self.name)
            return None
        found: str | None = connection.execute(sa.select(_VERSION.c.version_num)).scalar()
        return found

    def _migrate(self, connection: Connection) -> None:
        """Under the writers' lock: what another bench did while we waited is seen."""
        if self._revision(connection) == REVISION:
            return
        from alembic import command
        from alembic.config import Config
        from alembic.script import ScriptDirectory

        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
        config.set_main_option("path_separator", "os")
        found = self._revision(connection)
        known = {s.revision for s in ScriptDirectory.from_config(config).walk_revisions()}
        if found is not None and found not in known:
            raise LedgerError("ledger-newer", url=self.name, revision=found, known=REVISION)
        command.upgrade(config, REVISION)

    # --- transactions -----------------------------------------------------------------------

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One look at it, as it was when the look began."""
        with self._said(), self._engine.connect() as connection:
            connection.execution_options(**{_READS: True})
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Alone with it: all that is written is there afterwards, or nothing of it."""
        with self._said(), self._engine.connect() as connection, connection.begin():
            if not self.is_file:
                lock(connection)
                connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {self.schema}")
            yield connection

    @contextmanager
    def session(self) -> Iterator[Connection]:
        """A connection that begins no transaction of its own, to hold locks with."""
        with self._said(), self._engine.connect() as connection:
            yield connection.execution_options(isolation_level="AUTOCOMMIT")

    @contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except SQLAlchemyError as wrong:
            reason = " ".join(str(getattr(wrong, "orig", None) or wrong).split())[:300]
            broken = self.is_file and any(word in reason for word in _BROKEN)
            code = "ledger-broken" if broken else "ledger-down"
            raise LedgerError(code, url=self.name, reason=reason) from wrong


def lock(connection: Connection) -> None:
    """Take the writers' lock of PostgreSQL until the transaction ends."""
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))


def _our_transactions(connection: object, _record: object) -> None:
    """The driver begins no transaction of its own: it would not before DDL, and not in time."""
    connection.isolation_level = None  # type: ignore[attr-defined]
    connection.execute("PRAGMA foreign_keys = ON")  # type: ignore[attr-defined]


def _begin(connection: Connection) -> None:
    """A writer takes the lock at once: one that begins by reading could not wait for it later."""
    reads = connection.get_execution_options().get(_READS)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
