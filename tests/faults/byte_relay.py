"""A relay of bytes that counts them, and at the n-th byte in one direction calls for the kill.

Not a byte beyond it is passed on. It knows nothing of HTTP: the server is left with the half of a request, or the
client dies over the half of an answer.
"""

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from enum import StrEnum
from urllib.parse import urlsplit


class Way(StrEnum):
    """Which bytes are counted, as the service sees them."""

    WRITTEN = "byte written"
    READ = "byte read"


@dataclass
class ByteRelay:
    """Passes everything on to the server of `target`. `counted`: bytes since `arm`, in either direction."""

    target: str
    base: str = ""
    counted: dict[Way, int] = field(default_factory=lambda: dict.fromkeys(Way, 0))
    _fuse: tuple[Way, int, Callable[[], None]] | None = None
    _dead: bool = False
    _connections: int = 0

    def arm(self, way: Way | None = None, at: int = 0, kill: Callable[[], None] = lambda: None) -> None:
        """Count anew; with a `way`, `kill` is called in the moment its `at`-th byte has come."""
        self.counted = dict.fromkeys(Way, 0)
        self._fuse, self._dead = ((way, at, kill) if way is not None else None), False

    def wait_until_quiet(self, seconds: float = 10.0) -> None:
        """Until the server has taken leave of everybody who has left."""
        until = time.monotonic() + seconds
        while self._connections and time.monotonic() < until:
            time.sleep(0.005)

    async def _pump(self, way: Way, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while chunk := await reader.read(65536):
                if self._dead:
                    break
                before, self.counted[way] = self.counted[way], self.counted[way] + len(chunk)
                if self._fuse is not None and self._fuse[0] is way and self.counted[way] >= self._fuse[1]:
                    self._dead = True
                    self._fuse[2]()
                    writer.write(chunk[: self._fuse[1] - before])
                    await writer.drain()
                    break
                writer.write(chunk)
                await writer.drain()
        with suppress(ConnectionError, OSError):
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        parts = urlsplit(self.target)
        try:
            back_reader, back_writer = await asyncio.open_connection(parts.hostname, parts.port)
        except OSError:
            writer.close()
            return
        self._connections += 1
        try:
            await asyncio.gather(
                self._pump(Way.WRITTEN, reader, back_writer), self._pump(Way.READ, back_reader, writer)
            )
        finally:
            self._connections -= 1

    @contextmanager
    def running(self) -> Iterator["ByteRelay"]:
        ready = threading.Event()

        async def main() -> None:
            self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
            server = await asyncio.start_server(self._serve, "127.0.0.1", 0, family=socket.AF_INET)
            self.base = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}{urlsplit(self.target).path}"
            ready.set()
            await self._end.wait()
            server.close()

        thread = threading.Thread(target=asyncio.run, args=(main(),), name="byte-relay", daemon=True)
        thread.start()
        assert ready.wait(10)
        try:
            yield self
        finally:
            self._loop.call_soon_threadsafe(self._end.set)
            thread.join(30)
