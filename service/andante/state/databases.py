"""How the two databases are spoken to: patience, durability, and what keeps two processes apart."""

import fcntl
import hashlib
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from andante.errors import StateUnavailable
from andante.state.address import Address

PATIENCE_S: Final = 3
"""How long anything may take before the state counts as gone. A round waits no longer than this."""

_POLL_S: Final = 0.05
# A peer that is gone without a word, by power or by network, is noticed within half a minute, at both ends.
_KEEPALIVE: Final = {"keepalives": "1", "keepalives_idle": "10", "keepalives_interval": "5", "keepalives_count": "3"}
_ON_SERVER: Final = (
    f"-c statement_timeout={PATIENCE_S}s -c lock_timeout={PATIENCE_S}s -c idle_in_transaction_session_timeout=30s "
    "-c tcp_keepalives_idle=10 -c tcp_keepalives_interval=5 -c tcp_keepalives_count=3"
)


def engine_for(address: Address) -> Engine:
    """Nothing is connected yet."""
    if address.path is not None:
        return _sqlite(address.path)
    if address.url is None:
        raise StateUnavailable("no address of the state")
    return create_engine(
        address.url,
        poolclass=NullPool,  # a connection each time: rare and small work, and none to go stale in between
        connect_args={
            "connect_timeout": str(PATIENCE_S),
            "application_name": "andante",
            "options": _ON_SERVER,
            "tcp_user_timeout": str(PATIENCE_S * 1000),
            **_KEEPALIVE,
        },
    )


def _sqlite(path: Path) -> Engine:
    def connect() -> sqlite3.Connection:
        # For its owner alone; SQLite gives the same rights to the files it lays beside it.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
        found = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False)
        try:
            found.execute("PRAGMA journal_mode=WAL")
            found.execute("PRAGMA synchronous=FULL")
        except sqlite3.Error:
            found.close()
            raise
        return found

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)

    # The driver's own transactions leave the making of tables out.
    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def key_of(*words: str) -> int:
    """A number for PostgreSQL's advisory locks, which have numbers for names: 63 bits of a hash."""
    return int.from_bytes(hashlib.sha256("\0".join(("andante", *words)).encode()).digest()[:8]) >> 1


def lock_transaction(connection: Connection, name: str) -> None:
    """Until the transaction ends, others wait here. SQLite's own transactions already see to that."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({key_of(name)})")


@contextmanager
def file_lock(path: Path) -> Iterator[None]:
    """Held by one process at a time, for short work. Raises OSError, TimeoutError among it."""
    found = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                fcntl.flock(found, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= until:
                    raise TimeoutError("another process holds the state") from None
                time.sleep(_POLL_S)
        yield
    finally:
        os.close(found)
