"""JSON that means harm, at every door through which JSON comes in: taken, or refused as any other; never a crash.

What bounds each door stands in shared/docs/hostile-input.md.
"""

import json
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from httpx import ASGITransport, AsyncClient
from pydantic import SecretStr

from andante import app, settings
from andante.chart.bundle import read_charts
from andante.chart.bundle_file import split_file
from andante.errors import AndanteError, InputError
from andante.fhir_http import envelope
from andante.fhir_http.connection import Connection, ServerSettings
from andante.fhir_http.envelope import MOST_MISSHAPEN, decode_bundle
from andante.fhir_http.read import FhirReader
from andante.fhir_http.retry import RetryPolicy
from andante.fhir_http.smart_discovery import parse_configuration
from andante.fhir_http.smart_token import read_token, refusal
from andante.triggers.cds_hooks.keys import public_keys
from andante.triggers.cds_hooks.routes import MOST_BYTES as MOST_OF_A_CALL
from andante.triggers.cds_hooks.routes import MOST_FEEDBACK_BYTES
from andante.triggers.notifications import MOST_BYTES as MOST_OF_A_NOTIFICATION
from andante.triggers.web import create_app

Json = Any
NOW = datetime(2031, 3, 27, 6, 30, tzinfo=UTC)
BASE = "http://ward.example/fhir"
SECRET = "a-secret-of-the-site-0001"


def observation(value: str = "3.9", **more: str) -> bytes:
    """A result whose value, and whatever else, is written as given."""
    extra = "".join(f', "{name}": {text}' for name, text in more.items())
    return (
        '{"resourceType": "Observation", "id": "o1", "status": "final", "subject": {"reference": "Patient/p1"}, '
        f'"valueQuantity": {{"value": {value}, "unit": "mmol/L"}}{extra}}}'
    ).encode()


def bundle(*entries: bytes, kind: str = "searchset") -> bytes:
    inner = b",".join(b'{"resource": ' + entry + b"}" for entry in entries)
    return f'{{"resourceType": "Bundle", "type": "{kind}", "entry": ['.encode() + inner + b"]}"


DEEP = 100_000
HARM: dict[str, bytes] = {
    "arrays without end": b"[" * DEEP,
    "arrays nested and closed": b"[" * DEEP + b"]" * DEEP,
    "objects without end": b'{"a":' * DEEP,
    "objects nested and closed": b'{"a":' * DEEP + b"1" + b"}" * DEEP,
    "a result nested in its note": observation(note="[" * DEEP + "]" * DEEP),
    "a result nested in what nobody reads": observation(x='{"a":' * DEEP + "1" + "}" * DEEP),
    "a Bundle nested in its entry": bundle(b"[" * DEEP + b"]" * DEEP),
    "a number of a million digits": observation("7" * 1_000_000),
    "a fraction of a million digits": observation("0." + "7" * 1_000_000),
    "an exponent without end": observation("1e999999"),
    "an exponent of a million digits": observation("1e" + "9" * 1_000_000),
    "less than nothing without end": observation("-1e999999"),
    "NaN": observation("NaN"),
    "Infinity": observation("Infinity"),
    "minus Infinity": observation("-Infinity"),
    "a leading zero": observation("007"),
    "hexadecimal": observation("0x7"),
    "a million digits where nobody reads": observation(x="7" * 1_000_000),
    "an event number of a million digits": observation(eventNumber="7" * 1_000_000, expires_in="7" * 1_000_000),
    "the same member twice": observation(valueQuantity='{"value": 0.1, "unit": "mmol/L"}'),
    "the type twice": observation(resourceType='"Patient"'),
    "a member ten thousand times": b"{" + b",".join([b'"id": "x"'] * 10_000) + b"}",
    "half a surrogate pair": observation(id='"\\ud83d"'),
    "two halves the wrong way round": observation(id='"\\udc00\\ud800"'),
    "a zero in a text": observation(id='"\\u0000"'),
    "a byte order mark": b"\xef\xbb\xbf" + observation(),
    "UTF-16, little end first": observation().decode().encode("utf-16-le"),
    "UTF-16 with its mark": observation().decode().encode("utf-16"),
    "UTF-16, big end first": observation().decode().encode("utf-16-be"),
    "UTF-32": observation().decode().encode("utf-32"),
    "Latin-1": observation(id='"\xe9"').decode().encode("latin-1"),
    "overlong UTF-8": observation().replace(b"o1", b"\xc0\xaf"),
    "zeros": b"\x00" * 10_000,
    "a hundred thousand members": json.dumps({f"m{number}": number for number in range(100_000)}).encode(),
    "comments": b"/* x */ {}",
    "single quotes": b"{'resourceType': 'Observation'}",
    "a trailing comma": observation().replace(b"}}", b"},}"),
    "two documents": observation() + observation(),
    "a text alone": b'"x"',
    "nothing but null": b"null",
    "a result of half a million parts": observation(component="[" + ",".join(["{}"] * 500_000) + "]"),
    "cut in a sign": observation(id='"é"').partition(b"\xa9")[0],
}  # fmt: skip


Door = Callable[[bytes], Awaitable[object]]


async def as_a_file(body: bytes) -> None:
    read_charts(body, now=NOW)


async def as_a_line_of_a_file(body: bytes) -> None:
    read_charts(observation() + b"\n" + body.replace(b"\n", b" ") + b"\n", now=NOW)


async def as_an_entry_of_a_file(body: bytes) -> None:
    read_charts(bundle(body, kind="collection"), now=NOW)


async def reading(body: bytes, ask: Callable[[FhirReader], Awaitable[object]]) -> None:
    transport = httpx.MockTransport(lambda _: httpx.Response(200, content=body))
    limits = ServerSettings(base=BASE, retry=RetryPolicy(attempts=1))
    async with Connection(limits, transport=transport) as connection:
        await ask(FhirReader(connection))


async def as_a_page_of_a_search(body: bytes) -> None:
    await reading(body, lambda reader: reader.search("Observation", (("code", "x"),)))


async def as_an_entry_of_a_page(body: bytes) -> None:
    await reading(bundle(body), lambda reader: reader.search("Observation", (("code", "x"),)))


async def as_a_resource_read(body: bytes) -> None:
    await reading(body, lambda reader: reader.read("Observation", "o1"))


async def as_a_capability_statement(body: bytes) -> None:
    await reading(body, lambda reader: reader.fhir_version())


async def as_an_error_of_the_server(body: bytes) -> None:
    transport = httpx.MockTransport(lambda _: httpx.Response(422, content=body))
    async with Connection(ServerSettings(base=BASE), transport=transport) as connection:
        await FhirReader(connection).read("Observation", "o1")


async def as_a_token(body: bytes) -> None:
    assert str(refusal(body, status=400)).isprintable()
    read_token(body, asked_at=NOW)


async def as_a_smart_configuration(body: bytes) -> None:
    parse_configuration(body)


async def as_a_key_set(body: bytes) -> None:
    public_keys(body)


DOORS: tuple[Door, ...] = (
    as_a_file, as_a_line_of_a_file, as_an_entry_of_a_file, as_a_page_of_a_search, as_an_entry_of_a_page,
    as_a_resource_read, as_a_capability_statement, as_an_error_of_the_server, as_a_token, as_a_smart_configuration,
    as_a_key_set,
)  # fmt: skip


@pytest.mark.parametrize("door", DOORS, ids=lambda door: door.__name__.replace("_", " "))
async def test_harmful_json_is_taken_or_refused_in_one_plain_line(door: Door) -> None:
    for name, body in HARM.items():
        try:
            await door(body)
        except AndanteError as error:
            told = str(error)
            assert told.isprintable(), name
            assert len(told) < 500, name
            assert "777" not in told, name


@pytest.fixture(scope="module")
def application() -> FastAPI:
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
    return create_app(
        service, now=lambda: NOW, connection=Connection(ServerSettings(base=BASE), transport=away), schedule=False
    )


@pytest.fixture
async def client(application: FastAPI) -> AsyncIterator[AsyncClient]:
    transport = ASGITransport(application, client=("127.0.0.1", 40_000))
    async with AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        yield client


NOTIFYING = {"Authorization": f"Bearer {SECRET}", "Content-Type": "application/fhir+json"}
CALLING = {"Content-Type": "application/json"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
VIEW = "/cds-services/andante-patient-view"
ADDRESSES: dict[str, tuple[str, dict[str, str], set[int]]] = {
    "a notification": ("/notify/laboratory", NOTIFYING, {200, 202, 400, 413}),
    "a call": (VIEW, CALLING, {400}),
    "feedback": (f"{VIEW}/feedback", CALLING, {400, 413}),
    "a form": ("/page/sign-in", FORM, {303, 400, 403, 422}),
}


@pytest.mark.parametrize(("path", "headers", "allowed"), ADDRESSES.values(), ids=ADDRESSES.keys())
async def test_harmful_json_sent_to_us_is_answered_as_any_other(
    client: AsyncClient, path: str, headers: dict[str, str], allowed: set[int]
) -> None:
    for name, body in HARM.items():
        answer = await client.post(path, content=body, headers=headers)
        assert answer.status_code in allowed, name
        assert len(answer.content) < 4_000, name
        assert "777" not in answer.text, name


@pytest.mark.parametrize("part", ["context", "prefetch", "fhirServer", "hookInstance"])
async def test_harmful_json_within_a_call_is_refused_or_answered_by_the_server_being_away(
    client: AsyncClient, part: str
) -> None:
    call = {
        "hook": "patient-view",
        "hookInstance": "0f8fad5b-d9cb-469f-a165-70867728950e",
        "context": {"patientId": "quillfeather", "userId": "Practitioner/ada"},
    }
    text = json.dumps(call | {part: "HERE"}).encode()
    for name, body in HARM.items():
        answer = await client.post(VIEW, content=text.replace(b'"HERE"', body), headers=CALLING)
        assert answer.status_code in (400, 412, 503), name


# --------------------------------------------------------------------------- how much


def pieces(total: int, piece: bytes, taken: list[int]) -> AsyncIterator[bytes]:
    async def give() -> AsyncIterator[bytes]:
        while sum(taken) < total:
            taken.append(len(piece))
            yield piece

    return give()


SIZES: dict[str, tuple[str, dict[str, str], int]] = {
    "a notification": ("/notify/laboratory", NOTIFYING, MOST_OF_A_NOTIFICATION),
    "a call": (VIEW, CALLING, MOST_OF_A_CALL),
    "feedback": (f"{VIEW}/feedback", CALLING, MOST_FEEDBACK_BYTES),
    "a form": ("/page/sign-in", FORM, 16 * 1024),
    "what has no body": ("/review/quillfeather", {}, 0),
}


@pytest.mark.parametrize(("path", "headers", "most"), SIZES.values(), ids=SIZES.keys())
async def test_of_two_hundred_megabytes_no_more_is_read_than_the_limit(
    client: AsyncClient, path: str, headers: dict[str, str], most: int
) -> None:
    taken: list[int] = []
    piece = b" " * 65_536
    answer = await client.post(path, content=pieces(200_000_000, piece, taken), headers=headers)
    assert answer.status_code != 200
    assert answer.status_code < 500 or path.startswith("/review")
    assert sum(taken) <= most + 2 * len(piece)


def nothings(count: int, nothing: bytes) -> bytes:
    return bundle()[:-2] + nothing + (b"," + nothing) * (count - 1) + b"]}"


@pytest.mark.parametrize("nothing", [b"{}", b"[]", b"1", b'{"a":1}'], ids=lambda text: text.decode())
async def test_millions_of_nothings_do_not_become_millions_of_objects(nothing: bytes) -> None:
    body = nothings(4_000_000, nothing)
    with pytest.raises(envelope.DECODE_ERRORS):
        decode_bundle(body)
    with pytest.raises(InputError, match="more values"):
        split_file(body)
    with pytest.raises(AndanteError):
        await as_a_page_of_a_search(body)


def test_a_bundle_of_nothing_but_misshapen_entries_is_none() -> None:
    _, misshapen = decode_bundle(nothings(MOST_MISSHAPEN, b"[]"))
    assert misshapen == MOST_MISSHAPEN
    with pytest.raises(envelope.DECODE_ERRORS):
        decode_bundle(nothings(MOST_MISSHAPEN + 1, b"[]"))


def test_a_large_page_of_real_results_is_not_taken_for_one_of_nothings() -> None:
    """With as many values for its size as the densest of HL7's own examples, written without white space."""
    dense = (
        b'{"resourceType":"Observation","id":"1","valueQuantity":{"value":1.0,"unit":"g","code":"g"},"status":"final"}'
    )
    found, misshapen = decode_bundle(bundle(*[dense] * 70_000))
    assert (len(found.entry), misshapen) == (70_000, 0)
