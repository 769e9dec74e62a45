"""A reverse proxy that can do to an exchange whatever networks and servers do: lose, cut, repeat, hold back, forge.

It stands between `andante`, a process of its own, and a real FHIR server. One `spoil` at a time sees every exchange
and either deals with it or lets it pass. It runs in a thread; what it does to a socket is what really happens to it.
"""

import asyncio
import gzip
import json
import socket
import struct
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urlsplit

import aiohttp

from andante.sandbox import Seen
from andante.sandbox.recording import describe

Json = dict[str, Any]
_HOP = frozenset({"host", "connection", "content-length", "transfer-encoding", "accept-encoding", "keep-alive"})


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    def edited(self, change: Callable[[Json], object]) -> "Answer":
        """With its JSON changed in place by `change`."""
        body = json.loads(self.body)
        change(body)
        return replace(self, body=json.dumps(body).encode())


@dataclass
class Exchange:
    """One request and what becomes of it. `number` counts those that the present spoil has seen, from 1."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes
    number: int
    seen: Seen
    _proxy: "SpoilingProxy"
    _writer: asyncio.StreamWriter

    @property
    def is_write(self) -> bool:
        return self.method != "GET"

    def asks_for(self, kind: str) -> bool:
        """Whether it is a search of a type."""
        return self.method == "GET" and self.path.split("?")[0].strip("/") == kind

    async def forward(self, body: bytes | None = None) -> Answer:
        """Ask the server. Whatever the client does meanwhile, the server carries it out."""
        return await asyncio.shield(self._proxy.ask(self, self.body if body is None else body))

    def packed(self, answer: Answer) -> bytes:
        """The answer as bytes, gzip if the client takes it, with its true length."""
        body, headers = answer.body, dict(answer.headers)
        if "gzip" in self.headers.get("accept-encoding", "") and len(body) > 500:
            body, headers["Content-Encoding"] = gzip.compress(body, 1), "gzip"
        headers["Content-Length"] = str(len(body))
        return head_of(answer.status, headers) + body

    async def send(self, data: bytes) -> None:
        self._writer.write(data)
        await self._writer.drain()

    async def reply(self, answer: Answer) -> None:
        await self.send(self.packed(answer))

    async def say(self, status: int, body: bytes = b"", *, kind: str = "application/fhir+json", **more: str) -> None:
        headers = {"Content-Type": kind, **{name.replace("_", "-"): value for name, value in more.items()}}
        await self.send(head_of(status, headers | {"Content-Length": str(len(body))}) + body)

    def reset(self) -> None:
        """Break the connection with an RST, as a dying host or a strict firewall does."""
        with suppress(OSError):
            raw = self._writer.get_extra_info("socket")
            raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._writer.transport.abort()

    def close(self) -> None:
        """End the connection in order, whatever was promised."""
        self._writer.close()


def head_of(status: int, headers: dict[str, str]) -> bytes:
    lines = [f"HTTP/1.1 {status} Said", *(f"{name}: {text}" for name, text in headers.items())]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")


Spoil = Callable[[Exchange], Awaitable[bool]]
"""Deals with an exchange, or answers False to let it pass untouched."""


@dataclass
class SpoilingProxy:
    """`target`: base of the FHIR server. `arrived`: what reached the proxy; `passed`: what was asked of the server."""

    target: str
    spoil: Spoil | None = None
    after_write: Callable[[], None] = lambda: None
    base: str = ""
    arrived: list[Seen] = field(default_factory=list)
    passed: list[Seen] = field(default_factory=list)
    _count: int = 0
    _open: set[asyncio.StreamWriter] = field(default_factory=set)

    def begin(self, spoil: Spoil | None) -> None:
        """From now on, this fault; None lifts it."""
        self._count, self.spoil = 0, spoil

    def go_down(self) -> None:
        """Refuse connections and break the ones there are, until `come_up`."""
        self._call(self._stop())

    async def stop_now(self) -> None:
        """`go_down`, from within a spoil."""
        await self._stop()

    def come_up(self) -> None:
        self._call(self._start())

    def settle(self) -> None:
        """Wait until what was passed on or held back has been carried out."""
        self._call(self._settle())

    def _call(self, work: Any) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(60)

    async def _settle(self) -> None:
        while True:
            others = [task for task in asyncio.all_tasks() if task.get_name() == "carrying-out"]
            if not others:
                return
            await asyncio.wait(others, timeout=30)

    def later(self, work: Awaitable[object]) -> None:
        """Have something done that no connection waits for."""
        task = asyncio.ensure_future(work)
        if isinstance(task, asyncio.Task):
            task.set_name("carrying-out")

    async def ask(self, exchange: Exchange, body: bytes) -> Answer:
        task = asyncio.create_task(self._ask(exchange, body), name="carrying-out")
        return await task

    async def _ask(self, exchange: Exchange, body: bytes) -> Answer:
        self.passed.append(exchange.seen)
        headers = {name: text for name, text in exchange.headers.items() if name not in _HOP}
        url = self.target + exchange.path
        asked = self._client.request(
            exchange.method, url, data=body or None, headers=headers | {"Accept-Encoding": "identity"}
        )
        async with asked as response:
            content = await response.read()
            passed_back = ("Content-Type", "ETag", "Location", "Last-Modified", "Date", "Retry-After")
            told = {name: response.headers[name] for name in passed_back if name in response.headers}
            if exchange.is_write:
                self.after_write()
            own = {name: text.replace(self.target, self.base) for name, text in told.items()}
            return Answer(response.status, own, content.replace(self.target.encode(), self.base.encode()))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._open.add(writer)
        try:
            while (exchange := await self._read(reader, writer)) is not None:
                spoil = self.spoil
                if spoil is None or not await spoil(exchange):
                    await exchange.reply(await exchange.forward())
        except (ConnectionError, asyncio.IncompleteReadError, aiohttp.ClientError):
            pass
        finally:
            self._open.discard(writer)
            writer.close()

    async def _read(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> Exchange | None:
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        except (asyncio.IncompleteReadError, ConnectionError):
            return None
        first, *lines = head.rstrip().split("\r\n")
        method, path, _ = first.split(" ")
        headers = {name.lower(): text.strip() for name, _, text in (line.partition(":") for line in lines)}
        body = await reader.readexactly(int(headers.get("content-length", 0)))
        path = path.removeprefix(urlsplit(self.base).path)
        parts = urlsplit(path)
        seen = describe(method, parts.path.strip("/"), parts.query, json.loads(body) if body else None)
        self.arrived.append(seen)
        self._count += 1
        return Exchange(method, path, headers, body, self._count, seen, self, writer)

    async def _start(self) -> None:
        # Twice as much as any head of ours.
        self._server = await asyncio.start_server(self._serve, sock=_listening(self._port), limit=2**20)

    async def _stop(self) -> None:
        self._server.close()
        for writer in list(self._open):
            writer.transport.abort()

    @contextmanager
    def running(self) -> Iterator["SpoilingProxy"]:
        ready = threading.Event()
        self._port = 0

        async def main() -> None:
            self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
            async with aiohttp.ClientSession(
                timeout=aiohttp.ClientTimeout(total=120), connector=aiohttp.TCPConnector(limit=0)
            ) as self._client:
                await self._start()
                self._port = self._server.sockets[0].getsockname()[1]
                self.base = f"http://127.0.0.1:{self._port}{urlsplit(self.target).path}"
                ready.set()
                await self._end.wait()
                await self._stop()
                await self._settle()

        thread = threading.Thread(target=asyncio.run, args=(main(),), name="spoiling-proxy", daemon=True)
        thread.start()
        assert ready.wait(10)
        try:
            yield self
        finally:
            self._loop.call_soon_threadsafe(self._end.set)
            thread.join(60)


def _listening(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", port))
    listening.listen(128)
    return listening
