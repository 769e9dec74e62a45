"""Start the sekmet FHIR server with its SMART authorization server. Runs inside the servers' own environment.

Arguments: a fresh folder, and a JSON file with the `server_auth` part of its settings. Printed is the base address.

As published it asks for `system/*.c` before any transaction, which no client of least privilege has. Here each entry
of the transaction is asked for instead, by the server's own comparison.
"""

import base64
import json
import os
import socket
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import uvicorn

sys.path.insert(0, str(Path(__file__).parent / "servers"))

import sekmet_main

Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]
_LETTERS = {"GET": "rs", "POST": "c", "PUT": "u", "PATCH": "u", "DELETE": "d"}


class EntryScopes:
    """Refuses a transaction with an entry that the token does not hold a scope for."""

    def __init__(self, app: Any, allows: Callable[[list[str], str, str], bool]) -> None:
        self._app, self._allows = app, allows

    async def __call__(self, scope: dict[str, Any], receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "POST" or scope["path"].rstrip("/") != "/fhir":
            await self._app(scope, receive, send)
            return
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if not message.get("more_body"):
                break
        granted = _scopes_of(dict(scope["headers"]).get(b"authorization", b"").decode())
        if granted is not None and any(not self._allows(granted, *asked) for asked in _asked(body)):
            await send({"type": "http.response.start", "status": 403, "headers": []})
            await send({"type": "http.response.body", "body": b""})
            return
        parts = iter([{"type": "http.request", "body": body, "more_body": False}])

        async def again() -> dict[str, Any]:
            return next(parts, None) or await receive()

        await self._app(scope, again, send)


def _asked(body: bytes) -> Iterator[tuple[str, str]]:
    for entry in json.loads(body).get("entry", []):
        request = entry["request"]
        yield request["url"].partition("?")[0].partition("/")[0], _LETTERS[request["method"]]


def _scopes_of(authorization: str) -> list[str] | None:
    """Of an access token of the server's own making; it checks the signature itself later."""
    parts = authorization.partition(" ")[2].split(".")
    if len(parts) != 3:
        return None
    claims = json.loads(base64.urlsafe_b64decode(parts[1] + "=" * (-len(parts[1]) % 4)))
    return str(claims.get("scope", "")).split()


def main(data: Path, server_auth: Path) -> None:
    listening = socket.create_server(("127.0.0.1", 0))
    root = f"http://127.0.0.1:{listening.getsockname()[1]}"
    settings = {
        "base_url": f"{root}/fhir",
        "data_dir": str(data),
        "log_inbound": False,
        "simulator": {"enabled": False},
        "server_auth": json.loads(server_auth.read_text()),
    }
    config = data / "settings.yaml"
    config.write_text(json.dumps(settings))
    os.environ["SEKMET_CONFIG"] = str(config)
    os.chdir(data)
    from sekmet.auth import server
    from sekmet.fhir import search_params

    for kind, lines in sekmet_main._MISSING_PARAMETERS.items():
        search_params._DEFS[kind] = search_params._DEFS.get(kind, "").rstrip() + lines
    search_params.PARAMS.clear()
    search_params.PARAMS.update(search_params._parse())
    required = server._required

    def required_here(request: Any) -> tuple[str, str]:
        at_base = request.method == "POST" and request.url.path.rstrip("/") == "/fhir"
        found: tuple[str, str] = ("Task", "c") if at_base else required(request)
        return found

    server._required = required_here
    from sekmet.main import app_factory

    threading.Thread(target=sekmet_main._end_with_parent, daemon=True).start()
    sys.stdout.write(f"{root}/fhir\n")
    sys.stdout.flush()
    app = EntryScopes(app_factory(), server.scope_allows)
    uvicorn.Server(uvicorn.Config(app, access_log=False, log_level="warning")).run(sockets=[listening])


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
