"""Sends our Subscriptions through the gate: the only place where they meet a connection."""

from collections.abc import Awaitable, Callable, Sequence

from andante.fhir_http.connection import Connection
from andante.fhir_http.write import FhirWriter
from andante.writeback.gate import Gate
from andante.writeback.hooks import bundle_of
from andante.writeback.seal import Json


def hook_writer(connection: Connection, gate: Gate) -> Callable[[Sequence[Json]], Awaitable[tuple[str | None, ...]]]:
    """Everything it sends has passed `gate`; it answers with where each now stands, as far as the server says."""
    server = FhirWriter(connection)

    async def send(entries: Sequence[Json]) -> tuple[str | None, ...]:
        written = await server.transaction(gate.clear(bundle_of(entries)))
        return tuple(one.location for one in written)

    return send
