"""One request to an ASGI application without a client between: nothing mends what is sent."""

import asyncio
from collections.abc import MutableMapping
from dataclasses import dataclass
from typing import Any

from starlette.types import ASGIApp

LOOP = asyncio.new_event_loop()


@dataclass(frozen=True)
class Reply:
    status: int
    headers: dict[str, str]
    body: bytes


def ask(
    app: ASGIApp, method: str, path: str, headers: list[tuple[bytes, bytes]], body: bytes, query: bytes = b""
) -> Reply:
    """Raises what the application lets through: the server around it would answer 500."""
    return LOOP.run_until_complete(_ask(app, method, path, headers, body, query))


async def _ask(
    app: ASGIApp, method: str, path: str, headers: list[tuple[bytes, bytes]], body: bytes, query: bytes
) -> Reply:
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode("utf-8", "surrogatepass"), "query_string": query, "root_path": "",
        "headers": [(b"host", b"127.0.0.1"), *headers], "client": ("127.0.0.1", 40_000), "server": ("127.0.0.1", 80),
    }  # fmt: skip
    parts = [body[start : start + 65_536] for start in range(0, len(body), 65_536)] or [b""]
    said: list[MutableMapping[str, Any]] = []

    async def receive() -> dict[str, Any]:
        if not parts:
            await asyncio.sleep(3600)
        part = parts.pop(0)
        return {"type": "http.request", "body": part, "more_body": bool(parts)}

    async def send(message: MutableMapping[str, Any]) -> None:
        said.append(message)

    await app(scope, receive, send)
    started = said[0]
    return Reply(
        status=started["status"],
        headers={name.decode("latin-1").lower(): value.decode("latin-1") for name, value in started["headers"]},
        body=b"".join(message.get("body", b"") for message in said[1:]),
    )
