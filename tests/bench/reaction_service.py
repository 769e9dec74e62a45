"""Our service as `serve` runs it, in a process of its own, on a clock set to a day of the fictional hospital.

Prints its address, then the instant at which each notification reached it, on the clock that all processes share.
"""

import asyncio
import socket
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "service"))

import uvicorn
from pydantic import SecretStr
from starlette.types import ASGIApp, Receive, Scope, Send

from andante import app, settings
from andante.collecting import collect_seldom
from andante.triggers.web import create_app


def main(base: str, now: datetime, zone: str, secret: str) -> None:
    collect_seldom()
    listening = socket.create_server(("127.0.0.1", 0))
    root = f"http://127.0.0.1:{listening.getsockname()[1]}"
    service = app.build(
        settings.defaults(
            fhir_base=base,
            zone=zone,
            notify_url=f"{root}/notify",
            notify_secret=SecretStr(secret),
            notify_content="full-resource",
        )
    )
    began = time.monotonic()
    application = create_app(service, now=lambda: now + timedelta(seconds=time.monotonic() - began))
    _say(root)
    config = uvicorn.Config(_telling(application), log_config=None, access_log=False, lifespan="on")
    asyncio.run(uvicorn.Server(config).serve(sockets=[listening]))


def _telling(application: ASGIApp) -> ASGIApp:
    async def told(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"].startswith("/notify"):
            _say(str(time.monotonic()))
        await application(scope, receive, send)

    return told


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], datetime.fromisoformat(sys.argv[2]), *sys.argv[3:5])
