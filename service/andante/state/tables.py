"""The tables as the newest version has them. Instants are ISO 8601 texts in UTC, so that both databases hold the same.

Every row belongs to a FHIR server, by its base address: what is known of one says nothing of another.
"""

from sqlalchemy import Boolean, Column, Integer, MetaData, String, Table, Text

metadata = MetaData()
VERSION_TABLE = "andante_version"

_INSTANT = String(40)


def _server() -> Column[str]:
    return Column("server", String(500), primary_key=True)


rounds = Table(
    "andante_rounds",
    metadata,
    _server(),
    Column("kind", String(40), primary_key=True),
    Column("ident", String(40), nullable=False),
    Column("began", _INSTANT, nullable=False),
    Column("ended", _INSTANT, nullable=False),
    Column("whole", Boolean, nullable=False),
    Column("counts", Text, nullable=False),
)
watermarks = Table(
    "andante_watermarks",
    metadata,
    _server(),
    Column("newest", _INSTANT, nullable=False),
    Column("before", _INSTANT, nullable=False),
)
setbacks = Table(
    "andante_setbacks",
    metadata,
    _server(),
    Column("patient", String(64), primary_key=True),
    Column("failures", Integer, nullable=False),
    Column("last", _INSTANT, nullable=False),
    Column("again", _INSTANT, nullable=False),
)
hooks = Table(
    "andante_hooks",
    metadata,
    _server(),
    Column("name", String(40), primary_key=True),
    Column("ident", String(64)),
    Column("fingerprint", String(64), nullable=False),
    Column("written", _INSTANT, nullable=False),
    Column("failures", Integer, nullable=False),
)
audit_heads = Table(
    "andante_audit_heads",
    metadata,
    _server(),
    Column("chain", String(64), primary_key=True),
    Column("head", String(64), nullable=False),
    Column("noted", _INSTANT, nullable=False),
)
