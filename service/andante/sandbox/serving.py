"""Run the sandbox on a real loopback port, in a thread, for as long as a block lasts."""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread

import uvicorn
from fastapi import FastAPI

from andante.sandbox.app import BASE_PATH

_LOOPBACK = "127.0.0.1"


class _Server(uvicorn.Server):
    """Says when it is ready, or that it never will be."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.decided = Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        try:
            await super().startup(sockets)
        finally:
            self.decided.set()


def _listening(port: int) -> socket.socket:
    # asyncio switches Nagle's algorithm off only where the socket says TCP by name, as those of
    # socket.create_server do not; with it on, every answer waits some 40 ms for an acknowledgement.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((_LOOPBACK, port))
        listening.listen()
    except OSError:
        listening.close()
        raise
    return listening


@contextmanager
def running(app: FastAPI, *, port: int = 0, path: str = BASE_PATH, lifespan: bool = False) -> Iterator[str]:
    """Serve `app` and give its address with `path`, the FHIR base by default; port 0 takes any free one.

    `lifespan`: whether the application is told of start and end. Raises OSError when the port is taken.
    """
    with _listening(port) as listening:
        # The application writes its own Date header, and logs nothing: requests may name patients.
        config = uvicorn.Config(
            app,
            lifespan="on" if lifespan else "off",
            log_config=None,
            access_log=False,
            date_header=False,
            timeout_graceful_shutdown=5,
        )
        server = _Server(config)
        thread = Thread(target=server.run, args=([listening],), name="sandbox", daemon=True)
        thread.start()
        server.decided.wait()
        if not server.started:
            raise OSError("the sandbox did not start")
        try:
            yield f"http://{_LOOPBACK}:{listening.getsockname()[1]}{path}"
        finally:
            server.should_exit = True
            thread.join()
