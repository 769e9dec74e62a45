"""Compressed bodies: of answers only a single gzip is unpacked, and no further than the limit; sent to us, none is."""

import gzip
import json
import zlib
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from httpx import ASGITransport, AsyncClient
from pydantic import SecretStr

from andante import app, settings
from andante.errors import BadAnswer
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.key_sets import MOST_BYTES, fetch_key_set
from andante.fhir_http.read import FhirReader
from andante.fhir_http.smart_http import TokenHttp
from andante.triggers.web import create_app
from cds_client import a_call

NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
BASE = "http://ward.example/fhir"
SECRET = "a-secret-of-the-site-0001"
LIMIT = 1_000_000


def bomb(megabytes: int = 64) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    piece = b" " * 1_000_000
    return b"".join(packer.compress(piece) for _ in range(megabytes)) + packer.flush()


BOMB = bomb()
ONE = b'{"resourceType": "Patient", "id": "quillfeather"}'
MANY_MEMBERS = gzip.compress(ONE) + gzip.compress(b" " * 100) * 2_000
PACKED: dict[str, tuple[str, bytes]] = {
    "a gzip bomb": ("gzip", BOMB),
    "a gzip bomb by its old name": ("x-gzip", BOMB),
    "a bomb in a bomb": ("gzip, gzip", gzip.compress(BOMB)),
    "a bomb in a bomb, said once": ("gzip", gzip.compress(BOMB)),
    "ten layers": (", ".join(["gzip"] * 10), gzip.compress(gzip.compress(BOMB))),
    "deflate": ("deflate", zlib.compress(b" " * 64_000_000)),
    "deflate without its head": ("deflate", zlib.compress(b" " * 64_000_000)[2:-4]),
    "brotli": ("br", b"\x5b\xff\xff\x03\x00"),
    "zstandard": ("zstd", b"\x28\xb5\x2f\xfd"),
    "gzip, then brotli": ("gzip, br", BOMB),
    "compress": ("compress", b"\x1f\x9d\x90"),
    "an invented way": ("x-own", ONE),
    "capital letters": ("GZIP, GZIP", gzip.compress(BOMB)),
    "gzip that is none": ("gzip", ONE),
    "gzip cut short": ("gzip", gzip.compress(ONE)[:-12]),
    "gzip with a wrong sum": ("gzip", gzip.compress(ONE)[:-8] + b"\x00" * 8),
    "nothing": ("gzip", b""),
}
packed = pytest.mark.parametrize(("how", "body"), PACKED.values(), ids=PACKED.keys())


def serving(how: str, body: bytes, *, piece: int = 65_536) -> httpx.MockTransport:
    async def pieces() -> AsyncIterator[bytes]:
        for start in range(0, len(body), piece):
            yield body[start : start + piece]

    headers = {"Content-Encoding": how, "Content-Type": "application/json"}
    return httpx.MockTransport(lambda _: httpx.Response(200, headers=headers, content=pieces()))


@packed
async def test_no_answer_of_a_server_unpacks_beyond_the_limit(how: str, body: bytes) -> None:
    limits = ServerSettings(base=BASE, max_body_bytes=LIMIT)
    async with Connection(limits, transport=serving(how, body)) as connection:
        with pytest.raises(BadAnswer) as refused:
            await FhirReader(connection).read("Patient", "quillfeather")
    assert str(refused.value).isprintable()


@packed
async def test_no_key_set_is_unpacked(how: str, body: bytes) -> None:
    with pytest.raises(BadAnswer, match="compressed"):
        await fetch_key_set("https://ehr.example/jwks", transport=serving(how, body))


async def test_a_key_set_that_is_not_compressed_is_small() -> None:
    for how in ("", "identity"):
        with pytest.raises(BadAnswer, match="larger"):
            await fetch_key_set("https://ehr.example/jwks", transport=serving(how, b" " * (MOST_BYTES + 1)))


@packed
async def test_no_answer_of_an_authorization_server_unpacks_beyond_the_limit(how: str, body: bytes) -> None:
    async def no_wait(_seconds: float) -> None: ...

    async with TokenHttp(serving(how, body), sleep=no_wait, now=lambda: NOW, dice=lambda: 0.5) as http:
        try:
            fetched = await http.get("https://ward.example/auth", what="asking")
        except BadAnswer:
            return
    assert len(fetched.body) <= 256 * 1024  # a bomb in a bomb that says so once is unpacked once


async def test_a_gzip_of_many_members_is_read_to_the_end_of_its_first_or_refused() -> None:
    async with Connection(ServerSettings(base=BASE), transport=serving("gzip", MANY_MEMBERS)) as connection:
        try:
            found = await FhirReader(connection).read("Patient", "quillfeather")
        except BadAnswer:
            return
    assert json.loads(found.body) == json.loads(ONE)


# --------------------------------------------------------------------------- sent to us


@pytest.fixture
async def client() -> AsyncIterator[AsyncClient]:
    service = app.build(
        settings.defaults(
            zone="Europe/Vienna",
            fhir_base=BASE,
            cds_development=True,
            notify_url="http://127.0.0.1/notify",
            notify_secret=SecretStr(SECRET),
            page_login="development",
        )
    )
    away = httpx.MockTransport(lambda _: httpx.Response(403))
    connection = Connection(ServerSettings(base=BASE), transport=away)
    application = create_app(service, now=lambda: NOW, connection=connection, schedule=False)
    transport = ASGITransport(application, client=("127.0.0.1", 40_000))
    async with AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        yield client


VIEW = "/cds-services/andante-patient-view"
CALL = json.dumps(a_call()).encode()
SENT: dict[str, tuple[str, dict[str, str], bytes, set[int]]] = {
    "a notification": (
        "/notify/laboratory",
        {"Authorization": f"Bearer {SECRET}", "Content-Type": "application/fhir+json"},
        ONE,
        {413, 415},
    ),
    "a call": (VIEW, {"Content-Type": "application/json"}, CALL, {400, 413}),
    "feedback": (f"{VIEW}/feedback", {"Content-Type": "application/json"}, CALL, {400, 413}),
    "a form": ("/page/sign-in", {"Content-Type": "application/x-www-form-urlencoded"}, b"name=Ada&role=view", {422}),
}


@pytest.mark.parametrize(("path", "headers", "whole", "allowed"), SENT.values(), ids=SENT.keys())
async def test_no_body_sent_to_us_is_unpacked(
    client: AsyncClient, path: str, headers: dict[str, Any], whole: bytes, allowed: set[int]
) -> None:
    for body in (gzip.compress(whole), gzip.compress(gzip.compress(whole)), BOMB, zlib.compress(whole)):
        for how in ("gzip", "gzip, gzip", "deflate", "br"):
            answer = await client.post(path, content=body, headers={**headers, "Content-Encoding": how})
            assert answer.status_code in allowed, how
