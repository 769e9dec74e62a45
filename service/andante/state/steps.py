"""Which version the tables have, and the steps to ours. Alembic does the stepping."""

from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection
from sqlalchemy import inspect as look_into

from andante.errors import InputError, StateTooNew
from andante.state.tables import VERSION_TABLE, metadata

_SCRIPTS = Path(__file__).parent / "migrations"


@cache
def known() -> tuple[str, ...]:
    """Every version that this code knows, the oldest first."""
    return tuple(reversed([step.revision for step in ScriptDirectory(str(_SCRIPTS)).walk_revisions()]))


def newest() -> str:
    return known()[-1]


def version_of(connection: Connection) -> str | None:
    """None for a database in which there is nothing of ours. Raises StateTooNew for a version not known here."""
    context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
    heads = context.get_current_heads()
    if not heads:
        return None
    if len(heads) > 1 or heads[0] not in known():
        raise StateTooNew(
            f"the kept state is of version {', '.join(heads)[:40]}, and this version of Andante knows none after "
            f"{newest()}: start the newer version again, or name another ANDANTE_STATE_URL (it then begins anew, "
            "with a whole round)"
        )
    return heads[0]


def migrate(connection: Connection, *, to: str = "head") -> tuple[str | None, str]:
    """From which version to which. In the caller's transaction. Raises StateTooNew, and InputError for a stranger's."""
    before = version_of(connection)
    tables = set(look_into(connection).get_table_names())
    if before is None and connection.dialect.name == "sqlite" and tables - set(metadata.tables) - {VERSION_TABLE}:
        raise InputError("ANDANTE_STATE_URL: that file is the database of something else")
    if before == newest() and not set(metadata.tables) <= tables:
        before = None  # somebody has taken tables away: what is left means nothing
    if before is None:
        _drop_remains(connection, tables)
    if before != newest():
        _upgrade(connection, to)
    return before, version_of(connection) or ""


def _upgrade(connection: Connection, to: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _drop_remains(connection: Connection, tables: set[str]) -> None:
    for name in sorted(tables & {*metadata.tables, VERSION_TABLE}):
        connection.exec_driver_sql(f'DROP TABLE "{name}"')
