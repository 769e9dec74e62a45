"""The service behind a real socket, spoken to in what is barely HTTP or none: refused, and it goes on serving."""

import socket
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime

import httpx
import pytest
from pydantic import SecretStr

from andante import app, settings
from andante.demo import served
from andante.fhir_http.connection import Connection, ServerSettings
from andante.triggers.web import create_app

NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
SECRET = "a-secret-of-the-site-0001"
HOST = b"Host: 127.0.0.1\r\n"
POST = b"POST /review/%00 HTTP/1.1\r\n" + HOST


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    service = app.build(
        settings.defaults(
            zone="Europe/Vienna",
            fhir_base="http://ward.example/fhir",
            cds_development=True,
            notify_url="http://127.0.0.1/notify",
            notify_secret=SecretStr(SECRET),
            page_login="development",
        )
    )
    away = httpx.MockTransport(lambda _: httpx.Response(403))
    connection = Connection(ServerSettings(base="http://ward.example/fhir"), transport=away)
    with served(create_app(service, now=lambda: NOW, connection=connection, schedule=False)) as address:
        yield address


def said_to(address: str, sent: bytes, *, more_to_come: bool = False) -> bytes:
    """Everything that comes back, until the service hangs up or has nothing more to say."""
    host, _, port = address.removeprefix("http://").partition(":")
    with socket.create_connection((host, int(port.rstrip("/"))), timeout=5) as line:
        line.settimeout(2)
        received = b""
        with suppress(OSError):  # it may have hung up before all of it was sent
            line.sendall(sent)
            if not more_to_come:
                line.shutdown(socket.SHUT_WR)
        with suppress(TimeoutError, ConnectionError):
            while part := line.recv(65_536):
                received += part
        return received


def statuses(answer: bytes) -> list[int]:
    return [int(line.split()[1]) for line in answer.split(b"\r\n") if line.startswith(b"HTTP/1.1 ")]


NO_REQUEST: dict[str, bytes] = {
    "nothing": b"",
    "line ends": b"\r\n\r\n\r\n\r\n",
    "zeros": b"\x00" * 1000,
    "TLS": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    "another protocol": b"SSH-2.0-OpenSSH_9.2\r\n",
    "HTTP/2 unannounced": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "no version": b"GET /health\r\n\r\n",
    "an address without end": b"GET /" + b"x" * 200_000 + b" HTTP/1.1\r\n" + HOST + b"\r\n",
    "a header without end": b"GET /health HTTP/1.1\r\n" + HOST + b"X: " + b"x" * 200_000 + b"\r\n\r\n",
    "ten thousand headers": b"GET /health HTTP/1.1\r\n" + HOST + b"X: y\r\n" * 10_000 + b"\r\n",
    "a header without a name": b"GET /health HTTP/1.1\r\n" + HOST + b": x\r\n\r\n",
    "a header continued": b"GET /health HTTP/1.1\r\n" + HOST + b"X: y\r\n z\r\n\r\n",
    "a zero in a header": b"GET /health HTTP/1.1\r\n" + HOST + b"X: \x00\r\n\r\n",
    "a name with a space": b"GET /health HTTP/1.1\r\n" + HOST + b"X y: z\r\n\r\n",
    "no host": b"GET /health HTTP/1.1\r\n\r\n",
    "two hosts": b"GET /health HTTP/1.1\r\n" + HOST + b"Host: elsewhere.example\r\n\r\n",
    "another host": b"GET /health HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
    "half an address for a host": b"GET /health HTTP/1.1\r\nHost: [::1\r\n\r\n",
    "a host with a user": b"GET /health HTTP/1.1\r\nHost: 127.0.0.1@elsewhere.example\r\n\r\n",
    "an absolute address elsewhere": b"GET http://169.254.169.254/latest HTTP/1.1\r\nHost: 169.254.169.254\r\n\r\n",
    "a tunnel": b"CONNECT 169.254.169.254:80 HTTP/1.1\r\nHost: 169.254.169.254\r\n\r\n",
    "up and out": b"GET /../../../../etc/passwd HTTP/1.1\r\n" + HOST + b"\r\n",
    "up and out, written otherwise": b"GET /page/static/%2e%2e%2f%2e%2e%2fetc/passwd HTTP/1.1\r\n" + HOST + b"\r\n",
    "a file beside ours": b"GET /page/static/..%5c..%5csettings.py HTTP/1.1\r\n" + HOST + b"\r\n",
    "a zero in the address": b"GET /review/%00 HTTP/1.1\r\n" + HOST + b"\r\n",
    "a length below nothing": POST + b"Content-Length: -1\r\n\r\n",
    "two lengths": POST + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\nab",
    "a length without end": POST + b"Content-Length: " + b"9" * 10_000 + b"\r\n\r\n",
    "a length and chunks": POST
    + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /operations HTTP/1.1\r\n" + HOST + b"\r\n",
    "chunks of an unknown kind": POST + b"Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
    "a chunk without end": POST + b"Transfer-Encoding: chunked\r\n\r\nffffffffffffffff1\r\n",
    "a chunk that is no number": POST + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
    "a body cut short": b"POST /cds-services/andante-patient-view HTTP/1.1\r\n" + HOST
    + b"Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{",
    "a websocket": b"GET /page/live HTTP/1.1\r\n" + HOST
    + b"Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Key: eA==\r\nSec-WebSocket-Version: 13\r\n\r\n",
}  # fmt: skip


_REFUSED = {303, 400, 401, 403, 404, 405, 413, 414, 431, 505}
# Odd, within the limits, and of no meaning: it may be answered like any other, if the client has not hung up before.
_HARMLESS = ("a header continued", "ten thousand headers")


@pytest.mark.parametrize("name", NO_REQUEST)
def test_what_is_no_proper_request_is_refused_and_the_service_goes_on(address: str, name: str) -> None:
    answer = said_to(address, NO_REQUEST[name])
    allowed = _REFUSED | {200} if name in _HARMLESS else _REFUSED
    assert set(statuses(answer)) <= allowed, statuses(answer)
    for told in (b"Traceback", b"root:", b"forged", b"andante/", SECRET.encode()):
        assert told not in answer
    assert httpx.get(f"{address}/health").status_code == 200


def test_a_line_end_in_an_address_makes_no_header(address: str) -> None:
    for path in (b"/%0d%0aX-Forged:%201", b"/review/%0d%0aX-Forged:%201", b"/fhir/CodeSystem?url=%0d%0aX-Forged:%201"):
        request = b"GET " + path + b" HTTP/1.1\r\n" + HOST + b"Connection: close\r\n\r\n"
        answer = said_to(address, request, more_to_come=True)
        assert statuses(answer) in ([200], [400], [404], [405])
        assert not any(line.lower().startswith(b"x-forged") for line in answer.split(b"\r\n"))


def test_one_request_is_one_answer_however_it_is_packed(address: str) -> None:
    """Else what a proxy takes for a body could be another request, with somebody else's cookie."""
    hidden = b"GET /protocol HTTP/1.1\r\n" + HOST + b"\r\n"
    for head in (b"Content-Length: 0\r\nTransfer-Encoding: chunked\r\n", b"Transfer-Encoding: chunked, identity\r\n"):
        answer = said_to(address, POST + head + b"\r\n" + hidden, more_to_come=True)
        assert b"protocol" not in answer.partition(b"\r\n\r\n")[2]
        assert len(statuses(answer)) <= 1


def test_a_hundred_lines_that_say_nothing_keep_nobody_out(address: str) -> None:
    host, _, port = address.removeprefix("http://").partition(":")
    lines = [socket.create_connection((host, int(port.rstrip("/"))), timeout=5) for _ in range(100)]
    try:
        for line in lines:
            line.sendall(b"POST /notify/laboratory HTTP/1.1\r\n" + HOST + b"Content-Length: 1000\r\n\r\n{")
        assert httpx.get(f"{address}/health").status_code == 200
    finally:
        for line in lines:
            line.close()
