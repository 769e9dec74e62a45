"""Where the state is kept: `sqlite:////var/lib/andante/state.db`, or `postgresql://user@host/database`."""

from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from andante.errors import InputError

_DRIVER: Final = "postgresql+psycopg"


@dataclass(frozen=True, kw_only=True)
class Address:
    """`path` of an SQLite file, or the `url` of a PostgreSQL database."""

    path: Path | None = None
    url: URL | None = field(default=None, repr=False)

    def __str__(self) -> str:
        """For people; without a password."""
        if self.url is not None:
            host = self.url.host or self.url.query.get("host") or "local socket"
            return f"PostgreSQL, database {self.url.database or 'of the user'} at {host}"
        return f"SQLite, {self.path}"


def address_of(text: str) -> Address:
    """Raises InputError for what is neither; the text never repeats what was given, which may hold a password."""
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise InputError(
            "ANDANTE_STATE_URL: write sqlite:////path/to/state.db or postgresql://user@host/database"
        ) from None
    if url.drivername == "sqlite":
        return Address(path=_path(url))
    if url.drivername in ("postgresql", "postgres", _DRIVER):
        if find_spec("psycopg") is None:
            raise InputError("ANDANTE_STATE_URL: PostgreSQL needs the extra `postgresql` (psycopg)")
        return Address(url=url.set(drivername=_DRIVER))
    raise InputError("ANDANTE_STATE_URL: only sqlite and postgresql are known")


def _path(url: URL) -> Path:
    if url.host or url.query or not url.database or url.database == ":memory:":
        raise InputError(
            "ANDANTE_STATE_URL: SQLite needs the path of a file, as in sqlite:////var/lib/andante/state.db"
        )
    return Path(url.database)
