"""The service over HTTP, asked in every wrong way: a plain refusal, nothing repeated, nobody in the logs."""

import io
import json
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

import httpx
import pytest
from pydantic import SecretStr

from andante import app, log, settings
from andante.demo import Stage, read_script
from andante.fhir_http.connection import Connection, ServerSettings
from andante.triggers.web import create_app
from commands import Shell, kept_logging

MORNING = datetime.fromisoformat("2031-03-27T06:30:00+00:00")
PATIENT = "quillfeather"
SCRIPT = read_script(("plain-course",))
FACTS = frozenset(
    {
        "time", "level", "action", "patients", "error", "where", "kind", "method", "status", "seconds", "request",
        "round",
    }
)  # fmt: skip
TOKEN = "open sésame"  # not ASCII, and still the bytes that came are compared


@pytest.fixture(autouse=True)
def logged() -> Iterator[io.StringIO]:
    """Whatever a request holds, each line of the log stays one JSON object that names nobody."""
    said = io.StringIO()
    with kept_logging():
        log.start("DEBUG", said)
        yield said
    for line in said.getvalue().splitlines():
        assert set(json.loads(line)) <= FACTS
    for told in (PATIENT, "forged", "sésame", "Patient/", "Observation"):
        assert told not in said.getvalue()


@asynccontextmanager
async def served(**given: Any) -> AsyncIterator[httpx.AsyncClient]:
    """The service before a server that knows one patient."""
    stage = Stage(SCRIPT)
    stage.play_until(MORNING)
    service = app.build(settings.defaults(zone=SCRIPT.zone.key, **given))
    inner = Connection(
        ServerSettings(base="http://ward.example/fhir"), transport=httpx.ASGITransport(stage.sandbox.app)
    )
    application = create_app(service, now=lambda: MORNING, connection=inner, schedule=False)
    transport = httpx.ASGITransport(application, raise_app_exceptions=False)
    async with (
        application.router.lifespan_context(application),
        httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client,
    ):
        yield client


ODD_IDS = [
    "..", ".", "../metadata", "%2e%2e", "a%00b", "a%0d%0aforged: 1", "a%1b%5b31m", "%ff%fe", "%e2%80%aex", "x" * 65,
    "x" * 5000, "", f"{PATIENT}/x", f"Patient%2F{PATIENT}", f"{PATIENT},other", f"{PATIENT}%26_id=other", "_search",
    "$everything", "é", "%7B%7B7*7%7D%7D", "%3Cscript%3E",
]  # fmt: skip


async def test_an_id_that_is_none_is_refused_and_not_repeated() -> None:
    async with served() as client:
        for identity in ODD_IDS:
            answer = await client.post(f"/review/{identity}")
            assert answer.status_code in (400, 404, 405), identity
            assert set(answer.json()) in ({"problem"}, {"detail"})
            assert len(answer.content) < 100
            assert "forged" not in str(answer.headers)


async def test_only_post_reviews_and_a_huge_body_is_not_read() -> None:
    async with served() as client:
        for method in ("GET", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "HEAD", "FORGED"):
            assert (await client.request(method, f"/review/{PATIENT}")).status_code == 405

        async def endless() -> AsyncIterator[bytes]:
            while True:
                yield b"x" * 65_536

        answer = await client.post(f"/review/{PATIENT}", content=endless())
        assert answer.status_code == 200
        assert answer.json()["patient"] == f"Patient/{PATIENT}"


async def test_query_and_headers_change_nothing() -> None:
    async with served() as client:
        plain = (await client.post(f"/review/{PATIENT}")).json()
        odd = {"X-Forwarded-Host": "elsewhere.example", "Cookie": "x" * 10_000, "Accept": "text/html", "X-Now": "9999"}
        answer = await client.post(f"/review/{PATIENT}?now=1900-01-01&patient=other", headers=odd)
        assert answer.json()["advice"] == plain["advice"]
        assert answer.headers["content-type"] == "application/json"
        assert answer.headers["cache-control"] == "no-store"


async def test_another_name_for_loopback_is_refused() -> None:
    async with served() as client:
        for host in ("elsewhere.example", "127.0.0.1.elsewhere.example", "", "127.0.0.1:80@elsewhere.example"):
            answer = await client.post(f"/review/{PATIENT}", headers={"Host": host})
            assert answer.status_code == 400, host


@pytest.mark.parametrize(
    "given",
    [
        b"", b"Bearer", b"Bearer ", b"Bearer x", b"Basic b3Blbg==", b"bearer " + TOKEN.encode(), TOKEN.encode(),
        b"Bearer " + TOKEN.encode() + b" ", b"Bearer " + TOKEN.encode()[:-1], b"Bearer \xff\xfe",
        b"Bearer " + b"x" * 60_000,
    ],
    ids=lambda given: repr(given[:20]),
)  # fmt: skip
async def test_beyond_loopback_nobody_is_reviewed_without_the_token(given: bytes) -> None:
    async with served(host="0.0.0.0", api_token=SecretStr(TOKEN)) as client:
        answer = await client.post(f"/review/{PATIENT}", headers=[(b"Authorization", given)])
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
        assert PATIENT not in answer.text
        known = await client.post(f"/review/{PATIENT}", headers=[(b"Authorization", b"Bearer " + TOKEN.encode())])
        assert known.status_code == 200


async def test_what_anybody_may_see_tells_of_nobody() -> None:
    async with served(host="0.0.0.0", api_token=SecretStr(TOKEN)) as client:
        for path in ("/", "/health", "/ready", "/protocol", "/openapi.json", "/docs", "/metrics", "/%00", "/review"):
            answer = await client.get(path)
            assert answer.status_code in (200, 404, 503), path
            for told in (PATIENT, TOKEN, "ward.example"):
                assert told not in answer.text


def test_an_address_that_cannot_be_listened_on_is_one_clear_line(
    capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ANDANTE_FHIR_BASE", "http://127.0.0.1:9/fhir")
    monkeypatch.setenv("ANDANTE_ZONE", "Europe/Vienna")
    monkeypatch.setenv("ANDANTE_API_TOKEN", "x" * 24)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        for host, port in (("127.0.0.1", taken.getsockname()[1]), ("203.0.113.9", 8080), ("not a host", 8080)):
            done = Shell(capfdbinary, monkeypatch)("serve", "--host", host, "--port", port)
            assert done.status == 2
            assert done.err.startswith(f"andante: cannot listen on {host}")
            assert len(done.err.splitlines()) == 1
