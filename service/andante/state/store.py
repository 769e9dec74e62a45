"""The state in its database: opened, brought to our version, read and written whole. Nothing here waits long.

A damaged SQLite file is put aside and a new one begun; of a database made by a newer version nothing is touched.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from alembic.util.exc import CommandError
from sqlalchemy import ColumnElement, Connection, Table, and_, delete, insert, select
from sqlalchemy import inspect as look_into
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from andante.errors import StateUnavailable
from andante.state import steps
from andante.state.address import Address
from andante.state.databases import engine_for, file_lock, lock_transaction
from andante.state.rows import Doubtful, rows_of, snapshot_of
from andante.state.snapshot import NOTHING, Snapshot
from andante.state.tables import VERSION_TABLE, audit_heads, metadata

_DAMAGED: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_BESIDE: Final = ("", "-wal", "-shm")


@dataclass(frozen=True, kw_only=True)
class Opened:
    """What opening did: steps taken, and where a damaged file was put."""

    before: str | None
    after: str
    put_aside: Path | None = None


class Store:
    """The state of one FHIR server, by its base address. Every method may raise StateUnavailable."""

    def __init__(self, address: Address, server: str) -> None:
        self.address = address
        self.server = server
        self._engine = engine_for(address)

    def open(self, *, now: datetime) -> Opened:
        """Make it fit to be used, with whatever steps that takes, one process at a time.

        Raises StateTooNew where it was made by a newer version, and InputError where it is somebody else's.
        """
        path = self.address.path
        if path is None:
            return self._migrate(None)
        with _told(self.address):
            if not path.parent.is_dir():
                raise StateUnavailable(f"{self.address}: there is no such folder")
            with file_lock(path.with_name(f"{path.name}.lock")):
                return self._migrate(self._put_aside(path, now) if self._is_damaged() else None)

    def _migrate(self, put_aside: Path | None) -> Opened:
        with self._transaction() as connection:
            lock_transaction(connection, "migrations")
            before, after = steps.migrate(connection)
        return Opened(before=before, after=after, put_aside=put_aside)

    def version(self) -> str | None:
        """Raises StateTooNew."""
        with self._transaction() as connection:
            return steps.version_of(connection)

    def load(self) -> Snapshot:
        """What was kept; nothing where any of it is doubtful. Raises StateTooNew."""
        with self._transaction() as connection:
            self._insist_on_version(connection)
            try:
                return snapshot_of(lambda table: self._rows(connection, table))
            except Doubtful:
                return NOTHING

    def save(self, snapshot: Snapshot, *, known: Snapshot | None) -> None:
        """Keep it. `known`: what is kept already, so that only what differs is written; None where that is not known.

        Raises StateTooNew where a newer version has taken over meanwhile: then nothing was written.
        """
        old = rows_of(known) if known is not None else {}
        new = {table: rows for table, rows in rows_of(snapshot).items() if table not in old or old[table] != rows}
        if not new:
            return
        with self._transaction() as connection:
            lock_transaction(connection, "saving")
            self._insist_on_version(connection)
            for table, rows in new.items():
                connection.execute(delete(table).where(self._replaced(table, snapshot)))
                if rows:
                    connection.execute(insert(table), [{"server": self.server, **row} for row in rows])

    def forget(self) -> None:
        """All that is kept of this server: the next start reads everybody."""
        with self._transaction() as connection:
            self._insist_on_version(connection)
            for table in metadata.sorted_tables:
                connection.execute(delete(table).where(table.c.server == self.server))

    def clear(self) -> None:
        """Every table of ours, of whatever version."""
        with self._transaction() as connection:
            lock_transaction(connection, "migrations")
            for name in look_into(connection).get_table_names():
                if name in metadata.tables or name.startswith("andante_") or name == VERSION_TABLE:
                    connection.exec_driver_sql(f'DROP TABLE "{name}"')

    def close(self) -> None:
        self._engine.dispose()

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        with _told(self.address), self._engine.begin() as connection:
            yield connection

    def _insist_on_version(self, connection: Connection) -> None:
        if steps.version_of(connection) != steps.newest():
            raise StateUnavailable(f"{self.address}: the tables are not there")

    def _rows(self, connection: Connection, table: Table) -> Iterator[dict[str, object]]:
        found = connection.execute(select(table).where(table.c.server == self.server).order_by(*table.primary_key))
        return (dict(row) for row in found.mappings())

    def _replaced(self, table: Table, snapshot: Snapshot) -> ColumnElement[bool]:
        ours: ColumnElement[bool] = table.c.server == self.server
        if table is audit_heads:  # those of earlier files, and of other machines, stay
            return and_(ours, table.c.chain.in_([one.chain for one in snapshot.audit]))
        return ours

    def _is_damaged(self) -> bool:
        path = self.address.path
        if path is None or not path.exists():
            return False
        try:
            with self._engine.connect() as connection, connection.begin():
                said: str = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar_one()
                return said != "ok"
        except DBAPIError as error:
            if getattr(error.orig, "sqlite_errorcode", 0) & 0xFF in _DAMAGED:
                return True
            raise

    def _put_aside(self, path: Path, now: datetime) -> Path:
        aside = path.with_name(f"{path.name}.damaged-{now:%Y%m%dT%H%M%S}")
        for end in _BESIDE:
            found = path.with_name(path.name + end)
            if found.exists():
                found.rename(aside.with_name(aside.name + end))
        return aside


@contextmanager
def _told(address: Address) -> Iterator[None]:
    """Errors of the database as ours, by their kind: their own texts show what was being written."""
    try:
        yield
    except (SQLAlchemyError, CommandError) as error:
        raise StateUnavailable(f"{address}: {_reason(error)}") from error
    except OSError as error:
        raise StateUnavailable(f"{address}: {error.strerror or 'the file is held by another process'}") from error


def _reason(error: Exception) -> str:
    origin = getattr(error, "orig", None)
    if isinstance(origin, sqlite3.Error):
        name = getattr(origin, "sqlite_errorname", "") or type(origin).__name__
        return _SAID.get(name.split("_")[1] if "_" in name else name, name)
    if origin is not None:
        state = getattr(origin, "sqlstate", None)
        return f"PostgreSQL answers {state}" if state else "PostgreSQL does not answer"
    return type(error).__name__


_SAID = {
    "BUSY": "it is locked by another process",
    "CANTOPEN": "it cannot be opened",
    "CORRUPT": "the file is damaged",
    "FULL": "the disk is full",
    "IOERR": "the disk fails",
    "NOTADB": "the file is damaged",
    "READONLY": "it cannot be written",
}
