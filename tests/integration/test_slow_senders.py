"""Whoever does not send the whole of a request in time is told so, and hung up on; the service goes on serving."""

import asyncio
import contextlib
import socket
from collections.abc import Iterator

import pytest
from fastapi import FastAPI, Request
from pydantic import SecretStr
from starlette.middleware import Middleware

from andante import app, settings
from andante.demo import served
from andante.triggers.cds_hooks.routes import OFFERS
from andante.triggers.patience import Patience
from andante.triggers.web import create_app

SECRET = "a-secret-of-the-site-0001"
POST = b"POST /%s HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{"


def one_that_counts(seconds: float) -> FastAPI:
    """Between two middlewares of the kind that the service has."""
    counting = FastAPI()
    counting.add_middleware(Patience, seconds=seconds)

    @counting.middleware("http")
    async def pass_on(request, call_next):  # type: ignore[no-untyped-def]
        return await call_next(request)

    @counting.post("/count")
    async def count(request: Request) -> int:
        return len(await request.body())

    @counting.post("/ponder")
    async def ponder(request: Request) -> int:
        length = len(await request.body())
        await asyncio.sleep(2 * seconds)
        return length

    return counting


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with served(one_that_counts(0.4)) as address:
        yield address


def line_to(address: str) -> socket.socket:
    host, _, port = address.removeprefix("http://").partition(":")
    return socket.create_connection((host, int(port.rstrip("/"))), timeout=10)


def all_of(line: socket.socket) -> bytes:
    """Until the other side hangs up."""
    received = b""
    with contextlib.suppress(ConnectionError):
        while part := line.recv(65_536):
            received += part
    return received


def test_a_body_that_never_comes_whole_ends_with_408_and_the_line_is_closed(address: str) -> None:
    with line_to(address) as line:
        line.sendall(POST % b"count")
        answer = all_of(line)
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"took too long" in answer


def test_a_body_that_drips_has_no_more_time_than_one_that_stops(address: str) -> None:
    with line_to(address) as line, contextlib.suppress(ConnectionError):
        line.sendall(POST % b"count")
        line.settimeout(0.05)
        answer = b""
        for _ in range(90):  # each of them long before the time is over
            line.sendall(b" ")
            with contextlib.suppress(TimeoutError):
                answer += line.recv(65_536)
                break
    assert answer.startswith(b"HTTP/1.1 408 ")


def test_what_is_whole_in_time_may_take_long_to_be_answered(address: str) -> None:
    with line_to(address) as line:
        line.sendall((POST % b"ponder").replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n") + b" " * 99)
        answer = all_of(line)
    assert answer.startswith(b"HTTP/1.1 200 ")
    assert answer.endswith(b"100")


@pytest.mark.parametrize("path", [f"cds-services/{next(iter(OFFERS))}/feedback", "notify/laboratory"])
def test_the_service_itself_waits_no_longer(path: str) -> None:
    service = app.build(
        settings.defaults(
            zone="UTC",
            fhir_base="http://ward.example/fhir",
            cds_development=True,
            notify_url="http://127.0.0.1/notify",
            notify_secret=SecretStr(SECRET),
        )
    )
    made = create_app(service, schedule=False)
    assert made.user_middleware[-1].cls is Patience, "next to the routes"
    made.user_middleware[-1] = Middleware(Patience, seconds=0.4)
    with served(made) as address, line_to(address) as line:
        line.sendall(
            (POST % path.encode()).replace(b"\r\n\r\n", b"\r\nAuthorization: Bearer %s\r\n\r\n" % SECRET.encode())
        )
        answer = all_of(line)
    assert answer.startswith(b"HTTP/1.1 408 ")
