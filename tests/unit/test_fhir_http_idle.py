"""A connection that has been idle is not trusted with a request: the server may be closing it in that very moment.

Seen as writes lost on a busy machine: uvicorn and Node close after five seconds, and so did the client.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from andante.fhir_http.connection import Connection, ServerSettings

_ANSWER = b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\nContent-Length: 2\r\n\r\n{}"
_SERVERS_CLOSE_AFTER_S = 5.0


@dataclass
class Counting:
    """A server that keeps every connection open, and counts them."""

    base: str = ""
    connections: int = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            while await reader.readuntil(b"\r\n\r\n"):
                writer.write(_ANSWER)
                await writer.drain()
        except asyncio.IncompleteReadError:
            writer.close()


@asynccontextmanager
async def counting() -> AsyncIterator[Counting]:
    made = Counting()
    async with await asyncio.start_server(made.serve, "127.0.0.1", 0) as server:
        made.base = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/fhir"
        yield made


async def test_a_connection_that_was_idle_is_not_used_again() -> None:
    async with counting() as server, Connection(ServerSettings(base=server.base)) as connection:
        url = connection.origin.url("metadata")
        for _ in range(2):
            await connection.get(url, what="looking")
        assert server.connections == 1
        await asyncio.sleep(_SERVERS_CLOSE_AFTER_S / 2)
        await connection.get(url, what="looking")
        assert server.connections == 2
