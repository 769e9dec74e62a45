"""What whoever watches us is told of the FHIR server."""

from datetime import UTC, datetime
from pathlib import Path

import httpx

from andante.audit import AuditLog
from andante.fhir_http.connection import Connection, ServerSettings
from andante.triggers.operations.server_look import ServerLook

NOW = datetime(2031, 3, 26, 6, tzinfo=UTC)


async def test_an_audit_log_on_a_full_disk_is_told_and_no_failure_of_the_look() -> None:
    """Else `/metrics` and `/ready` would fail in the very moment in which they are needed."""
    never = httpx.MockTransport(lambda request: httpx.Response(200))
    settings = ServerSettings(base="http://ward.example/fhir")
    async with Connection(settings, transport=never, audit=AuditLog(Path("/dev/full"))) as connection:
        look = ServerLook(connection)
        assert await look.ask(NOW) == "not asked: the audit log cannot be written"
        assert look.is_reachable is False
