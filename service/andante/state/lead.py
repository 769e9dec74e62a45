"""Who of several instances runs the clock: a lock that the operating system, or PostgreSQL, takes from the dead.

It spares work; it keeps nobody safe. Two that run at once do no harm, since every write is conditional. So where
nobody can say who leads, everybody does.
"""

import fcntl
import hashlib
import os
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import SQLAlchemyError

from andante.errors import StateUnavailable
from andante.state.address import Address
from andante.state.databases import engine_for, key_of

_TAKE = text(
    """
    SELECT CASE WHEN EXISTS (
        SELECT 1 FROM pg_locks
        WHERE locktype = 'advisory' AND pid = pg_backend_pid() AND granted AND objsubid = 1
        AND ((classid::bigint << 32) | objid::bigint) = :key
    ) THEN true ELSE pg_try_advisory_lock(:key) END
    """
)


class Lead(Protocol):
    def take(self) -> bool:
        """Whether this process has it, now or already. Raises StateUnavailable where that cannot be told."""
        ...

    def give_up(self) -> None:
        """Never raises."""
        ...


def lead_for(address: Address, server: str) -> Lead:
    """One for each FHIR server."""
    if address.path is not None:
        name = hashlib.sha256(server.encode()).hexdigest()[:12]
        return FileLead(address.path.with_name(f"{address.path.name}.clock-{name}"))
    return AdvisoryLead(engine_for(address), key_of("clock", server))


class FileLead:
    """For processes of one machine."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._held: int | None = None

    def take(self) -> bool:
        try:
            if self._held is not None and self._is_the_same():
                return True
            self.give_up()
            found = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise StateUnavailable(f"{self._path}: {error.strerror}") from error
        try:
            fcntl.flock(found, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(found)
            return False
        except OSError as error:
            os.close(found)
            raise StateUnavailable(f"{self._path}: {error.strerror}") from error
        self._held = found
        return True

    def _is_the_same(self) -> bool:
        """Whether the file that is locked is still the one that others would lock."""
        if self._held is None or not self._path.exists():
            return False
        ours, theirs = os.fstat(self._held), self._path.stat()
        return (ours.st_dev, ours.st_ino) == (theirs.st_dev, theirs.st_ino)

    def give_up(self) -> None:
        if self._held is not None:
            with suppress(OSError):
                os.close(self._held)
            self._held = None


class AdvisoryLead:
    """A session lock of PostgreSQL, on a connection that is kept for it alone. Not through a pooler."""

    def __init__(self, engine: Engine, key: int) -> None:
        self._engine = engine
        self._key = key
        self._connection: Connection | None = None

    def take(self) -> bool:
        if self._connection is not None:
            try:
                return self._ask(self._connection)
            except SQLAlchemyError:
                self.give_up()  # the server may have been started anew meanwhile
        try:
            self._connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            return self._ask(self._connection)
        except SQLAlchemyError as error:
            self.give_up()
            raise StateUnavailable("PostgreSQL does not answer") from error

    def _ask(self, connection: Connection) -> bool:
        # Not taken a second time: whoever takes it twice has to give it back twice.
        return bool(connection.execute(_TAKE, {"key": self._key}).scalar_one())

    def give_up(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(SQLAlchemyError):
                connection.invalidate()  # the session ends, and the lock with it
            with suppress(SQLAlchemyError):
                connection.close()
